#pragma once

#include <Eigen/Core>
#include <string>

#include "moltspan/group/group.hpp"

/// Small statistics that the group analyses share.
namespace moltspan::group {

/// std::invalid_argument `function: `argument` [of row r] is value, but rule` unless it holds; row -1 = no row.
void require(bool holds, const char* function, const char* argument, std::ptrdiff_t row, double value,
             const char* rule);

/// Checks a level: strictly between 0 and 1.
void require_level(const char* function, double level);

/// As many of each.
void require_as_many(const char* function, const char* argument, std::size_t size, std::size_t wanted);

/// Two-sided quantile of Student's t: P(|t| <= q) = level. Normal where df is infinite; infinite where df <= 0.
double t_quantile(double level, double df);

/// P(|t| > |value|).
double t_two_sided(double value, double df);

/// estimate +- t_quantile x error.
IntervalEstimate t_interval(double estimate, double error, double level, double df);

/// exp of all three.
IntervalEstimate exp_of(const IntervalEstimate& log_scale);

/// Mean of values with Student's interval; limits NaN under two values.
IntervalEstimate mean_interval(const Eigen::VectorXd& values, double level);

/// Sample standard deviation (n - 1); NaN under two values.
double sample_sd(const Eigen::VectorXd& values);

HealthNote note(HealthState state, std::string topic, std::string text);

}  // namespace moltspan::group
