#include "moltspan/intervals/hidden_molts.hpp"

#include <algorithm>
#include <cmath>

#include "intervals/hidden_molts_parts.hpp"
#include "moltspan/law/families.hpp"

namespace moltspan {
namespace {

/// Mean and variance of W.
std::pair<double, double> law_moments(Family family) {
  if (family == Family::weibull) return {numeric::GumbelMinLaw::mean, numeric::GumbelMinLaw::variance};
  if (family == Family::loglogistic) return {numeric::LogisticLaw::mean, numeric::LogisticLaw::variance};
  return {numeric::NormalLaw::mean, numeric::NormalLaw::variance};
}

}  // namespace

double own_log_sigma(Family family, double log_sigma, double extra_variance) {
  return 0.5 * std::log(std::exp(2 * log_sigma) + extra_variance / law_moments(family).second);
}

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

StadiumTerm hidden_term(Family family, const StadiumBounds& bounds, double eta, double log_sigma, double extra_variance,
                        const HiddenWeights& log_weights, double log_step, Truncation truncation) {
  const HiddenParts all(family, bounds, log_sigma, extra_variance, log_step);
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
  const double own = own_log_sigma(family, log_sigma, extra_variance);
  const StadiumTerm plain = stadium_term(family, bounds, eta, own, Truncation::marginal);
  const StadiumTerm divided = stadium_term(family, bounds, eta, own, truncation);
  term.value += divided.value - plain.value;
  term.d_eta += divided.d_eta - plain.d_eta;
  term.d_eta_eta += divided.d_eta_eta - plain.d_eta_eta;
  return term;
}

}  // namespace moltspan
