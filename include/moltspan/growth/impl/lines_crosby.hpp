#pragma once

#include <algorithm>
#include <cmath>
#include <vector>

#include "moltspan/config.hpp"
#include "moltspan/growth/impl/lines_law.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan::lines {
namespace detail_lines_crosby {

using Eigen::Index;

inline constexpr double limit = 0.1;
inline constexpr double normal_quartile = 0.6744897501960817;  // of |Z|: its median

/// Chance that exp(Z) - 1 lies beyond 10 % either way, Z normal about 0.
inline double chance_beyond(double sd) {
  if (sd == 0) return 0;
  return std::erfc(std::log1p(limit) / sd / std::sqrt(2)) / 2 + std::erfc(-std::log1p(-limit) / sd / std::sqrt(2)) / 2;
}

/// Variance of log (r_after / r_before) for independent residuals of variance 1 / weight.
inline double step_variance(const InstarMeans& means, Index middle) {
  const double before = 1 / (means.instars[middle] - means.instars[middle - 1]);
  const double after = 1 / (means.instars[middle + 1] - means.instars[middle]);
  const auto& w = means.weights;
  return before * before / w[middle - 1] + std::pow(before + after, 2) / w[middle] + after * after / w[middle + 1];
}

inline double log_ratio(const InstarMeans& means, Index from) {
  return (means.log_sizes[from + 1] - means.log_sizes[from]) / (means.instars[from + 1] - means.instars[from]);
}

inline double median(std::vector<double> values) {
  std::sort(values.begin(), values.end());
  const std::size_t n = values.size();
  return (values[(n - 1) / 2] + values[n / 2]) / 2;
}

}  // namespace detail_lines_crosby

MOLTSPAN_INLINE CrosbyCheck crosby_check(const InstarMeans& means, double residual_sd) {
  CrosbyCheck check;
  std::vector<double> spread, steps;  // sd of a step for residuals of sd 1; the step in such sds
  for (Eigen::Index i = 1; i + 1 < means.instars.size(); ++i) {
    const double before = detail_lines_crosby::log_ratio(means, i - 1), after = detail_lines_crosby::log_ratio(means, i);
    const double share = std::expm1(after - before);
    check.rows.push_back({means.instars[i], std::exp(before), std::exp(after), 100 * share, std::abs(share) > detail_lines_crosby::limit});
    check.beyond += check.rows.back().look ? 1 : 0;
    spread.push_back(std::sqrt(detail_lines_crosby::step_variance(means, i)));
    steps.push_back(std::abs(after - before) / spread.back());
  }
  if (check.rows.empty()) return check;
  const double typical_sd = detail_lines_crosby::median(steps) / detail_lines_crosby::normal_quartile;
  for (const double sd : spread) {
    check.expected_beyond += std::isnan(residual_sd) ? unknown : detail_lines_crosby::chance_beyond(sd * residual_sd);
    check.expected_beyond_typical += detail_lines_crosby::chance_beyond(sd * typical_sd);
  }
  return check;
}

}  // namespace moltspan::lines
