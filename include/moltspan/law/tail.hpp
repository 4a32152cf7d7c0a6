#pragma once

namespace moltspan {

/// Logarithm of a tail's mass at z, the density over that mass (hazard above, reversed hazard below), and the slope of
/// that rate.
struct Tail {
  double log_mass = 0, rate = 0, rate_slope = 0;
};

}  // namespace moltspan
