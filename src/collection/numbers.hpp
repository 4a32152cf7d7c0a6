#pragma once

#include <vector>

#include "moltspan/stadia/stadia.hpp"

namespace moltspan {

/// Number of the instar that begins with each molt of each animal; NaN where it is not known. A molt that states its number tells
/// those of the animal's other molts by counting; kinds of which nobody states a number are counted from the hatching of
/// animals watched since.
std::vector<std::vector<double>> molt_numbers(const Collection& collection, const StadiaTable& table);

bool any_known(const std::vector<double>& numbers);

}  // namespace moltspan
