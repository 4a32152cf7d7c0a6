#pragma once

#include <cmath>
#include <string>

#include "moltspan/growth/lines.hpp"

namespace moltspan {

/// Says in the health of a straight line by squares which molt lies 7 sds or more off the line of the others.
void note_far_molt(IncrementFit& fit, const Eigen::VectorXd& x, const Eigen::VectorXd& y);

namespace detail_lines_far {

using Eigen::Index;
using Eigen::VectorXd;

inline constexpr double far_sds = 7;
inline constexpr int fewest_df = 6;

inline std::string with_one_digit(double value) {
  std::string text = std::to_string(value);
  return text.substr(0, text.find('.') + 2);
}

}  // namespace detail_lines_far

inline void note_far_molt(IncrementFit& fit, const Eigen::VectorXd& x, const Eigen::VectorXd& y) {
  if (fit.residual_df < detail_lines_far::fewest_df || !(fit.residual_sd > 0)) return;
  const Eigen::VectorXd residual = y - (fit.coefficients[0] + fit.coefficients[1] * x.array()).matrix();
  const Eigen::VectorXd centered = x.array() - x.mean();
  const double spread = centered.squaredNorm(), df = fit.residual_df, square = df * fit.residual_sd * fit.residual_sd;
  Eigen::Index worst = -1;
  double most = detail_lines_far::far_sds;
  for (Eigen::Index i = 0; i < x.size(); ++i) {
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
                        "molt " + std::to_string(worst + 1) + " of the table (" + detail_lines_far::with_one_digit(fit.pre_mm[worst]) +
                            " to " + detail_lines_far::with_one_digit(fit.post_mm[worst]) + ") lies " + detail_lines_far::with_one_digit(most) +
                            " sds off the line of the others: look at both readings; loss=\"huber\" gives such a molt "
                            "little weight"});
}

}  // namespace moltspan
