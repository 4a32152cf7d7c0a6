#pragma once

#include <limits>
#include <map>
#include <string>
#include <utility>
#include <vector>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Instar in which each stadium is spent, and the present one of each animal; NaN = not known. A molt that states its
/// number tells those of the animal's other molts by counting; kinds of which nobody states a number are counted from
/// the hatching of animals watched since. Where others of a kind have numbers, an animal without any is taken to be in
/// the instar of those of its size.
struct InstarNumbers {
  std::vector<double> of_rows, of_animals;
};
InstarNumbers instar_numbers(const CollectionFit& fit);

/// Whether stadia differ between instars beyond what size and the other covariates tell: the gain in log evidence of a
/// random walk over instars, of all kinds or of each, on the mean residuals by kind and instar, each record freed of its
/// own term. `first`: a fit without such an effect.
void look_for_instar_effect(CollectionFit& fit, const StadiaFit& first);

/// Adds the columns of the effect that was found to fit.data: steps between neighboring instars, added up from the
/// instar with most stadia.
void add_instar_columns(CollectionFit& fit);

/// What the effect adds to the log length `ahead` stadia after the present one, beside that of the present one.
struct InstarStep {
  double mean = 0, variance = 0;
};
InstarStep instar_step(const CollectionFit& fit, int animal, int ahead);

}  // namespace moltspan
