#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

/// Civil days and ranges of days.
///
/// A day `d` stands for some moment in `[d, d + 1)`; a range `[earliest, latest]` for some moment in
/// `[earliest, latest + 1)`. No clock and no time zone is ever read.
namespace moltspan {

/// Days since 1970-01-01 in the proleptic Gregorian calendar.
using Day = std::int32_t;

/// An inclusive range of days.
struct DayRange {
  Day earliest = 0;
  Day latest = 0;

  /// Days of time that the range covers: 1 for a single day.
  int width_days() const { return latest - earliest + 1; }
  bool operator==(const DayRange&) const = default;
};

/// Order of day and month in dates such as 03/04/2026, as a folder states it.
enum class DateOrder { unstated, day_first, month_first };

/// What became of a text that should be a date.
enum class DateState { ok, blank, unreadable, impossible, ambiguous };

struct DateReading {
  DateState state = DateState::blank;
  Day day = 0;  ///< only where `state` is ok
};

/// Reads a date as people write it: ISO 8601 (with or without a time of day, which is dropped), `D.M.YYYY`, and day, month,
/// year split by `/`, `-` or blanks. Two readings that differ, with no stated order, give `ambiguous`; never a guess.
DateReading read_date(std::string_view text, DateOrder order = DateOrder::unstated);

/// The day of a civil date, or nothing when there is no such date.
std::optional<Day> day_from_civil(int year, int month, int day);

/// `YYYY-MM-DD`.
std::string to_iso(Day day);

}  // namespace moltspan
