#pragma once

#include <array>
#include <memory>
#include <vector>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Fits the growth model to all readings of a collection and replaces the sizes of every measured animal by its
/// smoothed ones, as leg spans. A gap counts with the molts it hides (hidden.sized_with), one between stated
/// instar numbers by those. `codes`: groups of each animal. Null where no size was ever read; then nothing is
/// replaced.
std::shared_ptr<const GrowthModelFit> fit_collection_growth(const Collection& collection, std::vector<AnimalInputs>& animals,
                                           const StadiaTable& table, const HiddenFit& hidden,
                                           const std::array<std::vector<int>, n_levels>& codes, const Priors& priors,
                                           int threads);

}  // namespace moltspan
