#pragma once

#include <vector>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Log length of one stadium about its predictor, the record itself set aside.
struct RecordResidual {
  std::size_t row = 0;           ///< of the fit
  double residual = 0;           ///< mean 0 where the model holds
  double known_variance = 0;   ///< of the predictor, of what is not known of the length and of the record's own covariates
  double spread_variance = 0;  ///< sigma^2 var W, and with the record's log scale
  double scaled_variance = 0;
  double range_variance = 0;  ///< of the length, as it is known to a range of days only; within known_variance
};

/// Residuals of stadia that were watched from start to end and hide no molt, of `most_records` at most; at the means of the
/// spreads of `first`, a fit of these data or of a part of them. Empty where that cannot be solved.
std::vector<RecordResidual> record_residuals(const CollectionFit& fit, const StadiaFit& first, std::size_t most_records);

}  // namespace moltspan
