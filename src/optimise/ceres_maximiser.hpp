#pragma once

#include "moltspan/numeric/maximum.hpp"

namespace moltspan::optimise {

/// BFGS of Ceres with central differences of width `step`, until a step gains less than `tolerance` of the value or the
/// gradient is under 1e5 x `tolerance`; 200 steps at most.
Maximum ceres_maximum(const Objective& objective, const Eigen::VectorXd& start, double step, double tolerance);

}  // namespace moltspan::optimise
