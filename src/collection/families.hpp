#pragma once

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Weights of the families of W in the forecasts of a fitted collection, the fit's own first; those that weigh next to
/// nothing are left out. See CollectionFit::families.
std::vector<FamilyWeight> weigh_families(const CollectionFit& fit);

}  // namespace moltspan
