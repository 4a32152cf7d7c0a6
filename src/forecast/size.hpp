#pragma once

#include <optional>
#include <string>
#include <vector>

#include "moltspan/forecast/forecast.hpp"

namespace moltspan {

/// Size after the next molt, as a leg span or, where none of its kind is known, in the measure read on it, by the
/// growth model of the fit: one of its points each a normal law of the log size. The nearer
/// an animal is to its adult size, the less it adds; one that is mature grows by shared/housing.toml. With the chance `missed` that a molt went unseen since
/// the last on record it is one molt further. Empty where it was never measured.
std::optional<NextSize> next_size(const CollectionFit& fit, int animal, double missed,
                                  const std::vector<double>& levels);

/// A size in leg span as that; empty for any other.
std::optional<NextLegSpan> as_leg_span(const std::optional<NextSize>& size);

/// What a leg span of an animal rests on that was read in another measure only; blank for others.
std::optional<Note> conversion_note(const CollectionFit& fit, int animal);

}  // namespace moltspan
