#pragma once

#include <memory>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Fits all stadia up to `as_of`. Covariates: `log_size` of the start size, `warmth_c` = mean temperature - 25 C,
/// `kind_pace` (log of the stadium by the facts of its kind over that of the priors; see kinds.hpp), `last_instar` (see
/// LastInstarEffect), `male` (chance of being male), `near_adult_female`, `pace_slow`, `pace_fast`, `limb_lost`, `egg_sac`, each where the
/// records hold any. The error of a start size adds exponent^2 x record_variance to its record. On a day before
/// any record there are no rows, and only priors count. Throws std::invalid_argument where `as_of` is not given and no
/// record has a date.
CollectionFit fit_collection(std::shared_ptr<const Collection> collection, const CollectionOptions& options = {});

}  // namespace moltspan
