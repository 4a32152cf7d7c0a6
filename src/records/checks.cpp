#include "records/checks.hpp"

#include <algorithm>
#include <cmath>

#include "records/build.hpp"
#include "records/table.hpp"

namespace moltspan {

void Life::fault(const Entry& entry, std::string column, std::string value, std::string rule, std::string next_step) {
  animal.set_aside = true;
  problems.push_back({Severity::fault, file, entry.row, animal.id, std::move(column), std::move(value), std::move(rule),
                      std::move(next_step)});
}

void Life::doubt(const Entry& entry, std::string column, std::string value, std::string rule, std::string next_step) {
  problems.push_back({Severity::doubt, file, entry.row, animal.id, std::move(column), std::move(value), std::move(rule),
                      std::move(next_step)});
}

std::string days_text(const DayRange& when) {
  return when.earliest == when.latest ? to_iso(when.earliest) : to_iso(when.earliest) + ".." + to_iso(when.latest);
}

bool is_molt(Event event) { return event == Event::molt || event == Event::skin_found || event == Event::on_back; }

namespace {

std::string row_text(const Entry& entry) { return "row " + std::to_string(entry.row); }

/// Whether a row shows that the animal was seen, alive and as it was.
bool is_look(const Entry& entry) {
  return entry.event != Event::temperature && entry.event != Event::setup && entry.event != Event::enclosure &&
         entry.event != Event::skin_found;
}

/// Days in which the molt of a row happened; that of a skin began after the last look at the animal.
DayRange molt_days(const Entry& entry, std::optional<Day> last_look) {
  if (entry.event != Event::skin_found || entry.when.earliest != entry.when.latest || !last_look) return entry.when;
  return {std::min(*last_look, entry.when.earliest), entry.when.latest};
}

bool overlap(const DayRange& a, const DayRange& b) { return a.earliest <= b.latest && b.earliest <= a.latest; }

bool may_be_one(const CheckedMolt& a, const CheckedMolt& b) {
  return overlap(a.when, b.when) && (std::isnan(a.instar) || std::isnan(b.instar) || a.instar == b.instar);
}

/// A row written twice word by word is another doubt.
bool same_words(const Entry& a, const Entry& b) { return a.when == b.when && a.text == b.text && a.note == b.note; }

void join(Life& life, CheckedMolt& into, const CheckedMolt& molt) {
  if (into.entry->event == Event::molt && molt.entry->event == Event::molt && !same_words(*into.entry, *molt.entry))
    life.doubt(*molt.entry, "date", days_text(molt.when),
               "two molts whose days do not overlap, or rising instar numbers in value",
               "taken as the molt of " + row_text(*into.entry) + " written twice; number both if they are two molts");
  into.when = {std::max(into.when.earliest, molt.when.earliest), std::min(into.when.latest, molt.when.latest)};
  if (std::isnan(into.instar)) into.instar = molt.instar;
}

}  // namespace

void join_molts(Life& life) {
  std::optional<Day> last_look;
  for (const Entry& entry : life.entries) {
    if (is_molt(entry.event)) {
      const CheckedMolt molt{molt_days(entry, last_look), entry.value, &entry};
      if (!life.molts.empty() && may_be_one(life.molts.back(), molt))
        join(life, life.molts.back(), molt);
      else
        life.molts.push_back(molt);
    }
    if (is_look(entry)) last_look = entry.when.latest;
  }
  std::stable_sort(life.molts.begin(), life.molts.end(),
                   [](const CheckedMolt& a, const CheckedMolt& b) { return a.when.earliest < b.when.earliest; });
}

namespace {

/// Entry or column of `animals` that says on which day an animal died; the earliest where there are several.
std::optional<Day> day_of_death(Life& life) {
  std::optional<Day> died = life.animal.died;
  for (const Entry& entry : life.entries) {
    if (entry.event != Event::died) continue;
    if (died && !(entry.when.earliest <= *died && *died <= entry.when.latest))
      life.doubt(entry, "date", days_text(entry.when), "one day of death; " + to_iso(*died) + " is on record too",
                 "correct or remove one of the two");
    died = died ? std::min(*died, entry.when.latest) : entry.when.latest;
  }
  return died;
}

/// Whether a row says what only a living animal does.
bool needs_life(Event event) {
  switch (event) {
    case Event::ate:
    case Event::refused:
    case Event::darkened:
    case Event::sealed_in:
    case Event::sluggish:
    case Event::molt_mat:
    case Event::checked:
    case Event::egg_sac:
    case Event::mated:
      return true;
    default:
      return false;
  }
}

void check_death(Life& life) {
  const auto died = day_of_death(life);
  if (!died) return;
  for (const Entry& entry : life.entries) {
    if (entry.when.earliest <= *died) continue;
    if (is_molt(entry.event) && entry.event != Event::skin_found)
      life.fault(entry, "date", days_text(entry.when), "no molt after the day of death, " + to_iso(*died),
                 "correct the date of the molt or of the death");
    else if (needs_life(entry.event))
      life.doubt(entry, "date", days_text(entry.when), "nothing of a living animal after its death, " + to_iso(*died),
                 "correct the date, the animal or the death");
  }
}

void check_hatching(Life& life) {
  if (!life.animal.hatched) return;
  for (const Entry& entry : life.entries)
    if (is_molt(entry.event) && entry.when.latest < *life.animal.hatched)
      life.fault(entry, "date", days_text(entry.when), "no molt before hatching, " + to_iso(*life.animal.hatched),
                 "correct the date of the molt or hatched in animals");
}

/// Molts with a number by their last day; each must stand over those that ended before it began.
void check_instars(Life& life) {
  std::vector<const Entry*> by_first, by_last;
  for (const Entry& entry : life.entries)
    if (is_molt(entry.event) && !std::isnan(entry.value)) by_first.push_back(&entry);
  by_last = by_first;
  std::stable_sort(by_last.begin(), by_last.end(),
                   [](const Entry* a, const Entry* b) { return a->when.latest < b->when.latest; });
  const Entry* highest = nullptr;
  std::size_t passed = 0;
  for (const Entry* entry : by_first) {
    for (; passed < by_last.size() && by_last[passed]->when.latest < entry->when.earliest; ++passed)
      if (highest == nullptr || by_last[passed]->value > highest->value) highest = by_last[passed];
    if (highest == nullptr || entry->value > highest->value) continue;
    const std::string rule = "instar numbers that rise; " + row_text(*highest) + " of " + days_text(highest->when) +
                             " has " + number_text(highest->value);
    if (entry->value < highest->value)
      life.fault(*entry, "value", entry->text, rule, "correct one of the numbers or dates");
    else if (entry->event == Event::molt && highest->event == Event::molt)
      life.doubt(*entry, "value", entry->text, rule,
                 "correct one of the numbers, or remove the row if it is the same molt");
  }
}

double middle(const DayRange& when) { return .5 * (when.earliest + when.latest + 1); }
double half_width(const DayRange& when) { return .5 * (when.latest - when.earliest); }

void check_stadia(Life& life) {
  const auto& molts = life.molts;
  constexpr double least_days = 1;    // molts of one day apart count as a day
  std::vector<double> days, longest;  // between the middles of the ranges; what the ranges leave open
  for (std::size_t i = 1; i < molts.size(); ++i) {
    days.push_back(std::max(least_days, middle(molts[i].when) - middle(molts[i - 1].when)));
    longest.push_back(days.back() + half_width(molts[i].when) + half_width(molts[i - 1].when));
  }
  for (std::size_t i = 0; days.size() > 1 && i < days.size(); ++i) {
    const double neighbour = std::max(i > 0 ? longest[i - 1] : 0, i + 1 < days.size() ? longest[i + 1] : 0);
    if (days[i] <= longest_against_neighbours * neighbour) continue;
    life.doubt(*molts[i + 1].entry, "date", days_text(molts[i + 1].when),
               "a stadium of at most " + number_text(longest_against_neighbours) +
                   " times its neighbours; this one has about " + number_text(std::round(days[i])) + " days against " +
                   number_text(std::round(neighbour)),
               "look for a molt that was not written down since " + days_text(molts[i].when));
  }
}

/// -1 female, 1 male, 0 not known.
int called_sex(double male_chance) { return male_chance < .5 ? -1 : male_chance > .5 ? 1 : 0; }

void check_sexes(Life& life) {
  int last = 0, changes = 0;
  for (const Entry& entry : life.entries) {
    if (entry.event != Event::sex || called_sex(entry.value) == 0) continue;
    const int sex = called_sex(entry.value);
    changes += last != 0 && sex != last;
    last = sex;
    if (changes == 2)
      life.doubt(entry, "value", entry.text, "a sex that changes once at most",
                 "correct the rows that were wrong; the last one counts");
  }
}

}  // namespace

void check_order(Life& life) {
  check_death(life);
  check_hatching(life);
  check_instars(life);
  check_stadia(life);
  check_sexes(life);
}

void check_sequences(Collection& collection) {
  const std::span<const Entry> entries(collection.entries);
  for (std::size_t begin = 0; begin < entries.size();) {
    std::size_t end = begin;
    while (end < entries.size() && entries[end].animal == entries[begin].animal) ++end;
    Life life{collection.animals[static_cast<std::size_t>(entries[begin].animal)],
              entries.subspan(begin, end - begin),
              collection.raw.journal.source,
              collection.problems,
              {}};
    join_molts(life);
    check_order(life);
    check_sizes(life);
    begin = end;
  }
}

}  // namespace moltspan
