#include <algorithm>
#include <map>

#include "moltspan/records/temperatures.hpp"
#include "records/build.hpp"

namespace moltspan {
namespace {

constexpr std::size_t fewest_dates = 5;      ///< before a last one can stand alone
constexpr std::size_t most_rows_behind = 3;  ///< that may be slips of the year
constexpr int smallest_gap_days = 180, fresh_days = 30;
constexpr double times_other_gaps = 2;
constexpr int year_days = 365;

bool is_future_of(const Collection& collection, Day day) { return collection.today && day > *collection.today; }

/// Rows a day of animals that are answered, up to today.
std::map<Day, std::size_t> rows_by_day(const Collection& collection) {
  std::map<Day, std::size_t> rows;
  for (const Entry& entry : collection.entries)
    if (!of_series(entry) && !collection.animals[static_cast<std::size_t>(entry.animal)].set_aside &&
        !is_future_of(collection, entry.when.latest))
      ++rows[entry.when.latest];
  return rows;
}

/// The last days move into the rest of the records if a year or more is taken off.
bool is_slip_of_year(Day last, Day first, Day before) {
  for (Day day = last - year_days; day >= first - 1; day -= year_days)
    if (day <= before + fresh_days) return true;
  return false;
}

std::string in_words(int days) { return std::to_string(days) + " days"; }

}  // namespace

std::optional<Day> first_lone_day(const Collection& collection) {
  const auto rows = rows_by_day(collection);
  std::vector<Day> days;
  std::size_t total = 0;
  for (const auto& [day, count] : rows) {
    days.push_back(day);
    total += count;
  }
  if (days.size() <= fewest_dates) return {};
  if (collection.today && *collection.today - days.back() <= fresh_days) return {};
  std::size_t behind = 0;
  for (std::size_t i = days.size(); i-- > fewest_dates;) {
    behind += rows.at(days[i]);
    if (behind > std::clamp<std::size_t>(total / 20, 1, most_rows_behind)) return {};
    int widest = 0;
    for (std::size_t j = 1; j < i; ++j) widest = std::max(widest, days[j] - days[j - 1]);
    const int gap = days[i] - days[i - 1];
    if (gap > smallest_gap_days && gap > times_other_gaps * widest &&
        is_slip_of_year(days[i], days.front(), days[i - 1]))
      return days[i];
  }
  return {};
}

void check_last_dates(Collection& collection) {
  const auto lone = first_lone_day(collection);
  if (!lone) return;
  std::optional<Day> before;
  for (const auto& [day, count] : rows_by_day(collection))
    if (day < *lone) before = day;
  for (const Entry& entry : collection.entries) {
    if (entry.when.latest < *lone || is_future_of(collection, entry.when.latest)) continue;
    collection.problems.push_back(
        {Severity::doubt, collection.raw.journal.source, entry.row,
         collection.animals[static_cast<std::size_t>(entry.animal)].id, "date", to_iso(entry.when.latest),
         "no row alone far behind all others: it lies " + in_words(*lone - *before) + " after the last of them, " +
             to_iso(*before),
         "correct the year; until then the records end on " + to_iso(*before) +
             ", or state the last day watched if the date is right"});
  }
}

}  // namespace moltspan
