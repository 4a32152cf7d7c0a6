#include "forecast/words.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "base/words.hpp"
#include "collection/sizes.hpp"
#include "facts/husbandry.hpp"
#include "stadia/molts.hpp"

namespace moltspan::forecast_words {
namespace {

constexpr double least_told = 0.05;  ///< chances under this are not told apart

std::string rounded(double value, int digits) {
  char text[32];
  std::snprintf(text, sizeof text, "%.*f", digits, value);
  return text;
}

std::string words_of(SizeMeasure measure) {
  std::string words(measure_name(measure));
  std::replace(words.begin(), words.end(), '_', ' ');
  return words;
}

/// What the ratio is taken of.
std::string base_of(SizeMeasure measure) {
  return measure == SizeMeasure::mass ? "the cube root of its mass in g" : "its " + words_of(measure);
}

std::string joined(const std::vector<std::string>& words) {
  std::string text;
  for (const std::string& word : words) text += (text.empty() ? "" : ", ") + word;
  return text;
}

std::string on(const std::optional<Day>& day) { return day ? " on " + to_iso(*day) : ""; }

}  // namespace

Note never_measured() {
  return {"never_measured", "never measured: its size is taken as its kind's, and the band is wider for it (assumption)"};
}

Note size_carried_on(double growth_ratio, bool learned) {
  return {"size_carried_on", "not measured since its last molt: size carried on with a growth ratio of " +
                                 (learned ? "about " + rounded(growth_ratio, 2) : rounded(growth_ratio, 2) + " a molt (assumption)")};
}

Note stand_in_size(SizeMeasure measure) {
  return {"stand_in_size", "no leg span was read on it and no ratio to one is known of its kind: size is told as " + words_of(measure) +
                               "; where days go by leg span, " + rounded(std::exp(usual_log_ratio(measure)), 1) + " times " +
                               base_of(measure) + " stands for it, as in tarantulas (assumption)"};
}

Note leg_span_from_other_measure(SizeMeasure measure, const GrowthEstimate& log_ratio, double sd) {
  return {"leg_span_from_other_measure", "no leg span was read on it: taken as about " + rounded(std::exp(log_ratio.mean), 1) + " times " +
                                   base_of(measure) + ", give or take " + rounded(100 * sd, 0) +
                                   " %, from a usual figure of tarantulas and these records; "
                                   "the band of its size holds that"};
}

Note temperature_assumed() { return {"temperature_assumed", "no temperature recorded for it or its kind: 25 C assumed"}; }

Note follows_season(const SeasonFit& season) {
  const Day top = static_cast<Day>(season.log_rate.top_day_of_year());
  return {"follows_season", "follows the season of these records: fastest about " + to_iso(top).substr(5) + ", " +
                                percent(std::expm1(season.log_rate.amplitude())) + " above the usual rate"};
}

Note chance_of_last_molt(const std::string& basis) { return {"chance_of_last_molt", basis}; }

Note after_maturity_unknown() {
  return {"after_maturity_unknown", "mature, but whether its kind or sex molts on is not known: state after_maturity"};
}

Note unwatched_since(Day last_watched) {
  return {"unwatched_since", "last looked at on " + to_iso(last_watched) + ": it may have molted since"};
}

Note met_in_its_only_stadium() {
  return {"met_in_its_only_stadium", "it came in the middle of its only stadium: long ones are met more often so"};
}

Note random_moment(double watched_days) {
  return {"random_moment", "no molt on record: it is taken as met at a random moment between two molts and watched for " +
                               std::to_string(static_cast<int>(watched_days)) +
                               " days since; the first molt written down will narrow the band"};
}

Note signs(const std::vector<std::string>& noted, double chance_true) {
  const std::string chance = chance_true < least_told ? "under 5 %" : percent(chance_true);
  return {"signs", "signs: " + joined(noted) + ": " + chance + " that they tell of the next molt"};
}

Note days_since_last_molt(Day as_of, const DayRange& molt) {
  const int least = as_of - molt.latest, most = as_of - molt.earliest;
  return {"days_since_last_molt",
          (least == most ? std::to_string(least) : std::to_string(least) + " to " + std::to_string(most)) +
              " days since its last molt of all"};
}

Note life_left(Day as_of, const MatureLife& life) {
  const auto date = [&](double days) { return to_iso(as_of + static_cast<Day>(std::floor(days))); };
  std::string text = "half of such males live until " + date(life.median_days);
  if (!life.bands.empty()) {
    const auto wide = std::ranges::min_element(life.bands, {}, [](const ForecastBand& band) { return std::abs(band.level - 0.8); });
    text +=
        ", " + percent(wide->level) + " of them die between " + date(wide->from_days) + " and " + date(wide->to_days);
  }
  const std::string deaths = std::to_string(life.own_deaths) + (life.own_deaths == 1 ? " death" : " deaths");
  return {"life_left", text + " (assumption" + (life.own_deaths > 0 ? ", with " + deaths + " in these records" : "") + ")"};
}

Note skin_tells_sex(double chance, double from_mm) {
  return {"skin_tells_sex", "its next skin is likely large enough to read the sex from (" + percent(chance) + "; from about " +
                                std::to_string(static_cast<int>(std::lround(from_mm))) + " mm, common practice, no source)"};
}

Note pairing(const std::string& males, double chance_molt, Day by) {
  return {"pairing", "mature male of her kind: " + males + "; " + percent(chance_molt) + " that she molts by " + to_iso(by) +
                         ", and a molt discards stored sperm (common practice, no source)"};
}

std::string set_aside() { return "set aside: a record of it is faulty; mend it and it is answered"; }

std::string ended(AnimalState state, const std::optional<Day>& day) {
  return (state == AnimalState::died ? "died" : state == AnimalState::left ? "left" : "escaped") + on(day);
}

std::string molts_no_more(const std::optional<Day>& matured) {
  return "mature" + (matured ? " since " + to_iso(*matured) : std::string()) + ": its kind and sex molts no more";
}

std::string not_there_yet(Day as_of) { return "not there yet on " + to_iso(as_of); }

}  // namespace moltspan::forecast_words
