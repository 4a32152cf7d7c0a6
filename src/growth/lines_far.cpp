#include "growth/lines_far.hpp"

#include <cmath>
#include <string>

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::VectorXd;

constexpr double far_sds = 7;
constexpr int fewest_df = 6;

std::string with_one_digit(double value) {
  std::string text = std::to_string(value);
  return text.substr(0, text.find('.') + 2);
}

}  // namespace

void note_far_molt(IncrementFit& fit, const VectorXd& x, const VectorXd& y) {
  if (fit.residual_df < fewest_df || !(fit.residual_sd > 0)) return;
  const VectorXd residual = y - (fit.coefficients[0] + fit.coefficients[1] * x.array()).matrix();
  const VectorXd centered = x.array() - x.mean();
  const double spread = centered.squaredNorm(), df = fit.residual_df, square = df * fit.residual_sd * fit.residual_sd;
  Index worst = -1;
  double most = far_sds;
  for (Index i = 0; i < x.size(); ++i) {
    // Residual from the line of the others, in their sd (externally studentised).
    const double left = 1 - 1 / static_cast<double>(x.size()) - centered[i] * centered[i] / spread;
    const double others = (square - residual[i] * residual[i] / left) / (df - 1);
    const double off = others > 0 ? std::abs(residual[i]) / std::sqrt(others * left) : 0;
    if (off >= most) {
      most = off;
      worst = i;
    }
  }
  if (worst < 0) return;
  fit.health.push_back({HealthState::bad, "far_molt",
                        "molt " + std::to_string(worst + 1) + " of the table (" + with_one_digit(fit.pre_mm[worst]) +
                            " to " + with_one_digit(fit.post_mm[worst]) + ") lies " + with_one_digit(most) +
                            " sds off the line of the others: look at both readings; loss=\"huber\" gives such a molt "
                            "little weight"});
}

}  // namespace moltspan
