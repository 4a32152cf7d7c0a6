#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

/// @file
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
enum class DateState { ok, blank, unreadable, impossible, ambiguous, two_digit_year };

struct DateReading {
  DateState state = DateState::blank;
  Day day = 0;  ///< only where `state` is ok
};

/// Records dated outside these years are impossible: a slip of the keys, as in 0206 for 2026.
inline constexpr int first_year = 1700, last_year = 2299;

/// Reads a date as people write it: ISO 8601 (`2026-04-03`, `20260403`; a time of day behind it is dropped), year,
/// month, day split by `-` `/` `.`, day and month in either order before the year (`25/04/2026`), and English month
/// names
/// (`3 April 2026`, `Apr 3rd, 2026`, `3-Apr-2026`).
///
/// A stated order holds for every date whose year comes last. With none stated, dots mean day first (`3.4.2026`), and
/// two readings that differ give `ambiguous`; never a guess. Years of two digits give `two_digit_year`.
DateReading read_date(std::string_view text, DateOrder order = DateOrder::unstated);

/// The day of a civil date, or nothing when there is no such date.
std::optional<Day> day_from_civil(int year, int month, int day);

/// `YYYY-MM-DD`.
std::string to_iso(Day day);

}  // namespace moltspan
