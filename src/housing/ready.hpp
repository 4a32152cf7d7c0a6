#pragma once

#include <string>
#include <vector>

#include "moltspan/housing/housing.hpp"

namespace moltspan {

/// `200 x 200 x 150 mm`.
std::string box_size_text(const SuggestedBox& box);

/// What to prepare for the first sitting, what to do at its end, and to whom the plan defers.
std::vector<std::string> make_ready(const RehousePlan& plan, const std::vector<HousingSituation>& situations,
                                    const HousingRules& rules);

}  // namespace moltspan
