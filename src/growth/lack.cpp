#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <optional>
#include <set>
#include <stdexcept>

#include "moltspan/growth/growth.hpp"

namespace moltspan {
namespace {

constexpr double doubtful_gain = 4.0;  ///< of log-likelihood by one coefficient: exceeded by chance in 1 of 200
constexpr double bad_gain = 8.0;       ///< in 1 of 16,000: no table of one's own is that unlucky

std::string text_of_gain(double gain) {
  char text[32];
  std::snprintf(text, sizeof text, gain < 10 ? "%.1f" : "%.0f", gain);
  return text;
}

/// The column, centered and scaled, squared: what bends a line in it, apart from the line itself.
Eigen::VectorXd bend_of(const Eigen::VectorXd& column) {
  const Eigen::VectorXd centered = column.array() - column.mean();
  const double sd = std::sqrt(centered.squaredNorm() / static_cast<double>(column.size()));
  return (centered / sd).cwiseAbs2();
}

/// Whether the columns of x add up to this one.
bool holds(const Eigen::MatrixXd& x, const Eigen::VectorXd& column) {
  const Eigen::VectorXd left = column - x * x.colPivHouseholderQr().solve(column);
  return left.norm() < 1e-8 * column.norm();
}

/// Whether the formula has a line in the instar that could bend, and no bend of its own.
bool can_bend(const Eigen::MatrixXd& x, const Eigen::VectorXd& instar) {
  const std::set<double> values(instar.begin(), instar.end());
  return values.size() >= 3 && instar.allFinite() && holds(x, instar) && !holds(x, bend_of(instar));
}

/// The fit with one column more, by maximum likelihood, as log-likelihoods of unlike coefficients compare by that alone.
std::optional<MixedFit> bent_fit(const MixedFit& fit, MixedData data, const Eigen::VectorXd& instar) {
  data.x.conservativeResize(Eigen::NoChange, data.x.cols() + 1);
  data.x.rightCols(1) = bend_of(instar);
  data.coefficients.push_back("bend");
  MixedOptions options = fit.options;
  options.method = MixedMethod::ml;
  try {
    return fit_mixed_model(std::move(data), options);
  } catch (const std::invalid_argument&) {  // too few rows for one coefficient more: nothing can be told
    return std::nullopt;
  }
}

}  // namespace

std::vector<HealthNote> bend_health(const MixedFit& fit, MixedData data, const Eigen::VectorXd& instar,
                                    const std::string& name) {
  if (instar.size() != data.y.size() || !can_bend(data.x, instar)) return {};
  const auto bent = bent_fit(fit, std::move(data), instar);
  if (!bent) return {};
  const auto place = std::find(bent->coefficients.begin(), bent->coefficients.end(), "bend");
  if (place == bent->coefficients.end()) return {};
  const double straight = fit.options.method == MixedMethod::ml ? fit.log_likelihood : refit(fit, MixedMethod::ml).log_likelihood;
  const double gain = bent->log_likelihood - straight;
  if (!(gain > doubtful_gain)) return {};
  const bool down = bent->beta[place - bent->coefficients.begin()] < 0;
  const std::string square = name + "**2";
  return {{gain > bad_gain ? HealthState::bad : HealthState::warning, "lack of fit",
           "sizes bend " + std::string(down ? "down" : "up") + " from the line over " + name + " (" + square + " gains " +
               text_of_gain(gain) + " in log-likelihood), so that bands at either end are off: add " + square +
               " to the formula, or let the ratio change with size (method=\"bayes\", form=\"declining\")"}};
}

}  // namespace moltspan
