#pragma once

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Adds the covariate `last_instar` to fit.data where a group's facts say that the last instar before the adult or the pupa takes longer than
/// size tells (`last_instar` of shared/kind_facts.toml): log of that ratio times the chance that a stadium is that instar; its
/// coefficient is about 1. A stadium that ends with the molt to maturity is, one with another one behind it is not; else
/// the chance is that of an animal that has come so far, by the facts' number of instars (as two animals) and by the animals of
/// the kind that matured in these records. Instars that are not known count as none.
void add_last_instar_column(CollectionFit& fit);

/// What it adds to the log length `ahead` stadia after the present one, beside that of the present one.
double last_instar_step(const CollectionFit& fit, int animal, int ahead);

}  // namespace moltspan
