#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <numeric>
#include <stdexcept>

#include "nonparametric/support.hpp"

namespace moltspan {
namespace {

constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();

void add(BoundedTimes& times, double low, double high, double entry, double weight = 1) {
  times.min_days.push_back(low);
  times.max_days.push_back(high);
  times.entry_days.push_back(entry);
  times.weight.push_back(weight);
}

constexpr int closed = static_cast<int>(StadiumStatus::closed), died = static_cast<int>(StadiumStatus::died);

/// Length of a closed row, the middle of its bounds.
double length_of(const BoundedTimes& times, int row) {
  return 0.5 * (nonparametric::min_of(times, row) + nonparametric::max_of(times, row));
}

double median_length(const BoundedTimes& times, std::span<const int> status) {
  std::vector<double> lengths;
  for (std::size_t i = 0; i < status.size(); ++i)
    if (status[i] == closed && std::isfinite(nonparametric::max_of(times, i)))
      lengths.push_back(length_of(times, static_cast<int>(i)));
  return lengths.empty() ? 0 : nonparametric::percentile(std::move(lengths), 0.5);
}

/// Half of the smallest length above 0: what puts a death on the day of its molt before all other ends.
double least_step(const BoundedTimes& times) {
  double least = std::numeric_limits<double>::infinity();
  for (std::size_t i = 0; i < times.size(); ++i)
    for (const double days : {times.min_days[i], times.max_days[i]})
      if (days > 0) least = std::min(least, days);
  return std::isfinite(least) ? 0.5 * least : 0.5;
}

std::map<int, std::vector<int>> rows_by_animal(std::span<const int> animal, std::span<const double> start) {
  std::map<int, std::vector<int>> rows;
  for (std::size_t i = 0; i < animal.size(); ++i) rows[animal[i]].push_back(static_cast<int>(i));
  for (auto& [code, own] : rows)
    std::stable_sort(own.begin(), own.end(), [&](int x, int y) { return start[x] < start[y]; });
  return rows;
}

/// The end of each row, deaths at molting moved to the row before; counts those whose row before is missing.
std::vector<StadiumEnd> ends_of(const BoundedTimes& times, const std::map<int, std::vector<int>>& rows,
                                std::span<const int> status, double share, int& without_stadium) {
  std::vector<StadiumEnd> ends(times.size(), StadiumEnd::censored);
  const double usual = share * median_length(times, status);
  for (const auto& [code, own] : rows) {
    int before = -1;
    for (const int row : own) {
      const double lived = std::isnan(times.min_days[row]) ? 0 : times.min_days[row];
      const bool follows = before >= 0 && status[before] == closed;
      if (status[row] == closed) ends[row] = StadiumEnd::molted;
      if (status[row] == died && follows && lived <= share * length_of(times, before))
        ends[before] = StadiumEnd::died_molting;
      else if (status[row] == died)
        ends[row] = StadiumEnd::died, without_stadium += !follows && lived <= usual;
      before = row;
    }
  }
  return ends;
}

void check_ends(const BoundedTimes& times, std::size_t animals, std::size_t starts, std::size_t statuses,
                double share) {
  if (animals != times.size() || starts != times.size() || statuses != times.size())
    throw std::invalid_argument("stadium_ends: animal, start and status: one a row of the table is needed");
  if (!(share >= 0 && share < 1))
    throw std::invalid_argument("molting_share = " + std::to_string(share) +
                                ": a share of a stadium lies from 0 to under 1, such as 0.02");
}

}  // namespace

StadiumEnds stadium_ends(const BoundedTimes& times, std::span<const int> animal, std::span<const double> start,
                         std::span<const int> status, double molting_share) {
  check_ends(times, animal.size(), start.size(), status.size(), molting_share);
  nonparametric::check_rows("stadium_ends", times);
  StadiumEnds ends;
  const auto found = ends_of(times, rows_by_animal(animal, start), status, molting_share, ends.without_stadium);
  const double step = least_step(times);
  for (int row = 0; row < static_cast<int>(found.size()); ++row) {
    if (status[row] < 0) continue;
    const double entry = nonparametric::entry_of(times, row), low = nonparametric::min_of(times, row);
    const bool dies = found[row] == StadiumEnd::died;
    const double at = low > entry ? low : entry + step;
    ends.row.push_back(row);
    ends.end.push_back(static_cast<int>(found[row]));
    add(ends.times, dies ? at : times.min_days[row], dies ? at : times.max_days[row], entry,
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
