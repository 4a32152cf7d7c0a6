#include "moltspan/group/group.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "group/stats.hpp"

namespace moltspan {
namespace {

using Eigen::VectorXd;
using group::require;

constexpr double infinity = std::numeric_limits<double>::infinity();

void require_size(const char* function, const char* argument, std::size_t row, double size) {
  require(size > 0 && std::isfinite(size), function, argument, static_cast<std::ptrdiff_t>(row), size,
          "a size is positive; leave blanks out");
}

VectorXd log_ratios(const char* function, std::span<const double> before, std::span<const double> after) {
  group::require_as_many(function, "after", after.size(), before.size());
  VectorXd logs(static_cast<Eigen::Index>(before.size()));
  for (std::size_t i = 0; i < before.size(); ++i) {
    require_size(function, "before", i, before[i]);
    require_size(function, "after", i, after[i]);
    logs[static_cast<Eigen::Index>(i)] = std::log(after[i] / before[i]);
  }
  return logs;
}

RatioSummary ratio_of_logs(const VectorXd& logs, double level) {
  return {static_cast<int>(logs.size()), group::exp_of(group::mean_interval(logs, level)), group::sample_sd(logs)};
}

/// Geometric mean of one animal's readings in one instar, as a log.
struct AnimalLog {
  double sum = 0;
  int n = 0;
  double mean() const { return sum / n; }
};

/// Stratum and instar, unknown instars last.
using Cell = std::pair<int, double>;
/// Animal and, where the instar is not known, its step (else 0).
using Place = std::pair<int, int>;
using CellLogs = std::map<Cell, std::map<Place, AnimalLog>>;

CellLogs by_cell(std::span<const GroupReading> readings) {
  CellLogs cells;
  int alone = -1;  // readings without an animal are animals of their own
  for (std::size_t i = 0; i < readings.size(); ++i) {
    const GroupReading& reading = readings[i];
    require_size("instar_table", "size", i, reading.size);
    const bool known = !std::isnan(reading.instar);
    const Place place{reading.animal >= 0 ? reading.animal : alone--, known ? 0 : reading.step};
    AnimalLog& log = cells[{reading.stratum, known ? reading.instar : infinity}][place];
    log.sum += std::log(reading.size);
    ++log.n;
  }
  return cells;
}

SizeSummary size_of_cell(const std::map<Place, AnimalLog>& places, double level, bool known) {
  std::vector<double> sizes;
  std::set<int> animals;
  for (const auto& [place, log] : places) sizes.push_back(std::exp(log.mean())), animals.insert(place.first);
  if (known) return summarize_sizes(sizes, level);
  SizeSummary summary;
  summary.n = static_cast<int>(animals.size());
  return summary;
}

/// Log ratios to the next place of the same animal, one an animal.
std::vector<double> ratios_of_animals(const std::map<Place, AnimalLog>& now, const std::map<Place, AnimalLog>& next,
                                      int steps) {
  std::map<int, AnimalLog> ratios;
  for (const auto& [place, log] : now)
    if (const auto after = next.find({place.first, place.second + steps}); place.first >= 0 && after != next.end()) {
      AnimalLog& ratio = ratios[place.first];
      ratio.sum += after->second.mean() - log.mean();
      ++ratio.n;
    }
  std::vector<double> logs;
  for (const auto& [animal, ratio] : ratios) logs.push_back(ratio.mean());
  return logs;
}

RatioSummary ratio_to_next(const CellLogs& cells, const Cell& cell, double level) {
  const bool known = std::isfinite(cell.second);
  const auto next = known ? cells.find({cell.first, cell.second + 1}) : cells.find(cell);
  std::vector<double> logs;
  if (next != cells.end()) logs = ratios_of_animals(cells.at(cell), next->second, known ? 0 : 1);
  return ratio_of_logs(VectorXd::Map(logs.data(), static_cast<Eigen::Index>(logs.size())), level);
}

}  // namespace

SizeSummary summarize_sizes(std::span<const double> sizes, double level) {
  group::require_level("summarize_sizes", level);
  SizeSummary summary;
  summary.n = static_cast<int>(sizes.size());
  if (sizes.empty()) return summary;
  for (std::size_t i = 0; i < sizes.size(); ++i) require_size("summarize_sizes", "sizes", i, sizes[i]);
  const VectorXd values = VectorXd::Map(sizes.data(), summary.n);
  summary.mean = values.mean();
  summary.sd = group::sample_sd(values);
  summary.geometric_mean = group::exp_of(group::mean_interval(values.array().log().matrix(), level));
  return summary;
}

RatioSummary growth_ratio(std::span<const double> before, std::span<const double> after, double level) {
  group::require_level("growth_ratio", level);
  return ratio_of_logs(log_ratios("growth_ratio", before, after), level);
}

GrowthRate specific_growth_rate(std::span<const double> before, std::span<const double> after,
                                std::span<const double> days, double level) {
  constexpr const char* name = "specific_growth_rate";
  group::require_level(name, level);
  group::require_as_many(name, "days", days.size(), before.size());
  GrowthRate rate{log_ratios(name, before, after), {}};
  for (std::size_t i = 0; i < days.size(); ++i) {
    require(days[i] > 0 && std::isfinite(days[i]), name, "days", static_cast<std::ptrdiff_t>(i), days[i],
            "a time is positive");
    rate.per_day[static_cast<Eigen::Index>(i)] /= days[i];
  }
  rate.mean = group::mean_interval(rate.per_day, level);
  return rate;
}

std::vector<InstarRow> instar_table(std::span<const GroupReading> readings, double level) {
  group::require_level("instar_table", level);
  const CellLogs cells = by_cell(readings);
  std::vector<InstarRow> rows;
  for (const auto& [cell, animals] : cells) {
    InstarRow row;
    row.stratum = cell.first;
    row.instar = std::isinf(cell.second) ? unknown_value : cell.second;
    for (const auto& [animal, log] : animals) row.n_readings += log.n;
    row.size = size_of_cell(animals, level, std::isfinite(cell.second));
    row.ratio = ratio_to_next(cells, cell, level);
    rows.push_back(row);
  }
  return rows;
}

namespace {

/// Instar before the first recorded molt, counted back from the first stated one; NaN where none is stated.
double instar_at_zero(const AnimalHistory& history) {
  for (std::size_t k = 0; k < history.molts.size(); ++k)
    if (history.molts[k].instar >= 0) return history.molts[k].instar - static_cast<double>(k + 1);
  return unknown_value;
}

/// Instar after `molts` recorded molts, from the nearest stated one at or before it, else counted back.
double instar_after(const AnimalHistory& history, int molts) {
  for (int k = molts; k > 0; --k)
    if (const int stated = history.molts[static_cast<std::size_t>(k - 1)].instar; stated >= 0)
      return stated + static_cast<double>(molts - k);
  return instar_at_zero(history) + molts;
}

}  // namespace

std::vector<AnimalReading> animal_readings(const StadiaTable& table) {
  std::vector<AnimalReading> readings;
  for (std::size_t i = 0; i < table.animals.size(); ++i) {
    const AnimalHistory& history = table.animals[i];
    for (const SizeReading& size : history.sizes)
      readings.push_back({static_cast<int>(i), size.measure, size.molts_before,
                          instar_after(history, size.molts_before), size.value, size.on_skin, size.day});
  }
  return readings;
}

std::vector<double> stadium_instars(const StadiaTable& table) {
  std::vector<double> instars;
  for (const Stadium& s : table.stadia)
    instars.push_back(instar_after(table.animals[static_cast<std::size_t>(s.animal)], s.molt + 1));
  return instars;
}

std::vector<std::string> stadium_setups(const Collection& collection, const StadiaTable& table) {
  std::vector<std::vector<std::pair<Day, std::string>>> labels(table.animals.size());
  for (const Entry& entry : collection.entries)
    if (entry.event == Event::setup && entry.animal >= 0 && entry.when.latest <= table.as_of)
      labels[static_cast<std::size_t>(entry.animal)].emplace_back(entry.when.earliest, entry.text);
  for (auto& own : labels) std::stable_sort(own.begin(), own.end(), [](auto& l, auto& r) { return l.first < r.first; });
  std::vector<std::string> setups;
  for (const Stadium& s : table.stadia) {
    std::string at_start;
    bool changed = false;
    const Day end = s.end ? s.end->latest : table.as_of;
    for (const auto& [day, label] : labels[static_cast<std::size_t>(s.animal)])
      if (day <= s.start.earliest)
        at_start = label;
      else if (day < end)
        changed = changed || label != at_start;
    setups.push_back(changed ? "" : at_start);
  }
  return setups;
}

}  // namespace moltspan
