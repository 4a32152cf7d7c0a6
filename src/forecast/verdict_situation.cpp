#include "forecast/verdict_situation.hpp"

#include <algorithm>
#include <cmath>

#include "collection/kinds.hpp"
#include "facts/husbandry.hpp"
#include "forecast/words.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

bool is_sign(Event event) {
  return event == Event::darkened || event == Event::sealed_in || event == Event::sluggish ||
         event == Event::molt_mat || event == Event::refused;
}

/// What shows that a retreat was open: the animal ate, was measured, moved or paired.
bool shows_open(const Entry& entry) {
  switch (entry.event) {
    case Event::ate:
    case Event::enclosure:
    case Event::mated:
    case Event::limb_lost:
    case Event::fangs_black:
      return true;
    case Event::leg_span:
    case Event::body_length:
    case Event::carapace_length:
    case Event::carapace_width:
    case Event::mass:
      return entry.on != MeasuredOn::skin;
    default:
      return false;
  }
}

void later(std::optional<Day>& known, Day day) { known = std::max(known.value_or(day), day); }

void read_row(const Entry& entry, CareSituation& s) {
  const Day day = entry.when.latest;
  later(s.last_entry, day);
  if (s.last_molt && day <= s.last_molt->latest) return;
  if (is_sign(entry.event)) s.signs.push_back({entry.event, day});
  if (entry.event == Event::sealed_in) later(s.sealed_in, day);
  if (entry.event == Event::ate) later(s.last_meal, day);
  if (entry.event == Event::egg_sac) s.egg_sac = day;
  if (entry.event == Event::mated) s.mated = day;
  if (shows_open(entry)) later(s.opened, day);
}

std::optional<Event> end_event(AnimalState state) {
  switch (state) {
    case AnimalState::died:
      return Event::died;
    case AnimalState::left:
      return Event::left;
    case AnimalState::escaped:
      return Event::escaped;
    default:
      return {};
  }
}

void set_animal(const Animal& animal, const AnimalHistory& history, Day as_of, CareSituation& s) {
  s.as_of = as_of;
  s.ended = end_event(history.state);
  s.ended_day = history.ended;
  s.is_tarantula = kind_of(animal).is_tarantula;
  s.adult_leg_span_mm = animal.adult_leg_span_mm;
  s.matured = history.matured.has_value();
  s.molts_no_more = history.molts_no_more;
  s.male_chance = history.male_chance;
  if (!history.molts.empty()) s.last_molt = history.molts.back().when;
  s.watched_from = history.watched_from;
  if (history.last_watched < as_of) s.last_watched = history.last_watched;
  s.fangs_black = history.fangs_black;
  s.meal = history.meal;
  s.acquired = animal.acquired;
  s.on_back = history.on_back;
  if (animal.set_aside)
    s.not_answered = forecast_words::set_aside();
  else if (animal.acquired && *animal.acquired > as_of)
    s.not_answered = forecast_words::not_there_yet(as_of);
}

/// Days that go by the stadium where the facts of its kind tell how long that is.
void set_stadium_shares(const CollectionFit& fit, std::vector<CareSituation>& situations) {
  const std::vector<double> medians = stadium_medians(fit);
  for (std::size_t i = 0; i < situations.size(); ++i) {
    situations[i].stadium_median_days = medians[i];
    if (std::isfinite(medians[i])) situations[i].premolt_share = facts_of(fit.collection->animals[i]).premolt_share.value;
  }
}

void set_longest(const StadiaTable& table, std::vector<CareSituation>& situations) {
  for (const Stadium& stadium : table.stadia) {
    if (!stadium.end) continue;
    double& longest = situations[stadium.animal].longest_own_days;
    const double days = 0.5 * (stadium.min_days + stadium.max_days);
    longest = std::isnan(longest) ? days : std::max(longest, days);
  }
}

}  // namespace

SizeNow size_now(const AnimalInputs& inputs, const AnimalHistory& history) {
  SizeNow size;
  size.likely_mm = 20 * std::exp(inputs.sizes.back().mean + husbandry().leg_span_bias);
  if (inputs.never_measured) return size;
  double read = 0;
  for (const SizeReading& reading : history.sizes)
    if (reading.measure == SizeMeasure::leg_span && !reading.on_skin &&
        reading.molts_before == static_cast<int>(history.molts.size()))
      read = std::max(read, reading.value);
  size.leg_span_mm = read > 0 ? read : size.likely_mm;
  return size;
}

std::vector<CareSituation> care_facts(const CollectionFit& fit) {
  std::vector<CareSituation> situations(fit.animals.size());
  for (std::size_t i = 0; i < situations.size(); ++i) {
    const AnimalView view = fit.animal(static_cast<int>(i));
    set_animal(view.record(), view.history(), fit.table.as_of, situations[i]);
    if (view.inputs().sizes.empty()) continue;
    const SizeNow size = size_now(view.inputs(), view.history());
    situations[i].days_leg_span_mm = std::isnan(size.leg_span_mm) ? size.likely_mm : size.leg_span_mm;
  }
  set_longest(fit.table, situations);
  set_stadium_shares(fit, situations);
  for (const Entry& entry : fit.collection->entries)
    if (entry.animal >= 0 && entry.when.latest <= fit.table.as_of)
      read_row(entry, situations[entry.animal]);
  for (CareSituation& s : situations)
    std::stable_sort(s.signs.begin(), s.signs.end(),
                     [](const SignNote& a, const SignNote& b) { return a.day < b.day; });
  return situations;
}

}  // namespace moltspan
