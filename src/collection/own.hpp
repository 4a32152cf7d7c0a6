#pragma once

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Adds the user's own covariates (CollectionOptions::own) to fit.data. Throws std::invalid_argument for one that has not a value
/// for each animal.
void add_own_covariates(CollectionFit& fit);

}  // namespace moltspan
