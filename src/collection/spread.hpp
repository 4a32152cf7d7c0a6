#pragma once

#include <string>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Whether lengths scatter more in one kind or instar than in another: a Gaussian law of log scales over kinds and instars
/// (an effect of each kind, a random walk over instars), by Laplace's approximation on residuals freed of their own record;
/// in use where it gains 5 or more in log evidence. Fills `fit.spread`. Records that scatter much hide in the predictors of their animal's
/// others: before the last look less is enough to look again with the scales found. False: nothing was found.
bool look_for_spread_effect(CollectionFit& fit, const StadiaFit& first, bool last_look);

/// Puts the log scales of all records and probes into fit.data.
void add_log_scales(CollectionFit& fit);

/// Log scale of a kind in an instar beside log sigma; 0 where the effect is not in use.
double log_scale_of(const CollectionFit& fit, const std::string& taxon, double instar);

/// Log scale of the stadium `ahead` of the present one of an animal, beside that of the present one.
double spread_step(const CollectionFit& fit, int animal, int ahead);

}  // namespace moltspan
