#include "collection/clock_stadium.hpp"

#include <algorithm>

#include "moltspan/records/temperatures.hpp"

namespace moltspan {
namespace {

constexpr int longest_stated_days = 3 * 366;  ///< to come; later days are not looked at
constexpr double usual_sd = 0.25;             ///< of log T, against which a range of days is wide or narrow

}  // namespace

std::vector<std::vector<TemperatureSpan>> stated_to_come(const CollectionFit& fit) {
  std::vector<std::vector<TemperatureSpan>> result;
  const Day as_of = fit.table.as_of;
  for (const Entry& e : fit.collection->entries) {
    if (e.row != stated_row || e.when.earliest <= as_of || e.when.earliest > as_of + longest_stated_days) continue;
    if (result.empty() && as_of < fit.collection->last_recorded_day()) return {};
    result.resize(fit.animals.size());
    result[e.animal].push_back({e.when.earliest, e.when.latest + 1, e.value});
  }
  return result;
}

std::pair<double, double> moments_of_stadium(const Stadium& s) {
  const double from = 0.5 * (s.start.earliest + s.start.latest + 1);
  const double until = s.end ? 0.5 * (s.end->earliest + s.end->latest + 1) : s.start.latest + 1.0 + s.min_days;
  return {from, std::max(from, until)};
}

double told_of_end(const Stadium& s) {
  if (!s.end) return 0;
  if (s.min_days == s.max_days) return 1;
  const double spread = usual_sd * 0.5 * (s.min_days + s.max_days),
               width = std::hypot(s.start.width_days(), s.end->width_days());
  return 1 / (1 + width * width / (12 * std::max(spread * spread, 1e-6)));
}

}  // namespace moltspan
