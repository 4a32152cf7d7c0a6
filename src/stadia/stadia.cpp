#include "moltspan/stadia/stadia.hpp"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "moltspan/records/temperatures.hpp"
#include "stadia/molts.hpp"
#include "stadia/temperatures.hpp"

namespace moltspan {
namespace {

using namespace stadia_detail;

// One animal on its way from rows to stadia.
struct Work {
  KnownRows known;
  std::vector<Day> looks;
  std::vector<TemperatureSpan> series;  ///< of the place where it stands, by day
  AnimalHistory history;
};

/// Its rows of the journal, or the stretches of temperature series that it lived through.
std::vector<std::vector<const Entry*>> entries_by_animal(const Collection& collection, bool series) {
  std::vector<std::vector<const Entry*>> rows(collection.animals.size());
  for (const Entry& e : collection.entries) {
    if (e.animal >= 0 && of_series(e) == series) rows[e.animal].push_back(&e);
  }
  return rows;
}

// How the record ends.

struct Ending {
  AnimalState state = AnimalState::alive;
  DayRange when;
};

AnimalState state_after(Event event) {
  switch (event) {
    case Event::died:
      return AnimalState::died;
    case Event::left:
      return AnimalState::left;
    case Event::escaped:
      return AnimalState::escaped;
    default:
      return AnimalState::alive;
  }
}

// The first end on record: a later one is hearsay of an animal that is no longer there.
std::optional<Ending> find_ending(const KnownRows& known) {
  std::optional<Ending> first;
  const auto consider = [&first](AnimalState state, DayRange when) {
    if (!first || when.latest < first->when.latest) first = Ending{state, when};
  };
  if (const auto died = known_day(known.animal->died, known.as_of)) consider(AnimalState::died, {*died, *died});
  for (const Entry* e : known.entries) {
    if (const auto state = state_after(e->event); state != AnimalState::alive) consider(state, e->when);
  }
  return first;
}

bool is_reading(Event event) {
  return event == Event::leg_span || event == Event::body_length || event == Event::carapace_length ||
         event == Event::carapace_width || event == Event::mass;
}

// The record ends with the animal's death or leaving; readings are still taken from the dead and from skins.
void drop_rows_after(const Ending& ending, KnownRows& known, std::vector<Problem>& doubts) {
  const auto is_after = [&](const Entry* e) { return e->when.earliest > ending.when.latest && !is_reading(e->event); };
  const auto first = std::find_if(known.entries.begin(), known.entries.end(), is_after);
  if (first == known.entries.end()) return;
  const Entry& e = **first;
  doubts.push_back(doubt_about(known, e.row, "event", std::string(event_name(e.event)) + " " + to_iso(e.when.latest),
                               "the record ended on " + to_iso(ending.when.latest) +
                                   ", when it died, left or escaped; this row and later ones are not used",
                               "if the animal is back, remove that row"));
  std::erase_if(known.entries, is_after);
}

// Which days were watched.

bool any_known_date(const KnownRows& known) {
  const Animal& a = *known.animal;
  const auto dates = {a.hatched, a.acquired, a.matured, a.died};
  const auto is_known = [&](auto day) { return known_day(day, known.as_of).has_value(); };
  return !known.entries.empty() || std::any_of(dates.begin(), dates.end(), is_known);
}

Day first_watched(const KnownRows& known) {
  if (const auto acquired = known_day(known.animal->acquired, known.as_of)) return *acquired;
  return known.entries.empty() ? known.as_of : known.entries.front()->when.earliest;
}

void set_watched(Work& w, const std::optional<Ending>& ending, Watched watched) {
  AnimalHistory& h = w.history;
  Day last = w.known.as_of;
  if (ending) {
    h.state = ending->state;
    h.ended = ending->when.latest;
    last = ending->when.earliest;
  }
  h.watched_from = std::min(first_watched(w.known), last);
  if (watched == Watched::rows) {
    const auto beyond = std::upper_bound(w.looks.begin(), w.looks.end(), last);
    last = beyond == w.looks.begin() ? h.watched_from : *std::prev(beyond);
  }
  h.last_watched = std::max(last, h.watched_from);
}

// Sex and what follows maturity.

double male_chance_of(const KnownRows& known) {
  double chance = known.animal->male_chance;
  for (const Entry* e : known.entries) {
    if (e->event == Event::sex && !std::isnan(e->value)) chance = e->value;
  }
  return chance;
}

AfterMaturity first_known(AfterMaturity own, AfterMaturity of_kind) {
  return own != AfterMaturity::unknown ? own : of_kind;
}

void say_molt_after_last(const Work& w, std::vector<Problem>& doubts) {
  const Molt& next = w.history.molts[w.history.matured_molt + 1];
  doubts.push_back(doubt_about(w.known, next.row, "event", "molt " + to_iso(next.when.latest),
                               "this animal is recorded as mature since " + to_iso(*w.history.matured) +
                                   " and is of a kind and sex that molts no more",
                               "check the sex and `matured`, or set `after_maturity` to goes_on"));
}

void set_maturity(Work& w, int matured_molt, std::vector<Problem>& doubts) {
  AnimalHistory& h = w.history;
  h.male_chance = male_chance_of(w.known);
  h.matured_molt = matured_molt;
  if (matured_molt < 0) return;
  h.matured = h.molts[matured_molt].when.latest;
  const AfterMaturity rule = after_maturity_of(*w.known.animal, h.male_chance);
  h.molts_no_more = rule == AfterMaturity::stops;
  h.after_maturity_unknown = rule == AfterMaturity::unknown;
  if (h.molts_no_more && matured_molt + 1 < static_cast<int>(h.molts.size())) say_molt_after_last(w, doubts);
}

// Sizes.

std::optional<SizeMeasure> measure_of(Event event) {
  switch (event) {
    case Event::leg_span:
      return SizeMeasure::leg_span;
    case Event::body_length:
      return SizeMeasure::body_length;
    case Event::carapace_length:
      return SizeMeasure::carapace_length;
    case Event::carapace_width:
      return SizeMeasure::carapace_width;
    case Event::mass:
      return SizeMeasure::mass;
    default:
      return {};
  }
}

int molts_over_by(const std::vector<Molt>& molts, Day day) {
  return static_cast<int>(
      std::count_if(molts.begin(), molts.end(), [day](const Molt& m) { return m.when.latest <= day; }));
}

int molts_begun_by(const std::vector<Molt>& molts, Day day) {
  return static_cast<int>(
      std::count_if(molts.begin(), molts.end(), [day](const Molt& m) { return m.when.earliest <= day; }));
}

// A skin has the size of the instar that ended: -1 where no molt is on record that it can have come from.
int place_of(const std::vector<Molt>& molts, const Entry& e) {
  const bool on_skin = e.on == MeasuredOn::skin;
  return on_skin ? molts_begun_by(molts, e.when.latest) - 1 : molts_over_by(molts, e.when.latest);
}

void set_sizes(Work& w, std::vector<Problem>& doubts) {
  for (const Entry* e : w.known.entries) {
    const auto measure = measure_of(e->event);
    if (!measure) continue;
    const int place = place_of(w.history.molts, *e);
    if (place < 0) {
      doubts.push_back(doubt_about(w.known, e->row, "on", "skin",
                                   "no molt is on record by " + to_iso(e->when.latest) +
                                       " that this skin can have come from; the reading is not used",
                                   "add the `molt` (with `until` if its day is not known), or measure the animal"));
      continue;
    }
    w.history.sizes.push_back(
        {*measure, e->value, std::isnan(e->step) ? 1 : e->step, place, e->on == MeasuredOn::skin, e->when.latest});
  }
  std::stable_sort(w.history.sizes.begin(), w.history.sizes.end(),
                   [](const SizeReading& a, const SizeReading& b) { return a.day < b.day; });
}

double start_size_mm(const AnimalHistory& h, int molts_before) {
  double of_skin = unknown_number;
  for (const SizeReading& r : h.sizes) {
    if (r.measure != SizeMeasure::leg_span || r.molts_before != molts_before) continue;
    if (!r.on_skin) return r.value;
    if (std::isnan(of_skin)) of_skin = r.value;
  }
  return of_skin;
}

// Temperature.

// Time-weighted mean over [from, until); NaN where no span covers a day of it.
double mean_temperature_c(const std::vector<TemperatureSpan>& spans, Day from, Day until) {
  double sum = 0, days = 0;
  for (const TemperatureSpan& s : spans) {
    const int covered = std::min(until, s.until) - std::max(from, s.from);
    if (covered <= 0) continue;
    sum += covered * s.mean_c;
    days += covered;
  }
  return days > 0 ? sum / days : unknown_number;
}

void set_temperature(Work& w) {
  const Day series_end = w.history.ended.value_or(w.known.as_of) + 1;
  std::erase_if(w.series, [&](const TemperatureSpan& span) { return span.until > series_end; });
  w.history.temperatures = with_series(temperature_spans(w.known.entries, w.history.watched_from), w.series);
  Day from = w.history.watched_from;
  for (const TemperatureSpan& s : w.history.temperatures) from = std::min(from, s.from);
  const double mean = mean_temperature_c(w.history.temperatures, from, w.known.as_of + 1);
  w.history.temperature_c = std::isnan(mean) ? w.known.animal->temperature_c : mean;
}

// Signs since the last molt.

void set_since_molt(Work& w) {
  AnimalHistory& h = w.history;
  const bool molted = !h.molts.empty();
  const Day last_molt = molted ? h.molts.back().when.latest : h.watched_from;
  for (const Entry* e : w.known.entries) {
    const Day day = e->when.latest;
    if (e->event == Event::fangs_black && day >= last_molt && !h.fangs_black) h.fangs_black = day;
    if (e->event == Event::ate && (molted ? day > last_molt : day >= last_molt) && !h.meal) h.meal = day;
    if (e->event == Event::on_back && day >= h.last_watched && h.state == AnimalState::alive) h.on_back = true;
  }
}

// Stadia.

bool is_last(const AnimalHistory& h, int molt) { return molt + 1 == static_cast<int>(h.molts.size()); }

void set_bounds(Stadium& s, Day last_watched) {
  s.start_range_days = s.start.width_days();
  if (!s.end) {
    s.min_days = std::max(0, last_watched - s.start.latest);
    return;
  }
  const bool to_the_day = s.start.width_days() == 1 && s.end->width_days() == 1 && s.end->earliest > s.start.latest;
  if (to_the_day) {
    s.min_days = s.max_days = s.end->earliest - s.start.earliest;
    return;
  }
  s.min_days = std::max(0, s.end->earliest - s.start.latest - 1);
  s.max_days = s.end->latest + 1 - s.start.earliest;
}

// Acquired part-way: had it molted before, it would have come as an animal of the next instar.
double entry_days_of(const Stadium& s, std::optional<Day> acquired) {
  if (!acquired || *acquired <= s.start.latest) return 0;
  if (s.end && s.end->earliest <= *acquired) return 0;
  const double entry_days = *acquired - s.start.latest;
  return s.end ? entry_days : std::min(entry_days, s.min_days);  // a record that ended before it came tells nothing
}

StadiumStatus status_of(const Stadium& s, AnimalState state) {
  if (s.end) return StadiumStatus::closed;
  switch (state) {
    case AnimalState::alive:
      return StadiumStatus::running;
    case AnimalState::died:
      return StadiumStatus::died;
    default:
      return StadiumStatus::left;
  }
}

/// Without those that end by the day: a row of the day of a molt tells of the time before it.
std::vector<TemperatureSpan> spans_after(std::vector<TemperatureSpan> spans, Day day) {
  std::erase_if(spans, [&](const TemperatureSpan& span) { return span.until <= day + 1; });
  return spans;
}

double stadium_temperature_c(const Stadium& s, const Work& w) {
  const Day record_end = std::min(w.known.as_of, w.history.ended.value_or(w.known.as_of)) + 1;
  const Day until = s.end ? s.end->earliest : record_end, latest_until = s.end ? s.end->latest + 1 : record_end;
  const auto spans = spans_after(w.history.temperatures, s.start.latest);
  const double certain = until > s.start.latest ? mean_temperature_c(spans, s.start.latest, until) : unknown_number;
  if (std::isfinite(certain)) return certain;
  const double possible = mean_temperature_c(spans, s.start.latest, latest_until);
  if (std::isfinite(possible) || until > s.start.latest) return possible;
  return mean_temperature_c(w.history.temperatures, s.start.earliest, latest_until);
}

bool noted_within(const Stadium& s, const Work& w, Event event) {
  return std::any_of(w.known.entries.begin(), w.known.entries.end(), [&](const Entry* e) {
    return e->event == event && e->when.latest >= s.start.latest && (!s.end || e->when.latest < s.end->latest);
  });
}

// Molts over each gap between neighboring molts on record: see Stadium::molts.
std::vector<double> molts_over_gaps(const std::vector<Molt>& molts) {
  std::vector<double> gaps(molts.empty() ? 0 : molts.size() - 1, 1.0);
  std::size_t stated = molts.size();
  for (std::size_t k = 0; k < molts.size(); ++k) {
    if (molts[k].instar < 0) continue;
    if (stated < k) {
      const int rows = static_cast<int>(k - stated), risen = molts[k].instar - molts[stated].instar;
      const auto from = gaps.begin() + static_cast<std::ptrdiff_t>(stated), to = from + rows;
      if (risen > rows) std::fill(from, to, rows == 1 ? static_cast<double>(risen) : unknown_number);
    }
    stated = k;
  }
  return gaps;
}

Stadium make_stadium(const Work& w, int animal, int molt) {
  const AnimalHistory& h = w.history;
  Stadium s;
  s.animal = animal;
  s.molt = molt;
  s.start = h.molts[molt].when;
  if (!is_last(h, molt)) s.end = h.molts[molt + 1].when;
  set_bounds(s, h.last_watched);
  s.entry_days = entry_days_of(s, known_day(w.known.animal->acquired, w.known.as_of));
  s.status = status_of(s, h.state);
  s.start_size_mm = start_size_mm(h, molt + 1);
  s.temperature_c = stadium_temperature_c(s, w);
  s.limb_lost = noted_within(s, w, Event::limb_lost);
  s.egg_sac = noted_within(s, w, Event::egg_sac);
  return s;
}

// True where something of the animal is on record from before its first molt.
bool begins_within_stadium(const Work& w) {
  if (w.history.molts.empty()) return true;
  const Day first_molt = w.history.molts.front().when.earliest;
  const auto acquired = known_day(w.known.animal->acquired, w.known.as_of);
  const bool acquired_before = acquired && *acquired < first_molt;
  return acquired_before || (!w.known.entries.empty() && w.known.entries.front()->when.earliest < first_molt);
}

void add_stadia(Work& w, int animal, std::vector<Stadium>& stadia) {
  AnimalHistory& h = w.history;
  if (begins_within_stadium(w)) ++h.stadia_without_start;
  const std::vector<double> gaps = molts_over_gaps(h.molts);
  for (int molt = 0; molt < static_cast<int>(h.molts.size()); ++molt) {
    if (h.molts_no_more && is_last(h, molt)) break;
    if (h.molts[molt].earliest_known) {
      stadia.push_back(make_stadium(w, animal, molt));
      if (!is_last(h, molt)) stadia.back().molts = gaps[static_cast<std::size_t>(molt)];
    } else {
      ++h.stadia_without_start;
    }
  }
}

AnimalHistory history_of(Work w, int animal, StadiaTable& table) {
  w.history.recorded = any_known_date(w.known);
  const auto ending = find_ending(w.known);
  if (ending) drop_rows_after(*ending, w.known, table.doubts);
  w.looks = look_days(w.known);
  set_watched(w, ending, table.watched);
  FoundMolts found = find_molts(w.known, w.looks, table.doubts);
  w.history.molts = std::move(found.molts);
  set_maturity(w, found.matured_molt, table.doubts);
  set_sizes(w, table.doubts);
  set_temperature(w);
  set_since_molt(w);
  if (w.history.recorded) add_stadia(w, animal, table.stadia);
  return std::move(w.history);
}

Day day_of_records(const Collection& collection, std::optional<Day> as_of) {
  if (!as_of) as_of = collection.last_recorded_day();
  if (!as_of) {
    throw std::invalid_argument("build_stadia: no record without a fault has a date; give as_of, the last day watched");
  }
  return *as_of;
}

}  // namespace

bool without_length(const Stadium& stadium) { return !stadium.end && !(stadium.min_days > 0); }

// Probable sex (.8) is trusted here; an unknown one only where both sexes share the rule.
AfterMaturity after_maturity_of(const Animal& animal, double male_chance) {
  const Kind& kind = kind_of(animal);
  const AfterMaturity female = first_known(animal.after_maturity_female, kind.female);
  const AfterMaturity male = first_known(animal.after_maturity_male, kind.male);
  if (male_chance >= .8) return male;
  if (male_chance <= .2) return female;
  return male == female ? male : AfterMaturity::unknown;
}

double chance_to_stop(const Animal& animal, double male_chance) {
  const auto stops = [&](double male) { return after_maturity_of(animal, male) == AfterMaturity::stops ? 1.0 : 0.0; };
  return male_chance * stops(1) + (1 - male_chance) * stops(0);
}

StadiaTable build_stadia(const Collection& collection, std::optional<Day> as_of, Watched watched) {
  StadiaTable table;
  table.as_of = day_of_records(collection, as_of);
  table.watched = watched;
  table.animals.resize(collection.animals.size());
  auto rows = entries_by_animal(collection, false), series = entries_by_animal(collection, true);
  for (std::size_t a = 0; a < collection.animals.size(); ++a) {
    const Animal& animal = collection.animals[a];
    if (animal.set_aside) continue;
    Work work;
    work.known = known_rows(collection, animal, std::move(rows[a]), table.as_of);
    work.series = series_spans(series[a], table.as_of);
    table.animals[a] = history_of(std::move(work), static_cast<int>(a), table);
  }
  return table;
}

}  // namespace moltspan
