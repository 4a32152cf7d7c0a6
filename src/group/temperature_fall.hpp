#pragma once

#include "moltspan/group/temperature.hpp"

namespace moltspan {

/// Says in the health of a thermal sum where the rate at the warmest temperature lies below that at the next one, and
/// more than three standard errors below the line of all cooler ones.
void note_falling_rate(CurveFit& fit, const Eigen::VectorXd& temperature_c, const Eigen::VectorXd& rate);

}  // namespace moltspan
