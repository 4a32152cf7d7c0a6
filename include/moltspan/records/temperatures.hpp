#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "moltspan/records/records.hpp"

/// @file
/// `temperatures.csv`: how warm it was, day by day, at the places where animals stand.
namespace moltspan {

inline constexpr int longest_gap_days = 14;  ///< between two days of a series over which it is a straight line

/// An entry of this row is no row of the journal but a stretch of a temperature series that its animal lived through.
inline constexpr std::int64_t series_row = -1;
/// The same after the last day that the records name: what the user states to come.
inline constexpr std::int64_t stated_row = -2;
inline bool of_series(const Entry& entry) { return entry.row == series_row || entry.row == stated_row; }

struct TemperatureDay {
  Day day = 0;
  double degrees_c = 0;
};

/// The days of one place, in order, one row a day (the mean of several).
struct TemperatureSeries {
  std::string place;  ///< as written first; blank = everywhere
  std::vector<TemperatureDay> days;
};

/// Reads `day`, `place` (may be missing or blank: everywhere), `degrees_c` (C, or with its unit: `75 F`). Capitals and
/// blanks of places do not matter. Rows that cannot be read are faults, are not used and set no animal aside; days
/// written twice and gaps over `longest_gap_days` are doubts.
std::vector<TemperatureSeries> read_temperature_series(const TextTable& table, const FolderRules& rules,
                                                       std::vector<Problem>& problems);

/// `temperatures.csv` of a folder; nothing where it is not there.
std::optional<TextTable> read_temperatures(const std::filesystem::path& folder);

/// make_collection with a table of temperatures. An animal belongs to the place in the column `place` of the animals.
/// On each of its days the last word have its own temperature rows in the journal (a row of one day speaks for at most
/// the `longest_gap_days` before it where a series is there too), then the series of its place, then that of
/// everywhere. Days after Collection::last_recorded_day are what the user states to come: they move no last day, no
/// look at an earlier day uses them, and forecasts from the last day run by them.
Collection make_collection(RawCollection raw, const TextTable& temperatures, std::optional<Day> today = {});

}  // namespace moltspan
