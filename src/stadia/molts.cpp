#include "stadia/molts.hpp"

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <limits>
#include <tuple>
#include <utility>

namespace moltspan::stadia_detail {
namespace {

constexpr int same_molt_days = 2;  // assumption: a molt on its back at night and its skin two days later are one molt
constexpr int maturity_days = 7;   // assumption: maturity is noticed within a week of the molt into it
constexpr Day long_ago = std::numeric_limits<Day>::min() / 4;  // "any day before", far from overflow

// One thing that tells of a molt.
struct Evidence {
  DayRange when;
  int instar = -1;
  std::int64_t row = 0;
  Event event = Event::molt;
};

double sortable(double value) { return std::isnan(value) ? -std::numeric_limits<double>::infinity() : value; }

auto order_of(const Entry& e) {
  return std::make_tuple(e.when.earliest, e.when.latest, e.event, sortable(e.value), e.on, std::cref(e.text), e.row);
}

bool overlap(const DayRange& a, const DayRange& b) { return a.earliest <= b.latest && b.earliest <= a.latest; }

DayRange intersection(const DayRange& a, const DayRange& b) {
  return {std::max(a.earliest, b.earliest), std::min(a.latest, b.latest)};
}

// Days between two ranges: 0 where they overlap.
int gap_days(const DayRange& a, const DayRange& b) {
  return std::max({0, a.earliest - b.latest, b.earliest - a.latest});
}

bool is_look(const Entry& e) {
  switch (e.event) {
    case Event::checked:
    case Event::ate:
    case Event::darkened:
    case Event::sluggish:
    case Event::molt_mat:
    case Event::fangs_black:
    case Event::limb_lost:
    case Event::egg_sac:
    case Event::mated:
    case Event::molt:
    case Event::skin_found:
    case Event::on_back:
    case Event::left:
    case Event::died:
      return true;
    case Event::leg_span:
    case Event::body_length:
    case Event::carapace_length:
    case Event::carapace_width:
    case Event::mass:
      return e.on != MeasuredOn::skin;
    default:
      return false;
  }
}

// The first day of a range is the one by which the look has certainly proved something; a molt is seen on its last day.
Day look_day(const Entry& e) {
  const bool of_molt = e.event == Event::molt || e.event == Event::skin_found || e.event == Event::on_back;
  return of_molt ? e.when.latest : e.when.earliest;
}

int instar_of(const Entry& e) { return std::isnan(e.value) ? -1 : static_cast<int>(std::lround(e.value)); }

// A skin was shed after the last look before the day it was found; a range that the row states itself wins.
DayRange shed_range(const Entry& e, const std::vector<Day>& looks) {
  if (e.when.width_days() > 1) return e.when;
  const auto found = std::lower_bound(looks.begin(), looks.end(), e.when.latest);
  const Day after = found == looks.begin() ? long_ago : *std::prev(found) + 1;
  return {after, e.when.latest};
}

std::vector<Evidence> evidence_of(const KnownRows& known, const std::vector<Day>& looks, Event event) {
  std::vector<Evidence> found;
  for (const Entry* e : known.entries) {
    if (e->event != event) continue;
    const DayRange when = event == Event::skin_found ? shed_range(*e, looks) : e->when;
    found.push_back({when, event == Event::molt ? instar_of(*e) : -1, e->row, event});
  }
  return found;
}

bool same_molt(const Molt& molt, const Evidence& e) {
  const bool numbers_differ = molt.instar >= 0 && e.instar >= 0 && molt.instar != e.instar;
  return overlap(molt.when, e.when) && !numbers_differ;
}

void intersect(Molt& molt, const Evidence& e) {
  molt.when = intersection(molt.when, e.when);
  molt.instar = std::max(molt.instar, e.instar);
}

bool comes_before(const Molt& a, const Molt& b) {
  const bool both_numbered = a.instar >= 0 && b.instar >= 0;
  if (both_numbered && a.instar != b.instar && overlap(a.when, b.when)) return a.instar < b.instar;
  return std::tie(a.when.earliest, a.when.latest) < std::tie(b.when.earliest, b.when.latest);
}

// Not std::sort: the instar numbers of overlapping ranges make this no weak order.
int insert_in_order(std::vector<Molt>& molts, const Molt& molt) {
  auto place = molts.end();
  while (place != molts.begin() && comes_before(molt, *std::prev(place))) --place;
  place = molts.insert(place, molt);
  return static_cast<int>(place - molts.begin());
}

int add_molt(std::vector<Molt>& molts, const Evidence& e) {
  Molt molt{e.when, e.instar, e.row, e.when.earliest != long_ago};
  if (!molt.earliest_known) molt.when.earliest = molt.when.latest;
  return insert_in_order(molts, molt);
}

// How far evidence lies from a molt. The range of a skin begins after the last look, often that molt itself, so the day
// of the find counts.
int distance_days(const Molt& molt, const Evidence& e) {
  if (overlap(molt.when, e.when)) return 0;
  const DayRange found = e.event == Event::skin_found ? DayRange{e.when.latest, e.when.latest} : e.when;
  return gap_days(molt.when, found);
}

// Whether a molt that is narrowed to what evidence says of it still lies between its neighbors.
bool keeps_order(const std::vector<Molt>& molts, int k, const Evidence& e) {
  const DayRange narrowed = intersection(molts[k].when, e.when);
  const bool after_last = k == 0 || narrowed.latest >= molts[k - 1].when.earliest;
  const bool before_next = k + 1 == static_cast<int>(molts.size()) || narrowed.earliest <= molts[k + 1].when.latest;
  return after_last && before_next;
}

// Index of the molt that evidence of another kind tells of: the nearest within `reach_days`, among several that overlap
// it the one whose last day is nearest; else -1.
int nearest_molt(const std::vector<Molt>& molts, const Evidence& e, int reach_days) {
  int nearest = -1;
  std::pair<int, int> least{reach_days + 1, 0};
  for (int k = 0; k < static_cast<int>(molts.size()); ++k) {
    if (overlap(molts[k].when, e.when) && !keeps_order(molts, k, e)) continue;
    const std::pair<int, int> distance{distance_days(molts[k], e), std::abs(molts[k].when.latest - e.when.latest)};
    if (distance.first > reach_days || distance >= least) continue;
    nearest = k;
    least = distance;
  }
  return nearest;
}

std::string range_text(const DayRange& r) {
  return r.earliest == r.latest ? to_iso(r.latest) : to_iso(r.earliest) + ".." + to_iso(r.latest);
}

Problem joined_doubt(const KnownRows& known, const Evidence& e, const Molt& molt) {
  return doubt_about(known, e.row, e.row ? "event" : "matured",
                     std::string(event_name(e.event)) + " " + to_iso(e.when.latest),
                     "taken as the molt of " + range_text(molt.when) + ", which is written down as well",
                     "write `molt` with its own date if it was another molt");
}

// Index of the molt that `e` tells of, a new one if no other is near.
int join(const KnownRows& known, std::vector<Molt>& molts, const Evidence& e, int reach_days,
         std::vector<Problem>& doubts) {
  const int k = nearest_molt(molts, e, reach_days);
  if (k < 0) return add_molt(molts, e);
  if (overlap(molts[k].when, e.when)) {
    intersect(molts[k], e);
  } else {
    doubts.push_back(joined_doubt(known, e, molts[k]));
  }
  return k;
}

void add_molt_rows(const KnownRows& known, const std::vector<Day>& looks, std::vector<Molt>& molts) {
  for (const Evidence& e : evidence_of(known, looks, Event::molt)) {
    const auto twin = std::find_if(molts.begin(), molts.end(), [&](const Molt& m) { return same_molt(m, e); });
    if (twin != molts.end()) {
      intersect(*twin, e);
    } else {
      add_molt(molts, e);
    }
  }
}

void say_unknown_earliest(const KnownRows& known, const std::vector<Molt>& molts, std::vector<Problem>& doubts) {
  for (const Molt& molt : molts) {
    if (molt.earliest_known) continue;
    doubts.push_back(doubt_about(known, molt.row, "event", "skin_found " + to_iso(molt.when.latest),
                                 "no look at the animal before this day, so the molt may have been any time before",
                                 "add a `checked` row, the day it was acquired, or `until`"));
  }
}

std::int64_t row_to_print(const TextTable& table, std::int64_t index) {
  return index < static_cast<std::int64_t>(table.size()) ? table.rows[index] : 0;
}

// The column of animals.csv is the day of the molt into maturity and wins over a row.
std::optional<Evidence> maturity_evidence(const KnownRows& known) {
  if (const auto day = known_day(known.animal->matured, known.as_of))
    return Evidence{{*day, *day}, -1, 0, Event::matured};
  for (const Entry* e : known.entries) {
    if (e->event == Event::matured) return Evidence{e->when, -1, e->row, Event::matured};
  }
  return {};
}

}  // namespace

KnownRows known_rows(const Collection& collection, const Animal& animal, std::vector<const Entry*> entries, Day as_of) {
  std::erase_if(entries, [&](const Entry* e) { return e->when.latest > as_of; });
  std::sort(entries.begin(), entries.end(), [](auto* a, auto* b) { return order_of(*a) < order_of(*b); });
  return {&collection, &animal, as_of, std::move(entries)};
}

std::optional<Day> known_day(std::optional<Day> day, Day as_of) { return day && *day <= as_of ? day : std::nullopt; }

std::vector<Day> look_days(const KnownRows& known) {
  std::vector<Day> days;
  for (const auto day : {known.animal->acquired, known.animal->died}) {
    if (known_day(day, known.as_of)) days.push_back(*day);
  }
  for (const Entry* e : known.entries) {
    if (is_look(*e)) days.push_back(look_day(*e));
  }
  std::sort(days.begin(), days.end());
  return days;
}

FoundMolts find_molts(const KnownRows& known, const std::vector<Day>& looks, std::vector<Problem>& doubts) {
  FoundMolts found;
  add_molt_rows(known, looks, found.molts);
  for (const Event event : {Event::on_back, Event::skin_found}) {
    for (const Evidence& e : evidence_of(known, looks, event)) join(known, found.molts, e, same_molt_days, doubts);
  }
  if (const auto matured = maturity_evidence(known)) {
    found.matured_molt = join(known, found.molts, *matured, maturity_days, doubts);
  }
  say_unknown_earliest(known, found.molts, doubts);
  return found;
}

Problem doubt_about(const KnownRows& known, std::int64_t row, std::string column, std::string value, std::string rule,
                    std::string next_step) {
  Problem p;
  p.severity = Severity::doubt;
  const TextTable& table = row ? known.collection->raw.journal : known.collection->raw.animals;
  p.file = table.source;
  p.row = row ? row : row_to_print(table, known.animal->row);
  p.animal = known.animal->id;
  p.column = std::move(column);
  p.value = std::move(value);
  p.rule = std::move(rule);
  p.next_step = std::move(next_step);
  return p;
}

}  // namespace moltspan::stadia_detail
