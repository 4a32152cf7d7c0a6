#pragma once

#include <algorithm>
#include <array>
#include <cmath>

#include "moltspan/numeric/normal.hpp"
#include "moltspan/stadium/term.hpp"

/// @file
/// A gap between two recorded molts that may hide unseen ones.
///
/// With j of them it is the sum of j + 1 stadia. Given the animal's predictor, stadium i of it has log-median
/// eta + i x log_step, log_step = exponent of size x log growth ratio; the sum is taken as log-normal with the same mean and
/// variance (Fenton 1960, IRE Transactions on Communications Systems 8:57), so that its log is eta + shift with a standard
/// deviation of its own, neither of which depends on eta. The term of a gap is `log sum_j w_j f_(j+1)(gap)`, w_j = pi_j h_j: the
/// chance of j unseen molts and the density of the jump in size given them. With p the chance that a molt goes unrecorded,
/// pi_j = (1 - p) p^j, and the last of them p^j. Under another law the sums (not the single stadia) are log-normal, with the
/// law's log mean and variance.
namespace moltspan {

inline constexpr int most_hidden = 2;

using HiddenWeights = std::array<double, most_hidden + 1>;  ///< log w_j; -inf = ruled out

/// Log of a sum of n stadia: its mean less eta, and its sd.
struct StadiaSum {
  double shift = 0, log_sd = 0;
};

template <StadiumLaw Law>
StadiaSum sum_of_stadia(int n, double log_sigma, double log_step) {
  const double sigma = std::exp(log_sigma), v = Law::variance * sigma * sigma, ratio = std::exp(log_step);
  double sum = 0, squares = 0, length = 1;
  for (int i = 0; i < n; ++i, length *= ratio) {
    sum += length;
    squares += length * length;
  }
  const double log_variance = std::log1p(std::expm1(v) * squares / (sum * sum));
  return {Law::mean * sigma + 0.5 * v + std::log(sum) - 0.5 * log_variance, std::sqrt(log_variance)};
}

/// log pi_j at the chance p of a missed molt.
inline HiddenWeights hidden_chances(double p) {
  HiddenWeights chances;
  for (int j = 0; j <= most_hidden; ++j)
    chances[static_cast<std::size_t>(j)] = (j > 0 ? j * std::log(p) : 0.0) + (j < most_hidden ? std::log1p(-p) : 0.0);
  return chances;
}

/// log sigma of a single stadium with the record's own variance of log T.
template <StadiumLaw Law>
double own_log_sigma(double log_sigma, double extra_variance) {
  return 0.5 * std::log(std::exp(2 * log_sigma) + extra_variance / Law::variance);
}

/// One record under each number of hidden molts, for any predictor eta.
template <StadiumLaw Law>
class GapTerms {
 public:
  GapTerms(const StadiumBounds& bounds, double log_sigma, double extra_variance, double log_step)
      : bounds_(bounds),
        log_min_(bounds.min_days > 0 ? std::log(bounds.min_days) : -INFINITY),
        log_max_(std::isnan(bounds.max_days) ? INFINITY : std::log(bounds.max_days)),
        own_log_sigma_(own_log_sigma<Law>(log_sigma, extra_variance)) {
    for (int hidden = 0; hidden <= most_hidden; ++hidden)
      sums_[static_cast<std::size_t>(hidden)] = sum_of(hidden, log_sigma, extra_variance, log_step);
  }

  /// Sums that lie so far off that they cannot count beside a single stadium are not worked out.
  bool negligible(double eta, int hidden) const {
    constexpr double enough = 90;  // exp(-45)
    return hidden > 0 &&
           square_distance(eta, sums_[static_cast<std::size_t>(hidden)]) > square_distance(eta, sums_[0]) + enough;
  }

  StadiumTerm term(double eta, int hidden) const {
    if (hidden == 0) return stadium_term<Law>(bounds_, eta, own_log_sigma_, Truncation::marginal);
    const Sum& sum = sums_[static_cast<std::size_t>(hidden)];
    StadiumTerm term = stadium_term<NormalLaw>(sum.bounds, eta + sum.shift, std::log(sum.log_sd), Truncation::marginal);
    term.value += sum.log_first_outlasts_entry;
    return term;
  }

 private:
  /// The sum of one stadium and `hidden` more.
  struct Sum {
    double shift = 0, log_sd = 0;  ///< the record's own variance in it
    StadiumBounds bounds;
    double log_first_outlasts_entry = 0;
  };

  Sum sum_of(int hidden, double log_sigma, double extra_variance, double log_step) const {
    const StadiaSum sum = sum_of_stadia<Law>(hidden + 1, log_sigma, log_step);
    return {sum.shift, std::sqrt(sum.log_sd * sum.log_sd + extra_variance), narrow_start(sum.log_sd),
            bounds_.entry_days > 0 ? log_first_outlasts_entry(hidden, log_sigma, log_step) : 0};
  }

  /// log P(first stadium > entry | sum): the log of the later stadia over the first is about normal, whatever eta and the
  /// sum are.
  double log_first_outlasts_entry(int hidden, double log_sigma, double log_step) const {
    const double total = std::isnan(bounds_.max_days) ? bounds_.min_days : 0.5 * (bounds_.min_days + bounds_.max_days);
    if (hidden == 0 || !(total > bounds_.entry_days)) return 0;
    const StadiaSum later = sum_of_stadia<Law>(hidden, log_sigma, log_step),
                    first = sum_of_stadia<Law>(1, log_sigma, log_step);
    const double log_ratio = std::log((total - bounds_.entry_days) / bounds_.entry_days);
    return numeric::log_Phi((log_ratio - log_step - later.shift + first.shift) / std::hypot(later.log_sd, first.log_sd));
  }

  /// A current stadium whose start is known well beside the scatter of the sum: as if known exactly.
  StadiumBounds narrow_start(double log_sd) const {
    constexpr double narrow = 0.2;
    StadiumBounds b = bounds_;
    if (std::isnan(b.max_days) && b.start_range_days < narrow * log_sd * b.min_days) {
      b.min_days += 0.5 * b.start_range_days;
      b.start_range_days = 0;
    }
    return b;
  }

  /// Square of how far, in sds, the record lies from the middle of a log length; 0 inside its bounds.
  double square_distance(double eta, const Sum& sum) const {
    const double middle = eta + sum.shift,
                 distance = std::max({0.0, (log_min_ - middle) / sum.log_sd, (middle - log_max_) / sum.log_sd});
    return distance * distance;
  }

  StadiumBounds bounds_;
  double log_min_, log_max_, own_log_sigma_;
  std::array<Sum, most_hidden + 1> sums_;
};

/// Log-likelihood of a record with hidden molts, with its derivatives in eta; those in log sigma are not filled. The
/// second one is exact but where, between two numbers of molts, it is positive: there it is no larger than it is
/// negative at a known number, as Laplace's determinant would else come near 0 and its approximation be worth nothing.
/// `extra_variance` of log T is the record's own (the error of its start size), shared by all stadia of the gap. Late
/// entry divides by the survival of the first stadium.
template <StadiumLaw Law>
StadiumTerm hidden_term(const StadiumBounds& bounds, double eta, double log_sigma, double extra_variance,
                        const HiddenWeights& log_weights, double log_step, Truncation truncation) {
  const GapTerms<Law> all(bounds, log_sigma, extra_variance, log_step);
  std::array<StadiumTerm, most_hidden + 1> parts;
  double top = -INFINITY;
  for (int j = 0; j <= most_hidden; ++j) {
    StadiumTerm& one = parts[static_cast<std::size_t>(j)];
    const double weight = log_weights[static_cast<std::size_t>(j)];
    const bool counts = !std::isinf(weight) && (std::isinf(log_weights[0]) || !all.negligible(eta, j));
    if (counts) one = all.term(eta, j);
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
  const double own = own_log_sigma<Law>(log_sigma, extra_variance);
  const StadiumTerm plain = stadium_term<Law>(bounds, eta, own, Truncation::marginal);
  const StadiumTerm divided = stadium_term<Law>(bounds, eta, own, truncation);
  term.value += divided.value - plain.value;
  term.d_eta += divided.d_eta - plain.d_eta;
  term.d_eta_eta += divided.d_eta_eta - plain.d_eta_eta;
  return term;
}

#ifdef MOLTSPAN_COMPILED
#define MOLTSPAN_GAP_OF(LAW)                                                                               \
  extern template StadiumTerm hidden_term<LAW>(const StadiumBounds&, double, double, double, const HiddenWeights&, \
                                               double, Truncation);
MOLTSPAN_GAP_OF(NormalLaw)
MOLTSPAN_GAP_OF(GumbelMinLaw)
MOLTSPAN_GAP_OF(LogisticLaw)
#undef MOLTSPAN_GAP_OF
#endif

}  // namespace moltspan
