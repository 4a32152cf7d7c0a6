#include "forecast/hidden.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "moltspan/numeric/log_sum_exp.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/quadrature.hpp"

namespace moltspan {
namespace {

constexpr int age_nodes = 16;                                  ///< over the moment of the last unseen molt
constexpr std::size_t few_points = 5;                          ///< that stand for all of a predictor
constexpr double wrong_reading = 0.01, wrong_variance = 0.25;  ///< share and log variance of readings that are wrong
constexpr double reach = 4;  ///< sds below the mean of a sum's log, from which its density counts

/// Neighbors in sigma joined, so that about equal weights remain; moments are kept.
std::vector<PredictiveComponent> few_of(std::vector<PredictiveComponent> points) {
  std::sort(points.begin(), points.end(), [](const PredictiveComponent& a, const PredictiveComponent& b) { return a.sigma < b.sigma; });
  double total = 0;
  for (const PredictiveComponent& p : points) total += p.weight;
  std::vector<PredictiveComponent> few;
  PredictiveComponent sum;
  double square = 0, done = 0;
  for (std::size_t i = 0; i < points.size(); ++i) {
    const PredictiveComponent& p = points[i];
    sum.weight += p.weight;
    sum.mean += p.weight * p.mean;
    sum.sigma += p.weight * p.sigma;
    square += p.weight * (p.variance + p.mean * p.mean);
    if (i + 1 < points.size() && done + sum.weight < total * static_cast<double>(few.size() + 1) / few_points) continue;
    if (sum.weight > 0) {
      const double mean = sum.mean / sum.weight;
      few.push_back({sum.weight, mean, std::max(square / sum.weight - mean * mean, 0.0), sum.sigma / sum.weight});
    }
    done += sum.weight;
    sum = {};
    square = 0;
  }
  return few;
}

double log_normal_survival(double log_t, double mean, double variance) {
  return numeric::Phi((mean - log_t) / std::sqrt(variance));
}

}  // namespace

HiddenBranches::HiddenBranches(const CollectionFit& fit, int record, const std::vector<PredictiveComponent>& points,
                               double age_days, double watched_days, double counted, ClockAhead clock)
    : family_(fit.options.family),
      clock_(std::move(clock)),
      log_step_(fit.hidden.log_step),
      age_days_(age_days),
      watched_days_(watched_days),
      missed_chance_(fit.hidden.missed_chance) {
  if (!fit.hidden.used() || record < 0 || !(age_days + watched_days > 0)) return;
  points_ = few_of(points);
  log_ratio_ = fit.hidden.log_ratio;
  ratio_variance_ = fit.hidden.ratio_log_sd * fit.hidden.ratio_log_sd;
  const auto animal = static_cast<std::size_t>(fit.table.stadia[record].animal);
  if (animal < fit.hidden.last_sizes.size()) sizes_ = fit.hidden.last_sizes[animal];
  for (DatedSize& size : sizes_) size.day -= fit.table.as_of;
  const double log_elapsed = std::log(age_days + watched_days);
  double total = 0;
  for (PredictiveComponent& p : points_) {
    // As in RunningLaw: the weight counts the time watched already. No unseen molt then has the weight 1.
    const StadiaSum one = sum_of_stadia(family_, 1, std::log(p.sigma), 0);
    const double survival =
        std::max(log_normal_survival(log_elapsed, p.mean + one.shift, p.variance + one.log_sd * one.log_sd), 1e-300);
    p.weight /= std::pow(survival, counted);
    total += p.weight * survival;
  }
  for (PredictiveComponent& p : points_) p.weight /= total;
  for (int hidden = 1; hidden <= most_hidden; ++hidden) {
    double low = log_elapsed;
    for (const PredictiveComponent& p : points_) {
      const StadiaSum sum = sum_of_stadia(family_, hidden, std::log(p.sigma), log_step_);
      low = std::min(low, p.mean + sum.shift - reach * std::sqrt(p.variance + sum.log_sd * sum.log_sd));
    }
    const auto& rule = numeric::gauss_legendre(age_nodes);
    const double half = 0.5 * (log_elapsed - low);
    for (int i = 0; i < age_nodes && half > 0; ++i)
      add(hidden, low + half * (1 + rule.nodes[i]), half * rule.weights[i]);
  }
}

/// The branch with the last of `hidden` unseen molts at exp(log_age) days, `width` wide on the log scale.
void HiddenBranches::add(int hidden, double log_age, double width) {
  Branch branch;
  branch.missed_units = std::exp(log_age) - age_days_;
  branch.missed_day = clock_.days(branch.missed_units);
  branch.clock = clock_;
  const double chance = std::pow(missed_chance_, hidden) * width * size_odds(hidden, branch.missed_day);
  for (const PredictiveComponent& p : points_) {
    const StadiaSum before = sum_of_stadia(family_, hidden, std::log(p.sigma), log_step_),
                    own = sum_of_stadia(family_, 1, std::log(p.sigma), 0);
    const double own_variance = before.log_sd * before.log_sd, all = p.variance + own_variance;
    const double deviation = log_age - p.mean - before.shift;
    const double density = std::exp(numeric::log_phi(deviation / std::sqrt(all))) / std::sqrt(all);
    branch.points.push_back({p.weight * chance * density,
                             p.mean + p.variance / all * deviation + own.shift + hidden * log_step_,
                             p.variance * own_variance / all + own.log_sd * own.log_sd, 0});
  }
  odds_ += branch.survival(clock_.days(watched_days_));
  branches_.push_back(std::move(branch));
}

/// Likelihood of the sizes read before and after an unseen molt over that of one instar, in which a reading may be
/// quite wrong.
double HiddenBranches::size_odds(int hidden, double missed_day) const {
  double precision[2] = {0, 0}, sum[2] = {0, 0};
  for (const DatedSize& size : sizes_) {
    const int after = size.day > missed_day;
    precision[after] += 1 / size.variance;
    sum[after] += size.mean / size.variance;
  }
  if (!(precision[0] > 0) || !(precision[1] > 0)) return 1;
  const double jump = sum[1] / precision[1] - sum[0] / precision[0], error = 1 / precision[0] + 1 / precision[1];
  const auto density = [&](double mean, double variance) {
    return std::exp(numeric::log_phi((jump - mean) / std::sqrt(variance))) / std::sqrt(variance);
  };
  const double none = (1 - wrong_reading) * density(0, error) + wrong_reading * density(0, error + wrong_variance);
  return density(hidden * log_ratio_, error + hidden * ratio_variance_) / none;
}

double HiddenBranches::Branch::survival(double x_days) const {
  const double log_t = std::log(std::max(clock.units(x_days) - missed_units, 1e-9));
  double sum = 0;
  for (const PredictiveComponent& p : points) sum += p.weight * log_normal_survival(log_t, p.mean, p.variance);
  return sum;
}

double HiddenBranches::survival(double x_days) const {
  double sum = 0;
  for (const Branch& branch : branches_) sum += branch.survival(x_days);
  return sum;
}

void count_hidden_once(const CollectionFit& fit, int record, double elapsed_days, double counted,
                       std::vector<PredictiveComponent>& points) {
  if (fit.data.hidden_log_weights.empty() || !(elapsed_days > 0)) return;
  const HiddenWeights& weights = fit.data.hidden_log_weights[record];
  if (std::isinf(weights[1]) && std::isinf(weights[2])) return;
  // In logs: a stadium far beyond what its law allows leaves nothing of the chances themselves.
  std::vector<double> shares;
  for (const PredictiveComponent& p : points) {
    HiddenWeights chances;
    for (int j = 0; j <= most_hidden; ++j) {
      const StadiaSum sum = sum_of_stadia(fit.options.family, j + 1, std::log(p.sigma), fit.data.hidden_log_step);
      const double sd = std::sqrt(p.variance + sum.log_sd * sum.log_sd);
      chances[j] = numeric::log_Phi((p.mean + sum.shift - std::log(elapsed_days)) / sd);
    }
    const double first = chances[0];
    for (std::size_t j = 0; j < chances.size(); ++j) chances[j] += weights[j];
    shares.push_back(counted * (first - numeric::log_sum_exp(chances)));
  }
  double top = -std::numeric_limits<double>::infinity(), total = 0;
  for (std::size_t i = 0; i < points.size(); ++i)
    if (points[i].weight > 0) top = std::max(top, shares[i]);
  for (std::size_t i = 0; i < points.size(); ++i)
    if (points[i].weight > 0) total += points[i].weight *= std::exp(shares[i] - top);
  for (PredictiveComponent& p : points) p.weight /= total;
}

}  // namespace moltspan
