#pragma once

#include "moltspan/growth/lines.hpp"

namespace moltspan {

/// Says in the health of a straight line by squares which molt lies 7 sds or more off the line of the others.
void note_far_molt(IncrementFit& fit, const Eigen::VectorXd& x, const Eigen::VectorXd& y);

}  // namespace moltspan
