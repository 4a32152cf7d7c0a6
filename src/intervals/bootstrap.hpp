#pragma once

#include "moltspan/intervals/intervals.hpp"

namespace moltspan {

/// Animals from which the Gaussian approximation of a maximum-likelihood estimate is good enough for bands.
inline constexpr int enough_animals = 5;

/// Spreads (log sigma[, log animal sd]; one row a replicate) for the bands of a maximum-likelihood fit of few animals,
/// by parametric bootstrap: lengths are drawn from the estimate and seen as those of the table were (the same ranges,
/// looks and late entries), and the model is fitted again. Each row is the estimate reflected at the refit, 2 estimate
/// - refit, on the log scale, so that what the estimate misses on average, and how much it varies, both enter the bands
/// (for exact times without effects these are the pivots that make Student's band exact). The animals' sd is taken as
/// refitted, as 0 would have no reflection. The same numbers every time.
Eigen::MatrixXd bootstrap_spreads(const StadiaData& data, const StadiaOptions& options, const StadiaEstimate& estimate,
                                  bool has_effect);

}  // namespace moltspan
