#include "moltspan/hidden_molts.hpp"

#include <algorithm>
#include <cmath>

#include "moltspan/numeric/families.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/quadrature.hpp"

namespace moltspan {
namespace {

/// Mean and variance of W.
std::pair<double, double> law_moments(Family family) {
  if (family == Family::weibull) return {numeric::GumbelMinLaw::mean, numeric::GumbelMinLaw::variance};
  if (family == Family::loglogistic) return {numeric::LogisticLaw::mean, numeric::LogisticLaw::variance};
  return {numeric::NormalLaw::mean, numeric::NormalLaw::variance};
}

double own_log_sigma(Family family, double log_sigma, double extra_variance) {
  return 0.5 * std::log(std::exp(2 * log_sigma) + extra_variance / law_moments(family).second);
}

/// How far, in sds, a record lies from the middle of a log length; 0 inside its bounds.
double distance(double log_min, double log_max, double middle, double sd) {
  return std::max({0.0, (log_min - middle) / sd, (middle - log_max) / sd});
}

/// One record under each number of hidden molts.
class Parts {
 public:
  Parts(Family family, const StadiumBounds& bounds, double eta, double log_sigma, double extra_variance,
        double log_step)
      : family_(family), bounds_(bounds), eta_(eta), log_sigma_(log_sigma), extra_(extra_variance), step_(log_step) {
    log_min_ = bounds.min_days > 0 ? std::log(bounds.min_days) : -INFINITY;
    log_max_ = std::isnan(bounds.max_days) ? INFINITY : std::log(bounds.max_days);
    single_ = square_distance(sum_of_stadia(family, 1, log_sigma, log_step));
  }

  /// Sums that lie so far off that they cannot count beside a single stadium are not worked out.
  bool negligible(int hidden) const {
    constexpr double enough = 90;  // exp(-45)
    return hidden > 0 && square_distance(sum(hidden)) > single_ + enough;
  }
  StadiumTerm term(int hidden) const {
    if (hidden == 0)
      return stadium_term(family_, bounds_, eta_, own_log_sigma(family_, log_sigma_, extra_), Truncation::marginal);
    const StadiaSum all = sum(hidden);
    const double log_sd = 0.5 * std::log(all.log_sd * all.log_sd + extra_);
    StadiumTerm term =
        stadium_term(Family::lognormal, narrow_start(all.log_sd), eta_ + all.shift, log_sd, Truncation::marginal);
    if (bounds_.entry_days > 0) term.value += log_first_outlasts_entry(hidden);
    return term;
  }

 private:
  /// log P(first stadium > entry | sum): the log of the later stadia over the first is about normal, whatever eta and
  /// the sum are.
  double log_first_outlasts_entry(int hidden) const {
    const double total = std::isnan(bounds_.max_days) ? bounds_.min_days : 0.5 * (bounds_.min_days + bounds_.max_days);
    if (!(total > bounds_.entry_days)) return 0;
    const StadiaSum later = sum_of_stadia(family_, hidden, log_sigma_, step_),
                    first = sum_of_stadia(family_, 1, log_sigma_, step_);
    const double log_ratio = std::log((total - bounds_.entry_days) / bounds_.entry_days);
    return numeric::log_Phi((log_ratio - step_ - later.shift + first.shift) / std::hypot(later.log_sd, first.log_sd));
  }
  /// A running stadium whose start is known well beside the spread of the sum: as if known exactly.
  StadiumBounds narrow_start(double log_sd) const {
    constexpr double narrow = 0.2;
    StadiumBounds b = bounds_;
    if (std::isnan(b.max_days) && b.start_range_days < narrow * log_sd * b.min_days) {
      b.min_days += 0.5 * b.start_range_days;
      b.start_range_days = 0;
    }
    return b;
  }
  StadiaSum sum(int hidden) const { return sum_of_stadia(family_, hidden + 1, log_sigma_, step_); }
  double square_distance(const StadiaSum& sum) const {
    const double d = distance(log_min_, log_max_, eta_ + sum.shift, std::sqrt(sum.log_sd * sum.log_sd + extra_));
    return d * d;
  }

  Family family_;
  const StadiumBounds& bounds_;
  double eta_, log_sigma_, extra_, step_, log_min_ = 0, log_max_ = 0, single_ = 0;
};

}  // namespace

StadiaSum sum_of_stadia(Family family, int n, double log_sigma, double log_step) {
  const auto [mean, variance] = law_moments(family);
  const double sigma = std::exp(log_sigma), v = variance * sigma * sigma, ratio = std::exp(log_step);
  double sum = 0, squares = 0, length = 1;
  for (int i = 0; i < n; ++i, length *= ratio) {
    sum += length;
    squares += length * length;
  }
  const double log_variance = std::log1p(std::expm1(v) * squares / (sum * sum));
  return {mean * sigma + 0.5 * v + std::log(sum) - 0.5 * log_variance, std::sqrt(log_variance)};
}

HiddenWeights hidden_chances(double p) {
  HiddenWeights chances;
  for (int j = 0; j <= most_hidden; ++j)
    chances[static_cast<std::size_t>(j)] = (j > 0 ? j * std::log(p) : 0.0) + (j < most_hidden ? std::log1p(-p) : 0.0);
  return chances;
}

namespace {

/// log of the mean of one part over a normal predictor: Gauss-Hermite about where part and predictor agree.
double log_mean_part(Family family, const StadiumBounds& bounds, double mean, double variance, double log_sigma,
                     double extra_variance, double log_step, int hidden) {
  constexpr int nodes = 7;
  const StadiaSum sum = sum_of_stadia(family, hidden + 1, log_sigma, log_step);
  const double own = sum.log_sd * sum.log_sd + extra_variance;
  double center = mean, spread = variance;
  if (!std::isnan(bounds.max_days)) {
    const double log_length = std::log(0.5 * (bounds.min_days + bounds.max_days)) - sum.shift;
    const double width = (bounds.max_days - bounds.min_days) / (bounds.max_days + bounds.min_days);
    const double seen = own + width * width;
    spread = variance * seen / (variance + seen);
    center = (mean * seen + log_length * variance) / (variance + seen);
  }
  const auto& rule = numeric::gauss_hermite(nodes);
  double total = 0, top = -INFINITY;
  for (int n = 0; n < nodes; ++n) {
    const double eta = center + std::sqrt(spread) * rule.nodes[n];
    const double value = Parts(family, bounds, eta, log_sigma, extra_variance, log_step).term(hidden).value +
                         numeric::log_phi((eta - mean) / std::sqrt(variance)) - numeric::log_phi(rule.nodes[n]);
    if (value > top) total *= std::exp(top - value);
    top = std::max(top, value);
    total += rule.weights[n] * std::exp(value - top);
  }
  return top + std::log(total) + 0.5 * std::log(spread / variance);
}

}  // namespace

HiddenWeights hidden_shares(Family family, const StadiumBounds& bounds, double mean, double variance, double log_sigma,
                            double extra_variance, const HiddenWeights& log_weights, double log_step) {
  const Parts parts(family, bounds, mean, log_sigma, variance + extra_variance, log_step);
  HiddenWeights shares = log_weights;
  double top = -INFINITY, total = 0;
  for (int j = 0; j <= most_hidden; ++j) {
    double& value = shares[static_cast<std::size_t>(j)];
    if (!std::isinf(log_weights[0]) && parts.negligible(j)) value = -INFINITY;
    if (!std::isinf(value))
      value += log_mean_part(family, bounds, mean, variance, log_sigma, extra_variance, log_step, j);
    top = std::max(top, value);
  }
  if (!std::isfinite(top)) return {1, 0, 0};
  for (double& share : shares) total += share = std::exp(share - top);
  for (double& share : shares) share /= total;
  return shares;
}

StadiumTerm hidden_term(Family family, const StadiumBounds& bounds, double eta, double log_sigma, double extra_variance,
                        const HiddenWeights& log_weights, double log_step, Truncation truncation) {
  const Parts all(family, bounds, eta, log_sigma, extra_variance, log_step);
  std::array<StadiumTerm, most_hidden + 1> parts;
  double top = -INFINITY;
  for (int j = 0; j <= most_hidden; ++j) {
    StadiumTerm& one = parts[static_cast<std::size_t>(j)];
    const double weight = log_weights[static_cast<std::size_t>(j)];
    const bool counts = !std::isinf(weight) && (std::isinf(log_weights[0]) || !all.negligible(j));
    if (counts) one = all.term(j);
    one.value = counts ? one.value + weight : -INFINITY;
    top = std::max(top, one.value);
  }
  double total = 0, slope = 0, curve = 0, within = 0;
  for (const StadiumTerm& one : parts) {
    if (std::isinf(one.value)) continue;
    const double share = std::exp(one.value - top);
    total += share;
    slope += share * one.d_eta;
    curve += share * (one.d_eta_eta + one.d_eta * one.d_eta);
    within += share * one.d_eta_eta;
  }
  StadiumTerm term;
  term.value = top + std::log(total);
  term.d_eta = slope / total;
  term.d_eta_eta = std::min(curve / total - term.d_eta * term.d_eta, -within / total);
  if (!(bounds.entry_days > 0) || truncation == Truncation::marginal) return term;
  const double own = own_log_sigma(family, log_sigma, extra_variance);
  const StadiumTerm plain = stadium_term(family, bounds, eta, own, Truncation::marginal);
  const StadiumTerm divided = stadium_term(family, bounds, eta, own, truncation);
  term.value += divided.value - plain.value;
  term.d_eta += divided.d_eta - plain.d_eta;
  term.d_eta_eta += divided.d_eta_eta - plain.d_eta_eta;
  return term;
}

}  // namespace moltspan
