#include <algorithm>
#include <cmath>
#include <limits>
#include <sstream>
#include <stdexcept>

#include "moltspan/numeric/philox.hpp"
#include "nonparametric/support.hpp"

namespace moltspan {
namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr double not_a_number = std::numeric_limits<double>::quiet_NaN();

/// Weights at one time of a table of exact and censored times.
struct Moment {
  double day = 0, at_risk = 0, censored = 0;
  std::vector<double> events;  ///< a cause
  double all_events() const {
    double sum = 0;
    for (const double d : events) sum += d;
    return sum;
  }
};

void check_exact(const char* function, const BoundedTimes& times) {
  nonparametric::check_times(function, times);
  for (std::size_t i = 0; i < times.size(); ++i) {
    const double high = nonparametric::max_of(times, i);
    if (std::isinf(high) || nonparametric::is_exact(times, i)) continue;
    std::ostringstream text;
    text << function << ": row " << i << ", (" << times.min_days[i] << ", " << high
         << "]: only exact times and unseen ends can be used; stadium_npmle and joint_incidence take ranges";
    throw std::invalid_argument(text.str());
  }
}

/// All times at which somebody ends or is censored, with who is at risk: entry < t <= time.
std::vector<Moment> moments(const BoundedTimes& times, std::span<const int> cause, int n_causes) {
  std::vector<std::pair<double, std::size_t>> order;
  std::vector<std::pair<double, double>> entries;
  for (std::size_t i = 0; i < times.size(); ++i) {
    if (!nonparametric::says_something(times, i)) continue;
    order.emplace_back(nonparametric::min_of(times, i), i);
    entries.emplace_back(nonparametric::entry_of(times, i), nonparametric::weight_of(times, i));
    if (nonparametric::entry_of(times, i) == 0) entries.back().first = -1;  // a time of 0 days is watched too
  }
  std::sort(order.begin(), order.end());
  std::sort(entries.begin(), entries.end());
  std::vector<Moment> result;
  double entered = 0, gone = 0;
  std::size_t next = 0;
  for (std::size_t k = 0; k < order.size();) {
    Moment moment{order[k].first, 0, 0, std::vector<double>(n_causes, 0.0)};
    for (; next < entries.size() && entries[next].first < moment.day; ++next) entered += entries[next].second;
    moment.at_risk = entered - gone;
    for (; k < order.size() && order[k].first == moment.day; ++k) {
      const std::size_t i = order[k].second;
      const double weight = nonparametric::weight_of(times, i);
      (cause[i] == 0 ? moment.censored : moment.events[cause[i] - 1]) += weight;
      gone += weight;
    }
    result.push_back(std::move(moment));
  }
  return result;
}

double normal_width(const char* function, double level) {
  if (!(level > 0 && level < 1))
    throw std::invalid_argument(std::string(function) + ": level lies between 0 and 1, for example 0.95");
  return numeric::normal_quantile(0.5 + level / 2);
}

/// Limits of a probability on the log(-log) scale; NaN at 0 and 1, where the scale ends.
std::pair<double, double> log_log_limits(double p, double standard_error, double z) {
  if (!(p > 0 && p < 1)) return {not_a_number, not_a_number};
  const double width = z * standard_error / (p * -std::log(p));
  return {std::pow(p, std::exp(width)), std::pow(p, std::exp(-width))};
}

void note_empty(std::vector<HealthNote>& health, const std::vector<Moment>& all) {
  for (std::size_t k = 0; k + 1 < all.size(); ++k) {
    if (all[k].all_events() < all[k].at_risk) continue;
    std::ostringstream text;
    text << "all " << all[k].at_risk << " at risk ended at " << all[k].day
         << " days, so that survival is 0 from there on though others are watched later; use records that entered "
            "later only";
    health.push_back({HealthState::bad, "break", text.str()});
    return;
  }
}

void note_thin(std::vector<HealthNote>& health, const std::vector<Moment>& all) {
  double most = 0;
  for (const Moment& moment : all) most = std::max(most, moment.at_risk);
  for (const Moment& moment : all) {
    if (moment.at_risk == most || moment.at_risk >= 5) return;
    if (moment.all_events() == 0) continue;
    std::ostringstream text;
    text << "early risk set: only " << moment.at_risk << " record(s) were watched at " << moment.day
         << " days, where one or more ended; all later values rest on that";
    health.push_back({HealthState::warning, "early_risk", text.str()});
    return;
  }
}

}  // namespace

ProductLimit kaplan_meier(const BoundedTimes& times, double level) {
  const double z = normal_width("kaplan_meier", level);
  check_exact("kaplan_meier", times);
  std::vector<int> seen(times.size());
  for (std::size_t i = 0; i < times.size(); ++i) seen[i] = nonparametric::is_exact(times, i);
  const std::vector<Moment> all = moments(times, seen, 1);
  ProductLimit fit;
  fit.level = level;
  double survival = 1, sum = 0;
  for (const Moment& moment : all) {
    const double d = moment.events[0], n = moment.at_risk;
    survival = d >= n ? 0 : survival * (1 - d / n);
    if (d > 0) sum += d / (n * (n - d));
    const double error = survival > 0 ? survival * std::sqrt(sum) : not_a_number;
    const auto [lower, upper] = log_log_limits(survival, error, z);
    fit.days.push_back(moment.day);
    fit.at_risk.push_back(n);
    fit.events.push_back(d);
    fit.censored.push_back(moment.censored);
    fit.survival.push_back(survival);
    fit.standard_error.push_back(error);
    fit.lower.push_back(lower);
    fit.upper.push_back(upper);
  }
  note_empty(fit.health, all);
  if (fit.health.empty()) note_thin(fit.health, all);
  return fit;
}

namespace {

/// First time at which `curve` is at or below `goal`; the middle of a stretch on which it equals it.
double crossing(const std::vector<double>& days, const std::vector<double>& curve, double goal) {
  constexpr double equal = 1e-9;
  for (std::size_t k = 0; k < days.size(); ++k) {
    if (!(curve[k] <= goal + equal)) continue;
    if (curve[k] < goal - equal) return days[k];
    for (std::size_t later = k + 1; later < days.size(); ++later)
      if (curve[later] < goal - equal) return (days[k] + days[later]) / 2;
    return days[k];
  }
  return infinity;
}

}  // namespace

OpenRange quantile_days(const ProductLimit& fit, double p) {
  if (!(p > 0 && p < 1)) throw std::invalid_argument("quantile_days: a share lies between 0 and 1, for example 0.5");
  return {crossing(fit.days, fit.survival, 1 - p), crossing(fit.days, fit.lower, 1 - p),
          crossing(fit.days, fit.upper, 1 - p)};
}

namespace nonparametric {

void check_causes(const char* function, const BoundedTimes& times, std::span<const int> cause, int n_causes) {
  if (cause.size() != times.size())
    throw std::invalid_argument(std::string(function) + ": one cause a record is needed");
  for (std::size_t i = 0; i < cause.size(); ++i) {
    const bool ended = std::isfinite(max_of(times, i));
    if (cause[i] >= 0 && cause[i] <= n_causes && (cause[i] > 0) == ended) continue;
    std::ostringstream text;
    text << function << ": row " << i << ", cause = " << cause[i] << ": causes are 1 to " << n_causes
         << " where the end was seen (max_days given), 0 where it was not; mend cause or max_days";
    throw std::invalid_argument(text.str());
  }
}

}  // namespace nonparametric

namespace {

/// Delta-method variance of one incidence at the end of `upto` moments (with binomial increments): sums over times of
/// (F - F_i)^2 d / (n (n - d)) + S_(i-1)^2 d_k (n - d_k) / n^3 - 2 (F - F_i) S_(i-1) d_k / n^2.
class IncidenceVariance {
 public:
  void add(double n, double d, double cause_events, double survival_before, double incidence) {
    const double a = d < n ? d / (n * (n - d)) : 0;
    const double b = survival_before * cause_events / (n * n);
    sum_a_ += a, sum_af_ += a * incidence, sum_aff_ += a * incidence * incidence;
    sum_b_ += b, sum_bf_ += b * incidence;
    sum_c_ += survival_before * survival_before * cause_events * (n - cause_events) / (n * n * n);
  }

  double at(double f) const {
    return std::max(0.0, f * f * sum_a_ - 2 * f * sum_af_ + sum_aff_ + sum_c_ - 2 * (f * sum_b_ - sum_bf_));
  }

 private:
  double sum_a_ = 0, sum_af_ = 0, sum_aff_ = 0, sum_b_ = 0, sum_bf_ = 0, sum_c_ = 0;
};

}  // namespace

CumulativeIncidence cumulative_incidence(const BoundedTimes& times, std::span<const int> cause, int n_causes,
                                         double level) {
  const double z = normal_width("cumulative_incidence", level);
  check_exact("cumulative_incidence", times);
  nonparametric::check_causes("cumulative_incidence", times, cause, n_causes);
  const std::vector<Moment> all = moments(times, cause, n_causes);
  CumulativeIncidence fit;
  fit.level = level;
  std::vector<IncidenceVariance> variance(n_causes);
  std::vector<double> incidence(n_causes, 0.0);
  for (auto* column : {&fit.events, &fit.incidence, &fit.standard_error, &fit.lower, &fit.upper})
    column->resize(n_causes);
  double survival = 1;
  for (const Moment& moment : all) {
    const double n = moment.at_risk, d = moment.all_events();
    fit.days.push_back(moment.day);
    fit.at_risk.push_back(n);
    for (int k = 0; k < n_causes; ++k) {
      incidence[k] += survival * moment.events[k] / n;
      variance[k].add(n, d, moment.events[k], survival, incidence[k]);
      const double error = std::sqrt(variance[k].at(incidence[k]));
      const auto [lower, upper] = log_log_limits(incidence[k], error, z);
      fit.events[k].push_back(moment.events[k]);
      fit.incidence[k].push_back(incidence[k]);
      fit.standard_error[k].push_back(error);
      fit.lower[k].push_back(lower);
      fit.upper[k].push_back(upper);
    }
    survival = d >= n ? 0 : survival * (1 - d / n);
    fit.survival.push_back(survival);
  }
  note_empty(fit.health, all);
  if (fit.health.empty()) note_thin(fit.health, all);
  return fit;
}

}  // namespace moltspan
