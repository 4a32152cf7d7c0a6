#include "calibration/recalibration.hpp"

#include <toml++/toml.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <string>

#include "calibration/check.hpp"
#include "calibration/pits.hpp"
#include "facts/embedded_tables.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/philox.hpp"
#include "base/words.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr double tail = 1e-3;           ///< transforms beyond count as beyond this
constexpr double most_log_scale = 0.4;  ///< bands half as wide again: beyond, the model is wrong in more than its width
constexpr double told_change = 0.05;    ///< of location or log scale
constexpr int most_steps = 40;

struct ChangePriors {
  double changed = 0, location_sd = 0, log_scale_sd = 0;
};

const ChangePriors& change_priors() {
  static const ChangePriors priors = [] {
    const toml::table all = toml::parse(embedded_table("priors"));
    const auto of = [&](const char* name) { return all["recalibration"][name].value<double>().value(); };
    return ChangePriors{of("changed"), of("location_sd"), of("log_scale_sd")};
  }();
  return priors;
}

double normal_quantile_of(double p) {
  if (!(p > 0)) return -INFINITY;
  return p < 1 ? numeric::normal_quantile(p) : INFINITY;
}

/// One past forecast on the normal scale.
struct Interval {
  double low = 0, high = 0, weight = 1;
  int animal = 0, shared = 0;  ///< clusters: its animal; its kind on that day
};

/// Value and slopes in location and log scale of log P(low < z <= high) under that change.
struct Score {
  double value = 0, location = 0, scale = 0;
};

Score log_mass(double low, double high, double location, double scale) {
  const double a = (low - location) / scale, b = (high - location) / scale;
  const double mass = a > 0 ? numeric::Phi(-a) - numeric::Phi(-b) : numeric::Phi(b) - numeric::Phi(a);
  const auto density = [](double z) { return std::isinf(z) ? 0 : std::exp(numeric::log_phi(z)); };
  const auto times = [&](double z) { return std::isinf(z) ? 0 : z * density(z); };
  if (!(mass > 1e-280)) return {-600, 0, 0};
  return {std::log(mass), (density(a) - density(b)) / (scale * mass), (times(a) - times(b)) / mass};
}

Score score_of(const Interval& one, double location, double log_scale) {
  const Score score = log_mass(one.low, one.high, location, std::exp(log_scale));
  return {one.weight * score.value, one.weight * score.location, one.weight * score.scale};
}

/// Ends on the normal scale, tails joined.
Interval interval_of(const PastForecast& past) {
  Pit pit = past.pit();
  if (pit.high < tail) pit = {0, tail};
  if (pit.low > 1 - tail) pit = {1 - tail, 1};
  return {normal_quantile_of(pit.low), normal_quantile_of(pit.high), past.weight};
}

/// Of scores about their mean: sum of squares over the sum of squares of sums within clusters; at most 1.
template <typename Of, typename Cluster>
double independent_share(const std::vector<Score>& scores, const std::vector<Interval>& cases, Of of, Cluster cluster) {
  double mean = 0, squares = 0, clustered = 0;
  for (const Score& score : scores) mean += of(score) / static_cast<double>(scores.size());
  std::map<int, double> sums;
  for (std::size_t i = 0; i < scores.size(); ++i) {
    const double off = of(scores[i]) - mean;
    squares += off * off;
    sums[cluster(cases[i])] += off;
  }
  for (const auto& [code, sum] : sums) clustered += sum * sum;
  const double n = static_cast<double>(sums.size());
  if (n < 2) return 1;
  return clustered > 0 ? std::min(1.0, squares / (clustered * n / (n - 1))) : 1;
}

/// Evidence against the prior: which share of each parameter's counts.
struct Tempering {
  double location = 1, scale = 1;
};

std::vector<Score> scores_at(const std::vector<Interval>& cases, double location, double log_scale) {
  std::vector<Score> scores;
  for (const Interval& one : cases) scores.push_back(score_of(one, location, log_scale));
  return scores;
}

Tempering tempering_of(const std::vector<Interval>& cases, double location, double log_scale) {
  const auto scores = scores_at(cases, location, log_scale);
  const auto share = [&](auto of) {
    return std::min(independent_share(scores, cases, of, [](const Interval& c) { return c.animal; }),
                    independent_share(scores, cases, of, [](const Interval& c) { return c.shared; }));
  };
  return {share([](const Score& s) { return s.location; }), share([](const Score& s) { return s.scale; })};
}

/// Location and log scale where prior and evidence balance, by Newton with the outer product of the scores.
struct Change {
  double location = 0, log_scale = 0;
  double log_determinant = 0;  ///< of the information, prior included
};

Change balanced(const std::vector<Interval>& cases, const Tempering& tempering) {
  const double prior_location = 1 / std::pow(change_priors().location_sd, 2),
               prior_scale = 1 / std::pow(change_priors().log_scale_sd, 2);
  const double share = std::min(tempering.location, tempering.scale);
  Change at;
  for (int step = 0; step < most_steps; ++step) {
    double ga = 0, gb = 0, haa = 0, hbb = 0, hab = 0;
    for (const Score& s : scores_at(cases, at.location, at.log_scale)) {
      ga += s.location;
      gb += s.scale;
      haa += s.location * s.location;
      hbb += s.scale * s.scale;
      hab += s.location * s.scale;
    }
    ga = tempering.location * ga - prior_location * at.location;
    gb = tempering.scale * gb - prior_scale * at.log_scale;
    haa = tempering.location * haa + prior_location;
    hbb = tempering.scale * hbb + prior_scale;
    hab *= share;
    const double determinant = haa * hbb - hab * hab;
    at.log_determinant = std::log(determinant);
    const double da = (hbb * ga - hab * gb) / determinant, db = (haa * gb - hab * ga) / determinant;
    at.location += std::clamp(da, -0.3, 0.3);
    at.log_scale += std::clamp(db, -0.3, 0.3);
    if (std::abs(da) + std::abs(db) < 1e-6) break;
  }
  return at;
}

double log_likelihood(const std::vector<Interval>& cases, double location, double log_scale) {
  double sum = 0;
  for (const Score& score : scores_at(cases, location, log_scale)) sum += score.value;
  return sum;
}

/// Chance of any change, by Laplace's approximation of what the evidence says for it.
double chance_of_change(const std::vector<Interval>& cases, const Tempering& tempering, const Change& found) {
  const ChangePriors& prior = change_priors();
  const double gain = std::min(tempering.location, tempering.scale) *
                      (log_likelihood(cases, found.location, found.log_scale) - log_likelihood(cases, 0, 0));
  const double a = found.location / prior.location_sd, b = found.log_scale / prior.log_scale_sd;
  const double log_factor = gain - 0.5 * (a * a + b * b) - std::log(prior.location_sd * prior.log_scale_sd) -
                            0.5 * found.log_determinant;
  return numeric::logistic(std::log(prior.changed / (1 - prior.changed)) + log_factor);
}

std::vector<Interval> intervals_of(const CollectionFit& fit, const std::vector<PastForecast>& past) {
  std::vector<Interval> cases;
  std::map<std::pair<Day, std::string>, int> shared;
  for (const PastForecast& one : past) {
    cases.push_back(interval_of(one));
    const int animal = fit.table.stadia[one.row].animal;
    const std::string& taxon = fit.animal(animal).record().taxon;
    cases.back().animal = animal;
    cases.back().shared = shared.try_emplace({one.origin, taxon}, static_cast<int>(shared.size())).first->second;
  }
  return cases;
}

}  // namespace

Pit PastForecast::pit() const { return LengthChances{from, to, entered}.given_entry(); }

Recalibration learn_recalibration(const CollectionFit& fit, const std::vector<PastForecast>& past) {
  Recalibration result;
  if (past.size() < fewest_past_forecasts) return result;
  const std::vector<Interval> cases = intervals_of(fit, past);
  const Change rough = balanced(cases, {});
  const Tempering tempering = tempering_of(cases, rough.location, rough.log_scale);
  const Change found = balanced(cases, tempering);
  if (!std::isfinite(found.location) || !std::isfinite(found.log_scale)) return result;
  result.weight = chance_of_change(cases, tempering, found);
  result.location = result.weight * found.location;
  result.log_scale = std::clamp(result.weight * found.log_scale, -most_log_scale, most_log_scale);
  result.forecasts = static_cast<int>(past.size());
  result.effective = tempering.scale * static_cast<double>(past.size());
  std::vector<CheckedCase> checked;
  std::map<Day, int> origins;
  for (std::size_t i = 0; i < past.size(); ++i) {
    checked.push_back({past[i].pit(), past[i].weight, cases[i].animal});
    ++origins[past[i].origin];
  }
  result.origins = static_cast<int>(origins.size());
  const CalibrationClass all = calibration_of(checked, "all");
  result.held = all.held;
  result.below_median = all.below_median;
  return result;
}

void note_recalibration(CollectionFit& fit) {
  const Recalibration& change = fit.recalibration;
  if (std::abs(change.location) < told_change && std::abs(change.log_scale) < told_change) return;
  const auto whole = [](double value) { return std::to_string(std::lround(100 * value)); };
  std::string factor = std::to_string(change.scale());
  factor.resize(factor.find('.') + 3);
  std::string text = "of " + std::to_string(change.forecasts) + " past forecasts the 80 % band held " +
                     whole(change.held[1].mean) + " %, and " + whole(change.below_median.mean) +
                     " % came before the median: bands are ";
  text += std::string(change.log_scale < 0 ? "narrowed" : "widened") + " by a factor " + factor;
  if (std::abs(change.location) >= told_change)
    text += std::string(" and moved ") + (change.location > 0 ? "later" : "earlier");
  fit.health.push_back({HealthState::warning, "recalibration", text});
}

RecalibratedLaw::RecalibratedLaw(std::unique_ptr<NextMoltLaw> base, const Recalibration& change)
    : base_(std::move(base)), change_(change) {
  first_day_ = base_->first_day();
  survival_at_start_ = base_->survival_at_start();
}

double RecalibratedLaw::survival(double x_days) const { return change_.survival(base_->survival(x_days)); }

std::unique_ptr<NextMoltLaw> recalibrated(const CollectionFit& fit, std::unique_ptr<NextMoltLaw> law) {
  if (!fit.recalibration.used()) return law;
  return std::make_unique<RecalibratedLaw>(std::move(law), fit.recalibration);
}

}  // namespace moltspan
