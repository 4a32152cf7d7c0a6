#include "backtest/kin.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "calibration/check.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr std::size_t fewest_kin = 3;
constexpr double least_log_sd = 0.02;  ///< of lengths that are all the same
constexpr double watched_day = 1;      ///< the origin itself was watched to its end

double middle(const DayRange& range) { return 0.5 * (range.earliest + range.latest + 1.0); }

/// The law of the next length of that many.
LogNormalMixture law_of(const std::vector<double>& log_lengths, double elapsed_days) {
  const double n = static_cast<double>(log_lengths.size());
  const double mean = std::accumulate(log_lengths.begin(), log_lengths.end(), 0.0) / n;
  double square = 0;
  for (double value : log_lengths) square += (value - mean) * (value - mean);
  const double sd = std::sqrt(square / (n - 1) * (1 + 1 / n));
  return {{1}, {mean}, {std::max(sd, least_log_sd)}, elapsed_days};
}

std::vector<CheckedCase> checked(const std::vector<BacktestCase>& cases) {
  std::vector<CheckedCase> result;
  for (const BacktestCase& one : cases) result.push_back({one.pit, 1, one.animal});
  return result;
}

std::string label_of(const BacktestCase& one, BacktestFactor factor) {
  if (factor == BacktestFactor::kind) return one.taxon.empty() ? "unknown kind" : one.taxon;
  return factor == BacktestFactor::month ? month_text(one.origin) : instar_text(one.instar);
}

CaseFactor case_factor(const std::vector<BacktestCase>& cases, BacktestFactor factor) {
  static constexpr const char* names[] = {"instar", "month of the forecast", "kind"};
  std::vector<std::string> texts;
  for (const BacktestCase& one : cases) texts.push_back(label_of(one, factor));
  return factor_of(names[static_cast<int>(factor)], texts);
}

}  // namespace

KinLengths::KinLengths(const CollectionFit& fit) {
  for (const Stadium& s : fit.table.stadia) {
    if (!s.end || s.molts != 1) continue;
    const double length = middle(*s.end) - middle(s.start);
    if (!(length > 0)) continue;
    const AnimalView animal = fit.animal(s.animal);
    const std::string& taxon = animal.record().taxon;
    by_taxon_[taxon].push_back(std::log(length));
    const int instar = animal.history().molts[s.molt].instar;
    if (instar >= 0) by_instar_[{taxon, instar}].push_back(std::log(length));
  }
}

void KinLengths::score(BacktestCase& scored, double age_days) const {
  const auto own = by_instar_.find({scored.taxon, scored.instar});
  const auto all = by_taxon_.find(scored.taxon);
  const bool by_instar = own != by_instar_.end() && own->second.size() >= fewest_kin;
  if (!by_instar && (all == by_taxon_.end() || all->second.size() < fewest_kin)) return;
  const double y = age_days + (scored.seen ? 0.5 * (scored.low_days + scored.high_days) : scored.low_days);
  const double elapsed = std::max(0.0, std::min(age_days + watched_day, y));
  const LogNormalMixture law = law_of(by_instar ? own->second : all->second, elapsed);
  scored.kin_pit = {law.cdf(age_days + scored.low_days), scored.seen ? law.cdf(age_days + scored.high_days) : 1};
  scored.kin_crps_days =
      scored.seen ? crps_lognormal_mixture(y, law) : crps_lognormal_mixture_censored(y, law, std::max(y, elapsed));
}

KinComparison compare_with_kin(const std::vector<BacktestCase>& cases) {
  KinComparison result;
  const auto of_kin = [](const BacktestCase& c) { return c.kin_crps_days; };
  const auto of_forecast = [](const BacktestCase& c) { return std::isnan(c.kin_crps_days) ? std::nan("") : c.crps_days; };
  result.kin_crps_days = mean_over(cases, of_kin);
  if (result.kin_crps_days.n == 0) return result;
  result.forecast_crps_days = mean_over(cases, of_forecast);
  result.gain_days = mean_over(cases, [&](const BacktestCase& c) { return of_kin(c) - of_forecast(c); });
  const double ratio = result.forecast_crps_days.mean / result.kin_crps_days.mean;
  result.gain_share = 1 - ratio;
  result.gain_share_error = mean_over(cases, [&](const BacktestCase& c) { return of_forecast(c) - ratio * of_kin(c); })
                                .clustered_standard_error /
                            result.kin_crps_days.mean;
  for (std::size_t i = 0; i < backtest_levels.size(); ++i)
    result.kin_coverage[i] = mean_over(cases, [i](const BacktestCase& c) {
      return std::isnan(c.kin_crps_days) ? std::nan("") : share_within(c.kin_pit, backtest_levels[i]);
    });
  return result;
}

std::vector<BacktestClass> backtest_by(const Backtest& result, BacktestFactor factor) {
  const CaseFactor by = case_factor(result.cases, factor);
  const std::vector<CheckedCase> all = checked(result.cases);
  std::vector<BacktestClass> classes;
  for (CalibrationClass& found : classes_of(all, by)) {
    std::vector<BacktestCase> chosen;
    for (const BacktestCase& one : result.cases)
      if (label_of(one, factor) == found.label) chosen.push_back(one);
    classes.push_back({std::move(found), mean_over(chosen, [](const BacktestCase& c) { return c.crps_days; }),
                       mean_over(chosen, [](const BacktestCase& c) { return c.kin_crps_days; })});
  }
  return classes;
}

void note_backtest_calibration(Backtest& result) {
  const std::vector<CheckedCase> cases = checked(result.cases);
  std::vector<CaseFactor> factors;
  for (BacktestFactor factor : {BacktestFactor::instar, BacktestFactor::month, BacktestFactor::kind})
    factors.push_back(case_factor(result.cases, factor));
  note_calibration(cases, factors,
                   {"coverage", "past forecasts",
                    "state instar numbers and temperatures where they are known; until then take bands as rough"},
                   result.health);
  const KinComparison& kin = result.kin;
  if (kin.kin_crps_days.n > 0 && kin.gain_days.mean < -2 * kin.gain_days.clustered_standard_error)
    result.health.push_back({HealthState::warning, "kin_better",
                             "stadia of the same instar among kin, as they are, would have told more than the forecast: "
                             "what sets these apart is not in the records that the fit uses"});
}

}  // namespace moltspan
