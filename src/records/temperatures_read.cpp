#include <algorithm>
#include <map>

#include "base/files.hpp"
#include "moltspan/records/temperatures.hpp"
#include "records/table.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

/// What is written for one day of a place.
struct Written {
  double sum_c = 0;
  int rows = 0;
};

struct Place {
  std::string name;
  std::map<Day, Written> days;
  int doubled = 0;
  std::size_t first_doubled = 0;
};

class TemperatureReader {
 public:
  TemperatureReader(const TableView& table, const FolderRules& rules, std::vector<Problem>& problems)
      : table_(table), rules_(rules), problems_(problems) {}
  void row(std::size_t row);
  std::vector<TemperatureSeries> series();

 private:
  std::optional<double> degrees(RowReport& report);
  void doubt_doubled(const Place& place);
  void doubt_gaps(const TemperatureSeries& series);
  std::string_view cell(std::string_view column, std::size_t row) const { return table_.cell(table_.column(column), row); }

  const TableView& table_;
  const FolderRules& rules_;
  std::vector<Problem>& problems_;
  std::map<std::string, Place> places_;
};

std::string at_place(const std::string& place) { return place.empty() ? "everywhere" : "at '" + place + "'"; }

std::optional<double> TemperatureReader::degrees(RowReport& report) {
  const std::string_view text = cell("degrees_c", report.row);
  if (text.empty()) {
    report.doubt("degrees_c", "", "degrees in every row; this row is not used", "fill it in, or remove the row");
    return {};
  }
  const SizeReadingText reading = read_quantity(text, "", Quantity::temperature, "C");
  if (reading.state != SizeState::ok) {
    report_size_fault(report, "degrees_c", text, "", reading.state, Quantity::temperature);
    return {};
  }
  if (reading.value >= coldest_c && reading.value <= warmest_c) return reading.value;
  report.fault("degrees_c", text, "a temperature from " + number_text(coldest_c) + " to " + number_text(warmest_c) + " C",
               reading.value > warmest_c ? "if it is in Fahrenheit, write the unit with it, such as 75 F; else look it up again"
                                         : "look the value up again, or remove the row");
  return {};
}

void TemperatureReader::row(std::size_t row) {
  if (table_.blank(row) || table_.broken(row)) return;
  RowReport report{table_, row, "", problems_};
  const std::string_view text = cell("day", row);
  const auto day = read_day(report, "day", text, rules_.date_order);
  if (text.empty()) report.fault("day", "", "a day in every row", "fill it in as YYYY-MM-DD, or remove the row");
  const auto degrees_c = degrees(report);
  if (!day || !degrees_c) return;
  const std::string name(cell("place", row));
  Place& place = places_.try_emplace(fold(name), Place{name, {}, 0, 0}).first->second;
  Written& written = place.days[*day];
  written.sum_c += *degrees_c;
  if (++written.rows > 1 && place.doubled++ == 0) place.first_doubled = row;
}

void TemperatureReader::doubt_doubled(const Place& place) {
  RowReport report{table_, place.first_doubled, "", problems_};
  report.doubt("day", cell("day", place.first_doubled),
               "one row a day; " + at_place(place.name) + " " + std::to_string(place.doubled) +
                   (place.doubled == 1 ? " row repeats" : " rows repeat") + " a day, and the mean of the day counts",
               "remove the row that is wrong, or leave them if the thermometer was read several times a day");
}

void TemperatureReader::doubt_gaps(const TemperatureSeries& series) {
  int gaps = 0, longest = 0;
  Day longest_from = 0, longest_to = 0;
  for (std::size_t i = 1; i < series.days.size(); ++i) {
    const int gap = series.days[i].day - series.days[i - 1].day;
    if (gap <= longest_gap_days) continue;
    ++gaps;
    if (gap <= longest) continue;
    longest = gap;
    longest_from = series.days[i - 1].day;
    longest_to = series.days[i].day;
  }
  if (gaps == 0) return;
  problems_.push_back({Severity::doubt, table_.file(), 0, "", table_.heading("day"), to_iso(longest_from) + ".." + to_iso(longest_to),
                       "no gap over " + std::to_string(longest_gap_days) + " days; " + at_place(series.place) + " there " +
                           (gaps == 1 ? "is one" : "are " + std::to_string(gaps) + ", the longest") + " of " + std::to_string(longest) +
                           " days, in which the last degrees known stay, with the course of the year where there is one",
                       "fill the days in if they were measured"});
}

std::vector<TemperatureSeries> TemperatureReader::series() {
  std::vector<TemperatureSeries> result;
  for (const auto& [folded, place] : places_) {
    TemperatureSeries& series = result.emplace_back(TemperatureSeries{place.name, {}});
    for (const auto& [day, written] : place.days) series.days.push_back({day, written.sum_c / written.rows});
    if (place.doubled > 0) doubt_doubled(place);
    doubt_gaps(series);
  }
  return result;
}

}  // namespace

std::vector<TemperatureSeries> read_temperature_series(const TextTable& table, const FolderRules& rules,
                                                       std::vector<Problem>& problems) {
  const TableView view(table, rules, {"day", "place", "degrees_c", "note"}, {"day", "degrees_c"}, problems);
  if (!view.usable()) return {};
  TemperatureReader reader(view, rules, problems);
  for (std::size_t row = 0; row < view.size(); ++row) reader.row(row);
  return reader.series();
}

std::optional<TextTable> read_temperatures(const std::filesystem::path& folder) {
  const auto path = folder / "temperatures.csv";
  if (!std::filesystem::exists(std::filesystem::symlink_status(path))) return {};
  return read_csv(read_whole_file(path), path.filename().string());
}

}  // namespace moltspan
