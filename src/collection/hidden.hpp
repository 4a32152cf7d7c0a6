#pragma once

#include <functional>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Looks for molts that went unrecorded and fits all stadia with what it found: fills fit.hidden, the hidden weights of
/// fit.data and fit.stadia. The chance p of a missed molt, the usual jump in size and the spreads are improved in turn
/// (generalised EM) on a share of a large collection, the animals one by one (HiddenAnimals). Where any seem hidden the
/// sizes are reckoned anew with them (`size_again` builds fit.data from fit.hidden) and the search goes on: a jump of
/// two molts taken for one would pass for a larger animal, whose stadia may be longer. Records within which a molt is
/// hidden with a chance under 1e-3 are fitted as plain ones, so that clean records cost nothing. False = it failed in
/// some way: then fit.health says so and nothing of it is left in `fit`, which is to be fitted plainly.
bool fit_with_hidden_molts(CollectionFit& fit, StadiaOptions options, const std::function<void()>& size_again);

/// Says in fit.health which gaps probably hide a molt.
void note_hidden_molts(CollectionFit& fit);

}  // namespace moltspan
