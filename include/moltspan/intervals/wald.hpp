#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

#include "moltspan/intervals/intervals.hpp"

/// Wald intervals: an estimate and z standard errors either way, z the normal quantile of the level.
namespace moltspan {

/// Estimates with lower and upper ends, one row each.
struct Intervals {
  Eigen::VectorXd estimate, lower, upper;
};

/// Throws std::invalid_argument for a level outside (0, 1).
Intervals wald_intervals(const Eigen::VectorXd& estimates, const Eigen::VectorXd& errors, double level = 0.95);
/// The same of exp(estimate): symmetric on the log scale.
Intervals log_wald_intervals(const Eigen::VectorXd& estimates, const Eigen::VectorXd& errors, double level = 0.95);

/// Square roots of a covariance's diagonal.
Eigen::VectorXd standard_errors(const Eigen::MatrixXd& covariance);

/// Of everything that a fit estimated: coefficients on their own scale, sigma and sds through their logarithms.
struct ParameterIntervals {
  std::vector<std::string> names;  ///< coefficients, `sigma`, `animal_sd`, ...
  Intervals of;
};
ParameterIntervals parameter_intervals(const StadiaFit& fit, double level = 0.95);

}  // namespace moltspan
