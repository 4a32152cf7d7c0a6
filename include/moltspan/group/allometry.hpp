#pragma once

#include <span>
#include <string>
#include <vector>

#include "moltspan/group/group.hpp"

/// @file
/// Allometry: the line log y = intercept + slope log x, and whether groups share its slope.
///
/// Sizes in any units, all positive; natural logarithms. `ols`: least squares of log y on log x, for predicting y.
/// `sma`: the standardised (reduced) major axis, slope sign(r) sd(log y) / sd(log x), for the slope itself where both
/// are read with error. Warton, Wright, Falster & Westoby 2006, Biological Reviews 81:259.
namespace moltspan {

enum class LineMethod { ols, sma };

struct AllometryLine {
  int group = 0, n = 0;
  IntervalEstimate slope, intercept;
  double r_squared = 0, sigma = 0;  ///< sigma: sd of log y about the line, n - 2 degrees of freedom
  double p_isometry = 1;            ///< of slope = `test_slope`
};

struct AllometryFit {
  LineMethod method = LineMethod::sma;
  double level = 0.95, test_slope = 1;
  std::vector<AllometryLine> lines;    ///< one a group, in the order of their codes
  IntervalEstimate common_slope;       ///< NaN with a single group
  double statistic = unknown_value;    ///< of equal slopes: F (ols) or the likelihood ratio (sma)
  int statistic_df = 0;                ///< groups - 1
  double residual_df = unknown_value;  ///< of F: n - 2 groups
  double p_common = unknown_value;
  std::vector<HealthNote> health;
};

/// Fits a line a group and tests that the slopes are equal.
///
/// Slope intervals: t (ols); the F form b (sqrt(B + 1) +- sqrt(B)), B = F (1 - r^2) / (n - 2) (sma; Jolicoeur &
/// Mosimann 1968). Intercept of sma: t with s_r^2 / n + mean(x)^2 s_b^2, s_b^2 = b^2 (1 - r^2) / (n - 2) (formula from
/// memory). Equal slopes: the F test of parallel lines (ols); the likelihood ratio of bivariate normal groups that
/// share sd(y) / sd(x), -sum (n_g - 2.5) log(1 - r_g^2), r_g the correlation of y - b x and y + b x, b the maximum of
/// the likelihood, against chi^2 (sma; Warton & Weber 2002, Biometrical Journal 44:161; the 2.5 is their Bartlett
/// correction, from memory). The interval of the common sma slope holds every b not rejected by that statistic's rise.
/// Each group needs three rows, unequal x; slopes of different sign cannot be shared (health).
AllometryFit allometry_fit(std::span<const double> x, std::span<const double> y, std::span<const int> group,
                           LineMethod method, double level = 0.95, double test_slope = 1);

}  // namespace moltspan
