#include <algorithm>
#include <cmath>
#include <limits>

#include "collection/clock.hpp"
#include "calibration/pits.hpp"
#include "intervals/posterior.hpp"
#include "calibration/recalibration.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

constexpr std::size_t part_records = 500;  ///< of a rough fit of the past
constexpr std::size_t fewest_closed = 24;  ///< stadia, from which it is worth it
constexpr std::size_t closed_by_then = 8;
constexpr double shares_closed[] = {0.6, 0.7, 0.8, 0.9};  ///< of the stadia, on the days forecast from
constexpr int rough_points = 24;

/// Days of the clock from the end of the start's range to the end of a day.
double length_until(const CollectionFit& fit, const CollectionClocks& clocks, std::size_t row, Day day) {
  const Day start = fit.table.stadia[row].start.latest;
  if (!fit.clock.runs()) return day - start;
  return clocks.of_row(static_cast<int>(row)).units(start + 1.0, day + 1.0);
}

/// Days on which so many of the stadia had closed.
std::vector<Day> past_days(const CollectionFit& fit, const std::vector<Index>& rows) {
  std::vector<Day> ends, days;
  for (Index row : rows)
    if (const auto& end = fit.table.stadia[row].end) ends.push_back(end->latest);
  std::sort(ends.begin(), ends.end());
  if (ends.size() < fewest_closed) return days;
  for (double share : shares_closed) {
    const Day day = ends[share * static_cast<double>(ends.size())];
    if (days.empty() || day > days.back()) days.push_back(day);
  }
  return days;
}

/// The records as they stood on a day: rows of the fit, and those of them that ran.
struct PastRecords {
  std::vector<Index> rows;
  std::vector<std::size_t> running;  ///< places in `rows`
  StadiaData data;
  std::size_t closed = 0;
};

PastRecords records_by(const CollectionFit& fit, const std::vector<Index>& part, Day day) {
  PastRecords past;
  const CollectionClocks clocks(fit);
  for (Index row : part) {
    const auto i = static_cast<std::size_t>(row);
    const Stadium& s = fit.table.stadia[i];
    const StadiumBounds& b = fit.data.bounds[i];
    if (s.start.latest >= day) continue;
    const bool closed = s.end && s.end->latest <= day;
    const double until = closed ? 0 : length_until(fit, clocks, i, day);
    if (!closed && !(until > b.entry_days)) continue;
    if (!closed && std::isnan(b.max_days) && b.min_days <= until && s.status != StadiumStatus::running) {
      past.rows.push_back(row);  // it had ended unseen by then
      continue;
    }
    if (!closed) past.running.push_back(past.rows.size());
    past.closed += closed;
    past.rows.push_back(row);
  }
  past.data = picked_rows(fit.data, past.rows);
  for (std::size_t place : past.running) {
    StadiumBounds& b = past.data.bounds[place];
    b.min_days = length_until(fit, clocks, static_cast<std::size_t>(past.rows[place]), day);
    b.max_days = std::numeric_limits<double>::quiet_NaN();
    b.end_range_days = 0;
    if (past.data.weights.size() > 0) past.data.weights[static_cast<Index>(place)] = 1;
    if (!past.data.hidden_log_weights.empty())
      past.data.hidden_log_weights[place] = {0, -std::numeric_limits<double>::infinity(),
                                             -std::numeric_limits<double>::infinity()};
  }
  return past;
}

/// The forecast of one record that ran on that day, and what came.
PastForecast forecast_of(const CollectionFit& fit, const PastRecords& past, const PredictorMixture& running,
                         Index column, std::size_t place, Day day) {
  const auto row = static_cast<std::size_t>(past.rows[place]);
  std::vector<PredictiveComponent> points = predictive_components(running, column);
  const double extra =
      fit.data.extra_variance.size() > 0 ? fit.data.extra_variance[static_cast<Index>(row)] : 0.0;
  const double range = past.data.bounds[place].start_range_days,
               watched = past.data.bounds[place].min_days + 0.5 * range;
  double total = 0;
  for (PredictiveComponent& point : points) {
    point.variance += extra;
    point.weight /= std::max(predictive_survival(fit.options.family, point, watched), 1e-300);
    total += point.weight;
  }
  for (PredictiveComponent& point : points) point.weight /= total;
  StadiumBounds bounds = fit.data.bounds[row];
  bounds.entry_days = std::max(bounds.entry_days, past.data.bounds[place].min_days);
  const LengthChances chances = chances_of_length(MixedLength(fit, points), bounds);
  PastForecast result;
  result.row = static_cast<int>(row);
  result.origin = day;
  result.from = std::max(chances.from, chances.entered);
  result.to = std::max(chances.to, result.from);
  result.entered = chances.entered;
  result.weight = weight_of_record(fit, row);
  return result;
}

void add_day(const CollectionFit& fit, const PastRecords& past, Day day, std::vector<PastForecast>& all) {
  StadiaOptions options = fit.stadia.options;
  options.points = rough_points;
  const auto& values = fit.stadia.estimate.values;
  options.start = values.tail(values.size() - fit.stadia.coefficients.size());
  const StadiaFit then = fit_stadia(past.data, options);
  const PredictorMixture running = running_predictors(then);
  std::vector<Index> column(past.rows.size(), -1);
  for (std::size_t i = 0; i < then.running_rows.size(); ++i)
    column[then.running_rows[i]] = static_cast<Index>(i);
  for (std::size_t place : past.running) {
    const auto row = static_cast<std::size_t>(past.rows[place]);
    const StadiumBounds& whole = fit.data.bounds[row];
    if (std::isnan(whole.max_days) && !(whole.min_days > past.data.bounds[place].min_days)) continue;
    const PastForecast one = forecast_of(fit, past, running, column[place], place, day);
    if (one.entered < 0.999 && one.weight > 0) all.push_back(one);
  }
}

}  // namespace

std::vector<PastForecast> past_forecasts(const CollectionFit& fit) {
  std::vector<PastForecast> all;
  if (fit.options.method != Method::bayes || !fit.stadia.posterior) return all;
  const std::vector<Index> part = rows_of_part(fit.data, part_records);
  std::vector<std::pair<Day, PastRecords>> days;
  std::size_t running = 0;
  for (Day day : past_days(fit, part)) {
    PastRecords past = records_by(fit, part, day);
    if (past.running.empty() || past.closed < closed_by_then) continue;
    running += past.running.size();
    days.emplace_back(day, std::move(past));
  }
  if (running < fewest_past_forecasts) return all;  // small collections pay nothing
  for (const auto& [day, past] : days) {
    try {
      add_day(fit, past, day, all);
    } catch (const std::runtime_error&) {  // lengths without a spread by then: nothing was to be forecast
    }
  }
  return all;
}

}  // namespace moltspan
