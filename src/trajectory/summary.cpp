#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "moltspan/trajectory/trajectory.hpp"

namespace moltspan {
namespace {

constexpr double infinite = std::numeric_limits<double>::infinity();
constexpr double course_share = 0.1;  ///< of courses that may end before a fan's last day
constexpr int fan_days = 41;

/// The smallest value that at least a share p does not exceed, between neighbors interpolated (Hyndman & Fan 1996, type
/// 7); infinite values count as later than all others.
double quantile_of(std::vector<double>& values, double p) {
  if (values.empty()) return unknown_number;
  const double at = p * static_cast<double>(values.size() - 1);
  const auto low = static_cast<std::ptrdiff_t>(at);
  std::nth_element(values.begin(), values.begin() + low, values.end());
  const double below = values[low], share = at - static_cast<double>(low);
  if (!(share > 0)) return below;
  const double above = *std::min_element(values.begin() + low + 1, values.end());
  return std::isinf(above) ? above : below + share * (above - below);
}

std::vector<double> of_molt(const double* values, int molt, const TrajectoryOptions& options) {
  std::vector<double> result;
  for (int d = 0; d < options.draws; ++d) {
    const double value = values[static_cast<std::ptrdiff_t>(d) * options.molts + molt];
    if (!std::isnan(value)) result.push_back(value);
  }
  return result;
}

void check_level(const char* what, double level) {
  if (!(level > 0 && level < 1))
    throw std::invalid_argument(std::string(what) + ": level = " + std::to_string(level) + " must lie between 0 and 1");
}

void check_index(const char* what, const Trajectories& all, std::size_t index) {
  if (index >= all.animals.size())
    throw std::invalid_argument(std::string(what) + ": index = " + std::to_string(index) + ", but there are " +
                                std::to_string(all.animals.size()) + " animals with draws, counted from 0");
}

void check_molt(const char* what, const Trajectories& all, std::size_t index, int molt) {
  check_index(what, all, index);
  if (molt < 0 || molt >= all.options.molts)
    throw std::invalid_argument(std::string(what) + ": molt = " + std::to_string(molt) + ", but " +
                                std::to_string(all.options.molts) + " were drawn, counted from 0");
}

}  // namespace

double FirstPassage::quantile_days(double p) const {
  check_level("first_passage", p);
  std::vector<double> copy = days;
  return quantile_of(copy, p);
}

double Trajectories::date_quantile(std::size_t index, int molt, double p) const {
  check_level("date_quantile", p);
  check_molt("date_quantile", *this, index, molt);
  std::vector<double> values = of_molt(dates_of(index), molt, options);
  return quantile_of(values, p);
}

double Trajectories::size_quantile(std::size_t index, int molt, double p) const {
  check_level("size_quantile", p);
  check_molt("size_quantile", *this, index, molt);
  std::vector<double> values = of_molt(sizes_of(index), molt, options);
  return quantile_of(values, p);
}

double Trajectories::chance_of_molt(std::size_t index, int molt) const {
  check_molt("chance_of_molt", *this, index, molt);
  return static_cast<double>(of_molt(dates_of(index), molt, options).size()) / options.draws;
}

TrajectoryFan Trajectories::fan(std::size_t index, const std::vector<double>& levels, std::vector<double> days) const {
  check_index("fan", *this, index);
  for (double level : levels) check_level("fan", level);
  for (double day : days)
    if (!std::isfinite(day)) throw std::invalid_argument("fan: days = " + std::to_string(day) + " must be finite");
  const double *dates = dates_of(index), *sizes = sizes_of(index);
  const auto draws = static_cast<std::size_t>(options.draws), molts = static_cast<std::size_t>(options.molts);
  std::vector<double> ends(draws);  // a course that stopped goes on as it is
  for (std::size_t d = 0; d < draws; ++d) {
    const double last = dates[d * molts + molts - 1];
    ends[d] = std::isnan(last) ? infinite : last;
  }
  if (days.empty()) {
    std::vector<double> copy = ends;
    double last = quantile_of(copy, course_share);
    if (std::isinf(last)) {  // most courses stop: up to the last molt of all
      last = 0;
      for (std::size_t i = 0; i < draws * molts; ++i)
        if (dates[i] > last) last = dates[i];
    }
    for (int i = 0; i < fan_days; ++i) days.push_back(last * i / (fan_days - 1));
  }
  TrajectoryFan result{std::move(days), levels, {}, {}};
  std::vector<double> now(draws);
  for (double day : result.days) {
    std::size_t known = 0;
    for (std::size_t d = 0; d < draws; ++d) {
      std::size_t k = 0;
      while (k < molts && dates[d * molts + k] <= day) ++k;
      now[d] = k == 0 ? start_leg_span_mm[index * draws + d] : sizes[d * molts + k - 1];
      known += ends[d] >= day;
    }
    for (double level : levels) result.leg_span_mm.push_back(quantile_of(now, level));
    result.complete.push_back(static_cast<double>(known) / static_cast<double>(draws));
  }
  return result;
}

FirstPassage Trajectories::first_passage(std::size_t index, double size_mm) const {
  check_index("first_passage", *this, index);
  if (!(size_mm > 0) || std::isinf(size_mm))
    throw std::invalid_argument("first_passage: leg_span_mm = " + std::to_string(size_mm) +
                                " must be a size above 0 mm");
  const double *dates = dates_of(index), *sizes = sizes_of(index);
  const auto draws = static_cast<std::size_t>(options.draws), molts = static_cast<std::size_t>(options.molts);
  FirstPassage result;
  result.leg_span_mm = size_mm;
  std::size_t already = 0, reached = 0, never = 0;
  for (std::size_t d = 0; d < draws; ++d) {
    double day = start_leg_span_mm[index * draws + d] >= size_mm ? 0 : infinite;
    already += day == 0;
    for (std::size_t k = 0; k < molts && std::isinf(day); ++k)
      if (sizes[d * molts + k] >= size_mm) day = dates[d * molts + k];
    reached += std::isfinite(day);
    never += std::isinf(day) && end_leg_span_mm[index * draws + d] < size_mm;
    result.days.push_back(day);
  }
  result.chance_already = static_cast<double>(already) / static_cast<double>(draws);
  result.chance = static_cast<double>(reached) / static_cast<double>(draws);
  result.chance_never = static_cast<double>(never) / static_cast<double>(draws);
  return result;
}

}  // namespace moltspan
