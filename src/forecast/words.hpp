#pragma once

#include <string>
#include <vector>

#include "moltspan/base/note.hpp"
#include "moltspan/clock/season.hpp"
#include "moltspan/forecast/forecast.hpp"

/// The sentences of the forecast, each with its code.
namespace moltspan::forecast_words {

// Assumptions that it rests on.
Note never_measured();
Note size_carried_on(double growth_ratio, bool learned);
/// Of an animal of another kind on which no leg span was read.
Note stand_in_size(SizeMeasure measure);
Note leg_span_from_other_measure(SizeMeasure measure, const GrowthEstimate& log_ratio, double sd);
Note temperature_assumed();
Note follows_season(const SeasonFit& season);
Note chance_of_last_molt(const std::string& basis);
Note after_maturity_unknown();
Note unwatched_since(Day last_watched);
Note met_in_its_only_stadium();
Note random_moment(double watched_days);

// What else is to be said.
Note signs(const std::vector<std::string>& noted, double chance_true);
Note days_since_last_molt(Day as_of, const DayRange& molt);
Note life_left(Day as_of, const MatureLife& life);
Note skin_tells_sex(double chance, double from_mm);
Note pairing(const std::string& males, double chance_molt, Day by);

// Why there is none.
std::string set_aside();
std::string ended(AnimalState state, const std::optional<Day>& day);
std::string molts_no_more(const std::optional<Day>& matured);
std::string not_there_yet(Day as_of);

}  // namespace moltspan::forecast_words
