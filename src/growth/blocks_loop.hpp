#pragma once

#include "growth/blocks.hpp"

namespace moltspan {

/// Slots [from, to): per slot R (effects x effects) and Q'[1 X y] (effects x columns), by columns.
struct SlotRange {
  const double *r, *b;
  int from, to, columns;
};

/// Adds what the groups of these slots say at a relative covariance of 1 to 3 effects.
void add_slots(const SlotRange& slots, int effects, const Eigen::MatrixXd& psi, bool derivatives, BlockSums& sums);

}  // namespace moltspan
