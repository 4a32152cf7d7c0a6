#pragma once

#include <array>

#include "moltspan/score/score.hpp"

namespace moltspan {

/// What past forecasts of a collection say of its forecasts: a shift and a factor on the normal scale of the
/// predictive distribution. With z the normal quantile of F, the new distribution is Phi((z - location) / scale).
struct Recalibration {
  double location = 0;   ///< above 0: molts came later than told
  double log_scale = 0;  ///< above 0: bands were too narrow
  int forecasts = 0;     ///< past forecasts it rests on; 0 = not looked for
  int origins = 0;       ///< past days that they were made from
  double effective = 0;  ///< as many independent forecasts would say as much of the scale
  double weight = 0;     ///< chance that anything is to be changed, with which the change is taken
  std::array<ClusteredMean, 3> held;  ///< share of the truth inside the 50, 80 and 95 % bands, before it
  ClusteredMean below_median;         ///< share that came before the median, before it

  bool used() const { return location != 0 || log_scale != 0; }
  double scale() const;
  /// Chance of no molt by a day on which the forecast had `s`.
  double survival(double s) const;
};

}  // namespace moltspan
