#include <algorithm>
#include <cmath>

#include "housing_parts.hpp"
#include "husbandry.hpp"
#include "intervals_law.hpp"
#include "records_words.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

/// Levels whose band edges, with the standard quantiles, draw the distribution of the next molt; .6 gives the chance of
/// .2 itself.
const std::vector<double> curve_levels = {0.2, 0.4, 0.6, 0.7, 0.98, 0.99};

/// Mean and sd of log T for the stadium of a column of predictors, the mixture taken as one log-normal.
void set_next_stadium(const CollectionFit& fit, const PredictorMixture& mixture, Index column, HousingSituation& s,
                      const HousingRules& rules) {
  const LawMoments w = moments_of(fit.options.family);
  double mean = 0, square = 0, within = 0;
  for (Index p = 0; p < mixture.weights.size(); ++p) {
    const double sigma = std::exp(mixture.log_sigma[p]), m = mixture.mean(p, column) + w.mean * sigma;
    mean += mixture.weights[p] * m;
    square += mixture.weights[p] * m * m;
    within += mixture.weights[p] * (mixture.variance(p, column) + w.variance * sigma * sigma);
  }
  s.next_stadium_log_sd = std::sqrt(within + std::max(0.0, square - mean * mean));
  s.next_stadium_log_mean = mean;
  const auto& names = fit.stadia.coefficient_names;
  const auto size = std::find(names.begin(), names.end(), "log_size");
  if (size == names.end()) return;
  const double growth = size_after_molts(s, rules, 1).log_mm - size_after_molts(s, rules, 0).log_mm;
  s.next_stadium_log_mean += growth * fit.stadia.coefficients[size - names.begin()];
}

/// Distribution of the next molt from what every forecast carries.
MoltChances chances_of(const AnimalForecast& forecast, double first_day) {
  std::vector<std::pair<double, double>> points;
  for (std::size_t i = 0; i < forecast.quantile_days.size(); ++i)
    points.emplace_back(standard_quantiles[i], forecast.quantile_days[i]);
  for (const ForecastBand& band : forecast.bands) {
    points.emplace_back(0.5 * (1 - band.level), band.from_days);
    points.emplace_back(0.5 * (1 + band.level), band.to_days);
  }
  std::sort(points.begin(), points.end());
  MoltChances result;
  if (points.empty()) return result;
  result = {{std::min(first_day, points.front().second - 1e-6)}, {0}};
  for (const auto& [chance, day] : points)
    if (day > result.days.back() && chance > result.chances.back()) {
      result.days.push_back(day);
      result.chances.push_back(chance);
    }
  const double last = result.days.back();
  result.days.push_back(last + std::max(1.0, 0.2 * (last - first_day)));
  result.chances.push_back(1);
  return result;
}

/// The leg span as read in this instar (the largest of several: readings are low more often than high); else as its
/// sizes say.
void set_size(const AnimalInputs& inputs, const AnimalHistory& history, HousingSituation& s) {
  const InstarSize& size = inputs.sizes.back();
  const double likely = 20 * std::exp(size.mean + husbandry().leg_span_bias);  // as it would be read
  s.days_leg_span_mm = likely;
  if (inputs.never_measured) return;
  double read = 0;
  for (const SizeReading& reading : history.sizes)
    if (reading.measure == SizeMeasure::leg_span && !reading.on_skin &&
        reading.molts_before == static_cast<int>(history.molts.size()))
      read = std::max(read, reading.value);
  s.leg_span_mm = s.days_leg_span_mm = read > 0 ? read : likely;
  s.size_log_sd = std::sqrt(size.variance);
  s.measured_now = size.measured;
}

/// Reads the journal rows of one animal that count by `as_of`, in order.
class JournalReading {
 public:
  JournalReading(const AnimalHistory& history, HousingSituation& s) : s_(s) {
    if (!history.molts.empty()) since_ = history.molts.back().when.latest;
  }
  void row(const Entry& entry);

 private:
  bool since_molt(const Entry& entry) const { return !since_ || entry.when.latest > *since_; }
  HousingSituation& s_;
  std::optional<Day> since_;
};

void JournalReading::row(const Entry& entry) {
  const Day day = entry.when.latest;
  switch (entry.event) {
    case Event::enclosure:
      s_.enclosure = *entry.enclosure;
      s_.unfit.clear();
      break;
    case Event::unfit:
      s_.unfit = entry.text;
      s_.unfit_day = day;
      break;
    case Event::habit:
      s_.habit = find_habit(entry.text).value_or(s_.habit);
      break;
    case Event::ate:
      if (since_molt(entry)) s_.last_meal = std::max(s_.last_meal.value_or(day), day);
      break;
    case Event::egg_sac:
      if (since_molt(entry)) s_.egg_sac = day;
      break;
    case Event::mated:
      if (since_molt(entry)) s_.mated = day;
      break;
    case Event::darkened:
    case Event::sealed_in:
    case Event::sluggish:
    case Event::molt_mat:
    case Event::refused:
      if (since_molt(entry)) s_.signs.push_back({entry.event, day});
      break;
    default:
      break;
  }
}

void set_animal(const Animal& animal, const AnimalHistory& history, Day as_of, HousingSituation& s) {
  s.id = animal.id;
  s.taxon = animal.taxon;
  s.group = animal.group;
  s.habit = animal.habit;
  s.hazards = animal.hazards;
  s.world = animal.world;
  s.adult_leg_span_mm = animal.adult_leg_span_mm;
  s.acquired = animal.acquired;
  s.matured = history.matured.has_value();
  s.molts_no_more = history.molts_no_more;
  s.male_chance = history.male_chance;
  s.on_back = history.on_back;
  if (!history.molts.empty()) s.latest_molt = history.molts.back().when.latest;
  s.watched_from = history.watched_from;
  if (history.last_watched < as_of) s.last_watched = history.last_watched;
  s.fangs_black = history.fangs_black;
  s.meal = history.meal;
  if (animal.set_aside)
    s.not_answered = "set aside: a record of it is faulty; mend it and it is answered";
  else if (animal.acquired && *animal.acquired > as_of)
    s.not_answered = "not there yet on " + to_iso(as_of);
  const std::string on = history.ended ? " on " + to_iso(*history.ended) : "";
  if (history.state == AnimalState::died) s.gone = "died" + on;
  if (history.state == AnimalState::left) s.gone = "left" + on;
  if (history.state == AnimalState::escaped) s.gone = "escaped" + on;
}

}  // namespace

std::vector<HousingSituation> housing_situations(const CollectionFit& fit, Day on, const HousingRules& rules) {
  const auto forecasts = forecast(fit, curve_levels);
  PredictorMixture running, probes;
  if (fit.stadia.posterior) {
    running = running_predictors(fit.stadia);
    probes = probe_predictors(fit.stadia);
  }
  std::vector<HousingSituation> result(forecasts.size());
  for (std::size_t i = 0; i < result.size(); ++i) {
    HousingSituation& s = result[i];
    const AnimalHistory& history = fit.table.animals[i];
    const AnimalInputs& inputs = fit.animals[i];
    s.animal = static_cast<int>(i);
    s.as_of = fit.table.as_of;
    s.on = on;
    set_animal(fit.collection->animals[i], history, s.as_of, s);
    set_size(inputs, history, s);
    s.growth = growth_ahead(fit, s.animal);
    s.next_molt = chances_of(forecasts[i], history.last_watched - s.as_of + 1.0);
    if (!s.molts_no_more && std::isfinite(forecasts[i].chance_final)) s.chance_final = forecasts[i].chance_final;
    s.chance_missed = forecasts[i].chance_missed_if_molts_on();
    const auto& rows = fit.stadia.running_rows;
    const auto column = std::find(rows.begin(), rows.end(), inputs.running_row);
    if (inputs.running_row >= 0 && column != rows.end() && running.mean.cols() > 0)
      set_next_stadium(fit, running, column - rows.begin(), s, rules);
    else if (inputs.probe >= 0 && probes.mean.cols() > inputs.probe)
      set_next_stadium(fit, probes, inputs.probe, s, rules);
  }
  std::vector<JournalReading> readings;
  for (std::size_t i = 0; i < result.size(); ++i) readings.emplace_back(fit.table.animals[i], result[i]);
  for (const Entry& entry : fit.collection->entries)
    if (entry.when.latest <= fit.table.as_of) readings[static_cast<std::size_t>(entry.animal)].row(entry);
  return result;
}

}  // namespace moltspan
