#pragma once

#include <Eigen/Core>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "moltspan/group/group.hpp"

/// @file
/// Development against temperature: Q10, thermal sums, Belehradek's and Briere's curves, molts at varying temperature.
///
/// Temperatures in degrees Celsius, times in days, rates per day (1 / days). Lengths at one temperature come in as they
/// were measured: means or single animals. Arguments outside their range throw std::invalid_argument that names
/// function, argument, row, value and rule; weak data give an answer with a stated health.
namespace moltspan {

/// Factor by which a rate rises over 10 degrees: (rate_2 / rate_1)^(10 / (t_2 - t_1)). van 't Hoff's rule, common form.
double q10(double rate_1, double rate_2, double temperature_1_c, double temperature_2_c);

/// Q10 of development, exp(-10 slope), from the slope of log days per degree (a coefficient of `fit_stadia`) and its
/// standard error; the interval on the log scale, with t quantiles of `df` degrees of freedom (infinite = normal).
IntervalEstimate q10_from_slope(double log_days_per_c, double standard_error, double level, double df);

struct CurveOptions {
  double level = 0.95;
  int bootstrap = 1000;    ///< resamples of the residuals; 0 = none
  std::uint64_t seed = 1;  ///< of the resamples; the same seed gives the same intervals
};

/// One parameter of a curve with its intervals.
struct CurveParameter {
  std::string name;
  double estimate = 0, standard_error = 0;
  IntervalEstimate interval;   ///< by the rule named at the fit
  IntervalEstimate delta;      ///< estimate +- t standard_error
  IntervalEstimate bootstrap;  ///< percentile interval of resampled residuals; NaN where none was asked for
};

/// What every fit of a curve says. Least squares with equal errors on the scale named at the fit.
struct CurveFit {
  CurveOptions options;
  std::vector<CurveParameter> parameters;
  double sigma = 0, r_squared = 0, residual_sum_of_squares = 0;
  int n = 0, n_left_out = 0,
      df = 0;  ///< left out: no development (infinite or blank length), where the fit cannot use it
  int bootstrap_failed = 0;
  Eigen::VectorXd fitted;  ///< rates per day (days for Belehradek), one a row used
  std::vector<HealthNote> health;

  const CurveParameter& operator[](const std::string& name) const;
};

/// Linear rate: 1 / days = (T - threshold) / sum, least squares of the rate on temperature.
///
/// Parameters `threshold_c` = -intercept / slope and `sum_degree_days` = 1 / slope, `intercept`, `slope`. Intervals:
/// Fieller's (1954, JRSS B 16:175) for the threshold, the inverted t interval of the slope for the sum; where the slope
/// is not clear of 0 they are unbounded (infinite ends) and the health says so. Rows outside `use_from_c`..`use_to_c`
/// (where the rate bends) are left out and counted. Assumes equal error of rates at all temperatures.
CurveFit thermal_sum_fit(std::span<const double> temperature_c, std::span<const double> days,
                         std::optional<double> use_from_c = {}, std::optional<double> use_to_c = {},
                         const CurveOptions& options = {});

/// Belehradek's curve (Belehradek 1935): days = a (T - b)^(-c); c = 1 is Reaumur's thermal sum a with threshold b.
struct Belehradek {
  double a = 0;    ///< days x degrees^c, positive
  double b_c = 0;  ///< temperature without development
  double c = 1;    ///< positive

  double days(double temperature_c) const;          ///< infinite at and below b
  double temperature_c(double days) const;          ///< the inverse: (a / days)^(1 / c) + b
  double rate_per_day(double temperature_c) const;  ///< 1 / days; 0 at and below b
};

/// Fits a, b and c (or a and b at a given `c`) by least squares of log days: log D = log a - c log(T - b). Ceres on
/// (log a, log(T_lowest - b), log c), started from the best of a grid of b. `interval`s come from these scales with t
/// quantiles, so that b stays below the lowest temperature. b and c are hard to tell apart over few degrees: health
/// says where the records do not determine them.
CurveFit belehradek_fit(std::span<const double> temperature_c, std::span<const double> days,
                        std::optional<double> c = {}, const CurveOptions& options = {});

/// Briere's first curve (Briere, Pracros, Le Roux & Pierre 1999, Environmental Entomology 28:22; formula from memory,
/// its optimum checked against its maximum): rate = a T (T - lower) sqrt(upper - T) between the limits, 0 outside.
struct Briere {
  double a = 0, lower_c = 0, upper_c = 0;

  double rate_per_day(double temperature_c) const;
  double optimum_c() const;  ///< (4 U + 3 L + sqrt(16 U^2 + 9 L^2 - 16 U L)) / 10
};

/// Fits Briere's curve to rates by least squares (Ceres on log a and the logs of the gaps between the limits and the
/// outermost temperatures with development). Infinite or blank `days` = no development, rate 0. Parameters `a`,
/// `lower_c`, `upper_c`, `optimum_c`. `interval`s: limits from their log gaps, optimum by the delta method, t
/// quantiles. Needs five temperatures; without a temperature on the falling side the upper limit is not determined
/// (health).
CurveFit briere_fit(std::span<const double> temperature_c, std::span<const double> days,
                    const CurveOptions& options = {});

/// When a molt falls at varying temperature.
struct Accumulated {
  double progress = 0;          ///< share of the stadium passed by the end of the series; 1 and more = molted
  double days = unknown_value;  ///< end of the step in which it reached 1; NaN = not within the series
  double days_within_step = unknown_value;  ///< the same, linear within the step
};

/// Adds up `rates_per_day` x `step_days` until they reach 1. Rates within 1e-12 of 1 count as 1.
Accumulated accumulate_development(std::span<const double> rates_per_day, double step_days);

}  // namespace moltspan
