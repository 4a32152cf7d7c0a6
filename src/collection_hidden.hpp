#pragma once

#include "moltspan/collection_fit.hpp"

namespace moltspan {

/// Looks for molts that went unrecorded: fills fit.hidden and the hidden weights of fit.data, and moves options.start
/// to the spreads that are left once they are accounted for. The chance p of a missed molt, the usual jump in size and
/// the spreads are improved in turn (generalised EM) on a share of a large collection; records within which a molt is
/// hidden with a chance under 1e-4 are then fitted as plain ones, so that clean records cost nothing.
void find_hidden_molts(CollectionFit& fit, StadiaOptions& options);

/// The search and the fit of all stadia with what it found. False = it failed in some way: then fit.health says so and
/// nothing of it is left in `fit`, which is to be fitted plainly.
bool fit_with_hidden_molts(CollectionFit& fit, StadiaOptions options);

/// Says in fit.health which gaps probably hide a molt.
void note_hidden_molts(CollectionFit& fit);

}  // namespace moltspan
