#include "collection/clock.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "collection/clock_stadium.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

constexpr double usual_ahead_days = 90;       ///< of stated temperatures, from which nothing of them is unsure

/// Rate of each day of [first, until).
std::vector<double> rates_of(const ClockFit& clock, double log_mean, Day first, Day until, const std::vector<double>& c) {
  std::vector<double> rates;
  rates.reserve(static_cast<std::size_t>(until - first));
  for (Day day = first; day < until; ++day) {
    double log_rate = clock.season.log_rate.at(day + 0.5) - log_mean;
    if (!c.empty()) log_rate -= clock.warmth * (c[day - first] - reference_c);
    rates.push_back(std::exp(log_rate));
  }
  return rates;
}

/// Known bounds of the length of a stadium on its clock; see build_stadia for those of the calendar.
StadiumBounds on_clock(const Stadium& s, const StadiumClock& clock) {
  const double range_end = s.start.latest + 1.0;
  StadiumBounds b{0, unknown_number, s.start_range_days, s.entry_days, s.end ? s.end->width_days() : 0.0};
  if (s.end && s.min_days == s.max_days) {
    b.min_days = b.max_days = clock.units(s.start.earliest + 0.5, s.end->earliest + 0.5);
    b.entry_days = s.entry_days > 0 ? clock.units(s.start.earliest + 0.5, s.start.earliest + 0.5 + s.entry_days) : 0;
    return b;
  }
  if (s.start.width_days() > 1) b.start_range_days = clock.units(s.start.earliest, range_end);
  b.min_days = clock.units(range_end, range_end + s.min_days);
  b.entry_days = clock.units(range_end, range_end + s.entry_days);
  if (!s.end) return b;
  b.end_range_days = clock.units(s.end->earliest, s.end->latest + 1.0);
  b.max_days = clock.units(s.start.earliest, s.end->latest + 1.0);
  if (s.end->earliest >= s.start.latest + 1) b.max_days = b.start_range_days + b.min_days + b.end_range_days;
  return b;
}

}  // namespace

CollectionClocks::CollectionClocks(const CollectionFit& fit) : fit_(fit), first_(fit.table.as_of - 1) {
  if (!fit.clock.runs()) return;
  for (const AnimalHistory& history : fit.table.animals) {
    if (history.recorded) first_ = std::min(first_, history.watched_from);
    if (!history.molts.empty()) first_ = std::min(first_, history.molts.front().when.earliest);
  }
  first_ -= 1;
  if (fit.clock.warmth != 0) stated_ = stated_to_come(fit);
  if (fit.clock.season.log_rate.flat()) return;
  log_mean_season_ = std::log(std::cyl_bessel_i(0, fit.clock.season.log_rate.amplitude()));
  const Day until = fit.table.as_of + clock_period_days + 1;
  season_ = std::make_shared<ClockTable>(first_, rates_of(fit.clock, log_mean_season_, first_, until, {}));
}

std::shared_ptr<const ClockTable> CollectionClocks::table(int animal, std::vector<double>* temperatures) const {
  if (temperatures) temperatures->clear();
  if (!fit_.clock.runs() || fit_.clock.warmth == 0) return season_;
  const AnimalHistory& history = fit_.animal(animal).history();
  const double stated = fit_.animal(animal).record().temperature_c;
  const auto spans = spans_of(animal);
  const bool none = spans.empty();
  const TemperatureCourse course(spans, none && std::isfinite(stated) ? YearlyCourse{} : fit_.clock.temperature_c,
                                 fit_.clock.temperature_sd,
                                 std::isfinite(history.temperature_c) ? history.temperature_c : reference_c);
  if (course.constant()) return season_;
  const Day until = std::max(fit_.table.as_of + 1, course.until()) + clock_period_days + 1;
  const auto by_day = course.by_day(first_, until);
  if (temperatures) *temperatures = by_day;
  return std::make_shared<ClockTable>(first_, rates_of(fit_.clock, log_mean_season_, first_, until, by_day));
}

std::vector<TemperatureSpan> CollectionClocks::spans_of(int animal) const {
  auto spans = fit_.animal(animal).history().temperatures;
  if (stated_.empty()) return spans;
  const auto& to_come = stated_[animal];
  spans.insert(spans.end(), to_come.begin(), to_come.end());
  return spans;
}

bool CollectionClocks::warm(int animal) const {
  const auto& spans = fit_.animal(animal).history().temperatures;
  return fit_.clock.warmth != 0 && !spans.empty();
}

StadiumClock CollectionClocks::of(int animal, double mean_c) const {
  auto own = table(animal);
  const double scale = own && own != season_ ? std::exp(fit_.clock.warmth * (mean_c - reference_c)) : 1;
  return {std::move(own), scale};
}

StadiumClock CollectionClocks::of_row(int row) const {
  if (!fit_.clock.runs()) return {};
  const Index column = fit_.data.column(CoefficientRole::warmth_c);
  return of(fit_.table.stadia[row].animal,
            reference_c + (column < 0 ? 0 : fit_.data.covariates(row, column)));
}

ClockAhead CollectionClocks::ahead(int animal) const {
  if (!fit_.clock.runs()) return {};
  const AnimalInputs& inputs = fit_.animal(animal).inputs();
  const Index column = fit_.data.column(CoefficientRole::warmth_c);
  double warmth_c = 0;
  if (column >= 0 && inputs.running_row >= 0) warmth_c = fit_.data.covariates(inputs.running_row, column);
  if (column >= 0 && inputs.running_row < 0 && inputs.probe >= 0)
    warmth_c = fit_.data.probe_covariates(inputs.probe, column);
  return {of(animal, reference_c + warmth_c), fit_.table.as_of};
}

double CollectionClocks::variance_ahead(int animal) const {
  const double sd = warm(animal) ? fit_.clock.warmth * fit_.clock.temperature_sd : 0;
  int stated_days = 0;
  if (!stated_.empty())
    for (const TemperatureSpan& s : stated_[animal]) stated_days += s.until - s.from;
  return sd * sd * std::max(0.0, 1 - stated_days / usual_ahead_days);
}

void run_by_clock(CollectionFit& fit) {
  ClockFit& clock = fit.clock;
  clock.warmth_slope = 0;
  if (!clock.runs()) return;
  const CollectionClocks clocks(fit);
  const Index column = fit.data.column(CoefficientRole::warmth_c);
  std::shared_ptr<const ClockTable> table;
  std::vector<double> by_day;
  const auto mean_c = [&](double from, double until) {
    return mean_by_clock(table.get(), from, until,
                         [&](Day day) { return by_day[std::max(day - table->first(), 0)]; });
  };
  int animal = -1;
  for (std::size_t row = 0; row < fit.table.stadia.size(); ++row) {
    const Stadium& s = fit.table.stadia[row];
    if (s.animal != animal) table = clocks.table(animal = s.animal, &by_day);
    if (!table) continue;
    double scale = 1;
    if (!by_day.empty() && column >= 0) {
      const auto [from, until] = moments_of_stadium(s);
      const double mean = mean_c(from, until);
      const auto end_day = static_cast<std::size_t>(std::max(static_cast<Day>(std::floor(until)) - table->first(), 0));
      fit.data.covariates(static_cast<Index>(row), column) = mean - reference_c;
      scale = std::exp(clock.warmth * (mean - reference_c));
      clock.warmth_slope -= told_of_end(s) * (by_day[end_day] - mean);
    }
    fit.data.bounds[row] = on_clock(s, StadiumClock(table, scale));
  }
  for (std::size_t i = 0; i < fit.animals.size() && column >= 0; ++i) {
    if (fit.animals[i].probe < 0) continue;
    table = clocks.table(static_cast<int>(i), &by_day);
    if (!table || by_day.empty()) continue;
    const AnimalHistory& history = fit.table.animals[i];
    fit.data.probe_covariates(fit.animals[i].probe, column) =
        mean_c(history.watched_from, history.last_watched + 1.0) - reference_c;
  }
}

}  // namespace moltspan
