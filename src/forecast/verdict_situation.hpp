#pragma once

#include <vector>

#include "moltspan/collection/fit.hpp"
#include "moltspan/verdict/verdict.hpp"

namespace moltspan {

/// What the records say of each animal at the end of `as_of`, in the collection's order; what the forecast adds (next
/// molt, chances) is left blank.
std::vector<CareSituation> care_facts(const CollectionFit& fit);

/// Leg span in this instar as read (the largest of several: readings are low more often than high), else as its sizes
/// say it would be read.
struct SizeNow {
  double leg_span_mm = unknown_number;  ///< NaN = never measured
  double likely_mm = unknown_number;    ///< as its sizes say
};
SizeNow size_now(const AnimalInputs& inputs, const AnimalHistory& history);

}  // namespace moltspan
