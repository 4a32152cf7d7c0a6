#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <numeric>
#include <stdexcept>

#include "nonparametric_support.hpp"

namespace moltspan {
namespace {

constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();

void add(BoundedTimes& times, double low, double high, double entry, double weight = 1) {
  times.min_days.push_back(low);
  times.max_days.push_back(high);
  times.entry_days.push_back(entry);
  times.weight.push_back(weight);
}

/// Whether the row is a death so soon after the molt that the molt is taken to have killed.
bool died_at_molting(const BoundedTimes& times, std::span<const int> status, int row, double molting_days) {
  return status[row] == static_cast<int>(StadiumStatus::died) && !(times.min_days[row] > molting_days);
}

StadiumEnd end_of(int status, bool kills) {
  if (status == static_cast<int>(StadiumStatus::closed)) return kills ? StadiumEnd::died_molting : StadiumEnd::molted;
  return status == static_cast<int>(StadiumStatus::died) ? StadiumEnd::died : StadiumEnd::censored;
}

std::map<int, std::vector<int>> rows_by_animal(std::span<const int> animal, std::span<const double> start) {
  std::map<int, std::vector<int>> rows;
  for (std::size_t i = 0; i < animal.size(); ++i) rows[animal[i]].push_back(static_cast<int>(i));
  for (auto& [code, own] : rows)
    std::stable_sort(own.begin(), own.end(), [&](int x, int y) { return start[x] < start[y]; });
  return rows;
}

}  // namespace

StadiumEnds stadium_ends(const BoundedTimes& times, std::span<const int> animal, std::span<const double> start,
                         std::span<const int> status, double molting_days) {
  if (animal.size() != times.size() || start.size() != times.size() || status.size() != times.size())
    throw std::invalid_argument("stadium_ends: animal, start and status: one a row of the table is needed");
  StadiumEnds ends;
  std::vector<std::pair<int, StadiumEnd>> found;
  for (const auto& [code, own] : rows_by_animal(animal, start)) {
    for (std::size_t k = 0; k < own.size(); ++k) {
      const bool killed_before = died_at_molting(times, status, own[k], molting_days);
      const bool before_on_record = k > 0 && status[own[k - 1]] == static_cast<int>(StadiumStatus::closed);
      if (killed_before) {
        ends.without_stadium += !before_on_record;
        continue;
      }
      const bool kills = k + 1 < own.size() && died_at_molting(times, status, own[k + 1], molting_days);
      found.emplace_back(own[k], end_of(status[own[k]], kills));
    }
  }
  std::sort(found.begin(), found.end());
  for (const auto& [row, end] : found) {
    const double low = nonparametric::min_of(times, row), entry = nonparametric::entry_of(times, row);
    const bool dies = end == StadiumEnd::died && low > entry;  // else it was watched for no time
    ends.row.push_back(row);
    ends.end.push_back(static_cast<int>(dies || end != StadiumEnd::died ? end : StadiumEnd::censored));
    add(ends.times, dies ? low : times.min_days[row], dies ? low : times.max_days[row], entry,
        nonparametric::weight_of(times, row));
  }
  return ends;
}

namespace {

/// The age that an animal has to have reached to be watched, 0 where it was watched from hatching.
double entry_age(const Animal& animal, const AnimalHistory& history, Day hatched) {
  const Day from = animal.acquired ? *animal.acquired : std::min(history.watched_from, hatched);
  return std::max(0, from - hatched);
}

void add_age(const Animal& animal, const AnimalHistory& history, double entry, BoundedTimes& ages) {
  const Day hatched = *animal.hatched;
  if (history.matured_molt < 0) {
    add(ages, std::max(0, history.last_watched - hatched), not_a_number, entry);
    return;
  }
  const DayRange when = history.molts[history.matured_molt].when;
  const bool exact = when.width_days() == 1 && when.earliest > hatched;
  const double low = std::max(0, when.earliest - hatched - !exact), high = when.latest - hatched + !exact;
  add(ages, std::max(low, std::min(entry, high)), high, entry < high ? entry : 0);
}

/// Instars of an animal from its counted molts: the first known one (it was seen immature then), and the last.
void add_instar(const AnimalHistory& history, BoundedTimes& instars) {
  int first = -1, last = -1;
  for (std::size_t k = 0; k < history.molts.size(); ++k) {
    if (history.molts[k].instar < 0) continue;
    if (first < 0 && static_cast<int>(k) != history.matured_molt) first = history.molts[k].instar;
    last = history.molts[k].instar;
  }
  const int matured = history.matured_molt >= 0 ? history.molts[history.matured_molt].instar : -1;
  const double entry = first < 0 ? 0 : first;
  if (matured >= 0)
    add(instars, matured, matured, entry < matured ? entry : 0);
  else if (last >= 0 && history.matured_molt < 0)
    add(instars, last, not_a_number, entry);
  else
    add(instars, not_a_number, not_a_number, 0);
}

}  // namespace

MaturityTable maturity_records(const Collection& collection, const StadiaTable& stadia) {
  MaturityTable table;
  for (std::size_t a = 0; a < collection.animals.size(); ++a) {
    const Animal& animal = collection.animals[a];
    const AnimalHistory& history = stadia.animals[a];
    if (!history.recorded) continue;
    const double entry = animal.hatched ? entry_age(animal, history, *animal.hatched) : 0;
    const bool mature_before = history.matured && animal.acquired && *history.matured <= *animal.acquired;
    if (mature_before) {
      ++table.mature_at_entry;
      continue;
    }
    table.animal.push_back(static_cast<int>(a));
    if (animal.hatched && *animal.hatched <= stadia.as_of)
      add_age(animal, history, entry, table.age_days);
    else
      add(table.age_days, not_a_number, not_a_number, 0);
    add_instar(history, table.instar);
  }
  return table;
}

}  // namespace moltspan
