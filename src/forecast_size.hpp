#pragma once

#include <optional>
#include <vector>

#include "moltspan/forecast.hpp"

namespace moltspan {

/// Leg span after the next molt, by the growth model of the fit: one of its points each a normal law of the log size.
/// An animal of about its adult size grows by shared/housing.toml, as in courses and in housing. With the chance
/// `missed` that a molt went unseen since the last on record it is one molt further. Empty where it was never measured.
std::optional<NextLegSpan> next_leg_span(const CollectionFit& fit, int animal, double missed,
                                         const std::vector<double>& levels);

}  // namespace moltspan
