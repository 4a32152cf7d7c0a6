#include "moltspan/backtest/backtest.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <stdexcept>

#include "backtest/kin.hpp"
#include "moltspan/calibration/fit_collection.hpp"
#include "calibration/check.hpp"
#include "moltspan/forecast/forecast.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr double least_mass = 1e-4;  ///< of a range, for the log score
constexpr int n_quantiles = 100;     ///< of the quantile score, at the middles of equal cells
constexpr double quarter_longer = 1.25;
constexpr int enough_cases = 30, enough_animals = 8;

/// Levels of central bands whose edges are the quantiles used.
std::vector<double> grid_levels() {
  std::vector<double> levels(backtest_levels.begin(), backtest_levels.end());
  for (int i = 0; i < n_quantiles / 2; ++i) levels.push_back((2 * i + 1.0) / n_quantiles);
  levels.insert(levels.end(), {.997, .9995, .9999});
  return levels;
}

/// The predictive distribution as points (day, chance), linear between them.
class Distribution {
 public:
  explicit Distribution(const AnimalForecast& forecast) {
    for (const ForecastBand& band : forecast.bands) {
      points_.push_back({band.from_days, 0.5 * (1 - band.level)});
      points_.push_back({band.to_days, 0.5 * (1 + band.level)});
    }
    std::sort(points_.begin(), points_.end(), [](const Point& a, const Point& b) {
      return a.chance < b.chance || (a.chance == b.chance && a.day < b.day);
    });
  }

  double cdf(double day) const {
    if (day >= points_.back().day) return 1;
    const auto above = std::upper_bound(points_.begin(), points_.end(), day,
                                        [](double value, const Point& point) { return value < point.day; });
    if (above == points_.begin()) return 0;
    const Point &a = *std::prev(above), &b = *above;
    return a.chance + (b.chance - a.chance) * (day - a.day) / (b.day - a.day);
  }
  double mass(double low, double high) const { return high > low ? cdf(high) - cdf(low) : 0; }

 private:
  struct Point {
    double day, chance;
  };
  std::vector<Point> points_;
};

/// What came after an origin, from the whole records; days from the beginning of the origin.
struct Truth {
  bool known = false, seen = false;
  double low_days = 0, high_days = infinity;
};

Truth truth_after(const AnimalHistory& whole, Day origin) {
  for (const Molt& molt : whole.molts)
    if (molt.when.latest > origin)
      return {true, true, std::max(0.0, static_cast<double>(molt.when.earliest - origin)),
              molt.when.latest + 1.0 - origin};
  const double watched = std::min(whole.last_watched, whole.ended.value_or(whole.last_watched)) + 1.0 - origin;
  return {watched > 1, false, watched, infinity};
}

double middle(const DayRange& range) { return 0.5 * (range.earliest + range.latest + 1.0); }

/// Closed stadia of one day's table: lengths between the middles of both ranges.
struct ClosedStadia {
  std::map<int, std::vector<double>> by_animal;
  std::map<std::string, std::vector<double>> by_taxon;
};

ClosedStadia closed_stadia(const CollectionFit& fit) {
  ClosedStadia closed;
  for (const Stadium& stadium : fit.table.stadia) {
    if (!stadium.end || stadium.molts != 1) continue;
    const double length = middle(*stadium.end) - middle(stadium.start);
    closed.by_animal[stadium.animal].push_back(length);
    closed.by_taxon[fit.animal(stadium.animal).record().taxon].push_back(length);
  }
  return closed;
}

double mean(const std::vector<double>& values) {
  double sum = 0;
  for (double value : values) sum += value;
  return sum / static_cast<double>(values.size());
}

/// Day that each rule names; NaN where it has no answer.
std::array<double, n_plain_rules> rule_days(const ClosedStadia& closed, const AnimalForecast& forecast, Day origin) {
  std::array<double, n_plain_rules> lengths, days;
  lengths.fill(std::nan(""));
  const auto own = closed.by_animal.find(forecast.animal);
  if (own != closed.by_animal.end())
    lengths = {own->second.back(), mean(own->second), 0, quarter_longer * own->second.back()};
  const auto kin = closed.by_taxon.find(forecast.taxon);
  lengths[static_cast<int>(PlainRule::taxon_mean)] = kin == closed.by_taxon.end() ? std::nan("") : mean(kin->second);
  for (int rule = 0; rule < n_plain_rules; ++rule)
    days[rule] = forecast.last_molt && std::isfinite(lengths[rule])
                     ? std::max(1.0, middle(*forecast.last_molt) + lengths[rule] - origin)
                     : std::nan("");
  return days;
}

/// Mean quantile score, twice: the CRPS as the forecast's quantiles give it.
double crps_of(const AnimalForecast& forecast, double y, double censored_at) {
  double sum = 0;
  int n = 0;
  const auto add = [&](double chance, double day) {
    const double q = std::min(day, censored_at);
    sum += 2 * ((y < q ? 1.0 : 0.0) - chance) * (q - y);
    ++n;
  };
  for (std::size_t i = backtest_levels.size(); i < backtest_levels.size() + n_quantiles / 2; ++i) {
    const ForecastBand& band = forecast.bands[i];
    add(0.5 * (1 - band.level), band.from_days);
    add(0.5 * (1 + band.level), band.to_days);
  }
  return sum / n;
}

BacktestCase score_case(const CollectionFit& fit, const AnimalForecast& forecast, const ClosedStadia& closed,
                        const Truth& truth) {
  BacktestCase scored;
  scored.animal = forecast.animal;
  scored.id = forecast.id;
  scored.taxon = forecast.taxon;
  scored.origin = fit.table.as_of;
  scored.own_stadia = forecast.own_stadia;
  scored.seen = truth.seen;
  scored.low_days = truth.low_days;
  scored.high_days = truth.high_days;
  const Distribution law(forecast);
  const double whole = law.mass(truth.low_days, truth.high_days);
  for (std::size_t i = 0; i < backtest_levels.size(); ++i) {
    const double from = scored.from_days[i] = forecast.bands[i].from_days,
                 to = scored.to_days[i] = forecast.bands[i].to_days;
    const double inside = law.mass(std::max(from, truth.low_days), std::min(to, truth.high_days));
    scored.covered[i] = whole > 0 ? inside / whole : 0;
  }
  scored.pit = {law.cdf(truth.low_days), law.cdf(truth.high_days)};
  scored.log_score = -std::log(std::max(whole, least_mass));
  const double y = truth.seen ? 0.5 * (truth.low_days + truth.high_days) : truth.low_days;
  const double censored_at = truth.seen ? infinity : truth.low_days;
  scored.crps_days = crps_of(forecast, y, censored_at);
  scored.median_days = forecast.quantile_days[std::size(standard_quantiles) / 2];
  scored.rule_days = rule_days(closed, forecast, fit.table.as_of);
  const auto off = [&](double day) { return std::abs(std::min(day, censored_at) - y); };
  scored.off_days = off(scored.median_days);
  for (int rule = 0; rule < n_plain_rules; ++rule)
    scored.rule_off_days[rule] = std::isnan(scored.rule_days[rule]) ? std::nan("") : off(scored.rule_days[rule]);
  return scored;
}

/// By animal: whether any row of it in the journal was over on that day.
std::vector<bool> rows_by(const Collection& collection, Day origin) {
  std::vector<bool> known(collection.animals.size(), false);
  for (const Entry& entry : collection.entries)
    if (entry.animal >= 0 && entry.when.latest <= origin) known[entry.animal] = true;
  return known;
}

void score_origin(Backtest& result, const std::shared_ptr<const Collection>& collection, const StadiaTable& whole,
                  Day origin) {
  CollectionOptions options = result.options.fit;
  options.as_of = origin;
  const CollectionFit fit = fit_collection(collection, options);
  const ClosedStadia closed = closed_stadia(fit);
  const KinLengths kin(fit);
  const std::vector<bool> known = rows_by(*collection, origin);
  for (const AnimalForecast& forecast : forecast(fit, grid_levels())) {
    if (forecast.quantile_days.empty() || !known[forecast.animal]) continue;
    const Truth truth = truth_after(whole.animals[forecast.animal], origin);
    if (!truth.known) continue;
    result.cases.push_back(score_case(fit, forecast, closed, truth));
    const auto& molts = fit.animal(forecast.animal).history().molts;
    if (molts.empty()) continue;
    result.cases.back().instar = molts.back().instar;
    kin.score(result.cases.back(), origin - middle(molts.back().when));
  }
}

/// Evenly spread days from the one on which enough stadia had closed to the last but a few.
std::vector<Day> spread_origins(const StadiaTable& whole, const BacktestOptions& options) {
  std::vector<Day> ends;
  for (const Stadium& stadium : whole.stadia)
    if (stadium.end) ends.push_back(stadium.end->latest);
  std::sort(ends.begin(), ends.end());
  if (static_cast<int>(ends.size()) <= options.first_closed)
    throw std::invalid_argument("too short to look back on: " + std::to_string(ends.size()) +
                                (ends.size() == 1 ? " stadium has" : " stadia have") + " closed, more than " +
                                std::to_string(options.first_closed) + " are needed; come back after some more molts");
  const Day first = ends[options.first_closed - 1];
  std::vector<Day> origins;
  for (int i = 0; i < options.n_origins; ++i) {
    const Day day =
        first + static_cast<Day>(std::llround(static_cast<double>(whole.as_of - first) * i / options.n_origins));
    if (origins.empty() || day > origins.back()) origins.push_back(day);
  }
  return origins;
}

std::vector<Day> checked_origins(const StadiaTable& whole, const BacktestOptions& options) {
  if (options.origins.empty() && options.n_origins < 1)
    throw std::invalid_argument("n_origins = " + std::to_string(options.n_origins) + ": at least one day is needed");
  if (options.origins.empty()) return spread_origins(whole, options);
  std::vector<Day> origins = options.origins;
  std::sort(origins.begin(), origins.end());
  origins.erase(std::unique(origins.begin(), origins.end()), origins.end());
  for (Day day : origins)
    if (day >= whole.as_of)
      throw std::invalid_argument("origin " + to_iso(day) + ": the records end on " + to_iso(whole.as_of) +
                                  ", so nothing later can tell how good it was; give an earlier day");
  return origins;
}

RuleComparison compare(const std::vector<BacktestCase>& cases, PlainRule rule) {
  const auto of_rule = [rule](const BacktestCase& c) { return c.rule_off_days[static_cast<int>(rule)]; };
  const auto of_forecast = [&](const BacktestCase& c) { return std::isnan(of_rule(c)) ? std::nan("") : c.off_days; };
  RuleComparison result;
  result.rule = rule;
  result.rule_days = mean_over(cases, of_rule);
  result.forecast_days = mean_over(cases, of_forecast);
  result.gain_days = mean_over(cases, [&](const BacktestCase& c) { return of_rule(c) - of_forecast(c); });
  const double ratio = result.forecast_days.mean / result.rule_days.mean;
  result.gain_share = 1 - ratio;
  result.gain_share_error = mean_over(cases, [&](const BacktestCase& c) { return of_forecast(c) - ratio * of_rule(c); })
                                .clustered_standard_error /
                            result.rule_days.mean;
  return result;
}

void summarise(Backtest& result) {
  for (std::size_t i = 0; i < backtest_levels.size(); ++i)
    result.coverage[i] = mean_over(result.cases, [i](const BacktestCase& c) { return c.covered[i]; });
  result.below_median = mean_over(result.cases, [](const BacktestCase& c) { return share_under(c.pit, 0.5); });
  result.crps_days = mean_over(result.cases, [](const BacktestCase& c) { return c.crps_days; });
  result.off_days = mean_over(result.cases, [](const BacktestCase& c) { return c.off_days; });
  for (int rule = 0; rule < n_plain_rules; ++rule) {
    const RuleComparison comparison = compare(result.cases, static_cast<PlainRule>(rule));
    if (comparison.rule_days.n > 0) result.comparisons.push_back(comparison);
  }
  result.kin = compare_with_kin(result.cases);
}

void note_health(Backtest& result) {
  const auto warn = [&](const char* topic, const std::string& text) {
    result.health.push_back({HealthState::warning, topic, text});
  };
  const std::size_t animals = result.crps_days.n_clusters;
  if (result.n_seen < enough_cases || animals < enough_animals)
    warn("short_history", "too short to tell: " + std::to_string(result.n_seen) +
                              " forecasts with a molt seen later, of " + std::to_string(animals) + " animals; " +
                              std::to_string(enough_cases) + " of " + std::to_string(enough_animals) +
                              " would say something");
  if (result.cases.empty()) return;
  for (const RuleComparison& c : result.comparisons)
    if (std::abs(c.gain_days.mean) < 2 * c.gain_days.clustered_standard_error)
      warn("undecided", "forecast or " + std::string(rule_name(c.rule)) +
                            ": the records do not tell which is better (difference under 2 standard errors)");
  note_backtest_calibration(result);
}

}  // namespace

std::string_view rule_name(PlainRule rule) {
  static constexpr std::string_view names[] = {"last stadium again", "own mean", "mean of the taxon",
                                               "last stadium x 1.25"};
  return names[static_cast<int>(rule)];
}

Backtest backtest(std::shared_ptr<const Collection> collection, const BacktestOptions& options) {
  Backtest result;
  result.options = options;
  const StadiaTable whole = build_stadia(*collection, options.fit.as_of, options.fit.watched);
  result.origins = checked_origins(whole, options);
  for (Day origin : result.origins) score_origin(result, collection, whole, origin);
  for (const BacktestCase& one : result.cases) result.n_seen += one.seen;
  summarise(result);
  note_health(result);
  return result;
}

}  // namespace moltspan
