#pragma once

#include <string>
#include <vector>

#include "moltspan/kinds/kinds.hpp"

namespace moltspan {

/// A fact that nobody has stated and that would make forecasts narrower.
struct MissingFact {
  enum class What { group, adult_size, temperature, size };
  What what = What::group;
  std::string of;       ///< the taxon (where blank, the animal); blank = all animals
  int animals = 0;      ///< that molt on and whose forecasts it bears on
  double narrower = 0;  ///< mean share by which their bands shrink: of sizes to come for adult_size, else of days to the
                        ///< next molt
};

/// Facts worth stating, the largest gain (animals times narrower) first. Reckoned from the variance that goes with each
/// under the prior spreads, less what records of the animal and of its kind have told already; no fit is made.
std::vector<MissingFact> missing_facts(const Collection& collection, const StadiaTable& table);

}  // namespace moltspan
