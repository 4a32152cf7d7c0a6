#pragma once

#include <string>
#include <vector>

#include "growth/adult.hpp"
#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// What is said of an animal's adult leg span; NaN = nothing is.
struct StatedAdult {
  double leg_span_mm = unknown_number, log_sd = 0;
  std::string status;  ///< how that is known
};

/// Its own adult size or that of its kind, as far as anything but readings tells of it.
StatedAdult stated_adult(const Animal& animal);

/// What each animal of a collection enters `fit_adult_sizes` with. Where nothing is said of it and it is no tarantula,
/// facts of its kind or group stand in (kinds.hpp), and where there are none, its adult size is looked for about the biggest of its genus
/// in these records, and above. `inputs`: sizes before the growth model.
std::vector<AdultAnimal> adult_animals(const Collection& collection, const StadiaTable& table,
                                       const std::vector<AnimalInputs>& inputs);

/// Ends of growth of an animal without any growth model: where its adult size is stated, and it is not mature.
std::vector<AdultNode> stated_ends(const CollectionFit& fit, int animal);

}  // namespace moltspan
