#pragma once

#include <array>
#include <cmath>
#include <limits>
#include <stdexcept>
#include <string>
#include <type_traits>

#include "moltspan/law/family.hpp"
#include "moltspan/numeric/quadrature.hpp"
#include "moltspan/stadium/bounds.hpp"
#include "moltspan/stadium/log_sum.hpp"
#include "moltspan/stadium/trapezoid.hpp"

namespace moltspan {
namespace stadium_terms {

using numeric::log1mexp;

inline constexpr double narrow_width = 0.05;  ///< in units of sigma: below, a difference of two F loses digits
inline constexpr double panel_width = 1.0;    ///< one panel of six nodes over this many sigma errs by about 1e-12

/// Rule for a panel of this width in sigma; all err by about the same.
inline const numeric::QuadratureRule& panel_rule(double width) {
  static const auto &three = numeric::gauss_legendre(3), &four = numeric::gauss_legendre(4),
                    &six = numeric::gauss_legendre(6);
  return width < 0.15 ? three : width < 0.4 ? four : six;
}

/// Log-likelihood of one exactly known T, given z = (log t - eta) / sigma.
template <StadiumLaw Law>
StadiumTerm density_term(double log_t, double z, double sigma, double log_sigma) {
  const double psi = Law::score(z), curve = Law::score_slope(z);
  StadiumTerm term;
  term.value = Law::log_density(z) - log_sigma - log_t;
  term.d_eta = -psi / sigma;
  term.d_s = -1 - z * psi;
  term.d_eta_eta = curve / (sigma * sigma);
  term.d_eta_s = (psi + z * curve) / sigma;
  term.d_s_s = z * psi + z * z * curve;
  return term;
}

/// A term that is a function g of z alone, from g, g', g''.
inline StadiumTerm term_of_z(double z, double sigma, double value, double slope, double curve) {
  StadiumTerm term;
  term.value = value;
  term.d_eta = -slope / sigma;
  term.d_s = -z * slope;
  term.d_eta_eta = curve / (sigma * sigma);
  term.d_eta_s = (slope + z * curve) / sigma;
  term.d_s_s = z * slope + z * z * curve;
  return term;
}

template <StadiumLaw Law>
StadiumTerm survival_term(double z, double sigma) {
  const Tail tail = Law::upper(z);
  return term_of_z(z, sigma, tail.log_mass, -tail.rate, -tail.rate_slope);
}

template <StadiumLaw Law>
StadiumTerm cdf_term(double z, double sigma) {
  const Tail tail = Law::lower(z);
  return term_of_z(z, sigma, tail.log_mass, tail.rate, tail.rate_slope);
}

/// log(exp(near) - exp(far)) = near + log(1 - exp(-loss)) of two terms, loss = near - far > 0; the far one is nothing
/// from 40 on.
inline StadiumTerm difference_term(StadiumTerm near, const StadiumTerm& far, double loss) {
  if (loss > 40) return near;
  const double slope = 1 / std::expm1(loss), curve = -slope * (1 + slope);
  const double d_eta = near.d_eta - far.d_eta, d_s = near.d_s - far.d_s;
  near.value += log1mexp(loss);
  near.d_eta_eta += slope * (near.d_eta_eta - far.d_eta_eta) + curve * d_eta * d_eta;
  near.d_eta_s += slope * (near.d_eta_s - far.d_eta_s) + curve * d_eta * d_s;
  near.d_s_s += slope * (near.d_s_s - far.d_s_s) + curve * d_s * d_s;
  near.d_eta += slope * d_eta;
  near.d_s += slope * d_s;
  return near;
}

/// log(F(b) - F(a)) with derivatives, for an interval that is not narrow; the difference is taken in the tail that does
/// not saturate.
template <StadiumLaw Law>
StadiumTerm interval_term(double a, double b, double sigma) {
  if (a > Law::median) {
    const StadiumTerm near = survival_term<Law>(a, sigma), far = survival_term<Law>(b, sigma);
    // So deep in the tail that the difference of two large logarithms would lose digits.
    return difference_term(near, far, near.value < -50 ? -Law::log_survival_ratio(b, a) : near.value - far.value);
  }
  const StadiumTerm near = cdf_term<Law>(b, sigma), far = cdf_term<Law>(a, sigma);
  return difference_term(near, far, near.value - far.value);
}

inline StadiumTerm minus(StadiumTerm left, const StadiumTerm& right) {
  left.value -= right.value;
  left.d_eta -= right.d_eta;
  left.d_s -= right.d_s;
  left.d_eta_eta -= right.d_eta_eta;
  left.d_eta_s -= right.d_eta_s;
  left.d_s_s -= right.d_s_s;
  return left;
}

/// The part of a range of days that carries its mass under a law, in z, and how wide panels may be there.
struct Window {
  double low = 0, high = 0, panel = panel_width;
  bool steep = false;  ///< the law falls by exp(-3) a panel
};

/// Where the law falls fast from one edge on, a few multiples of 1 / rate from that edge hold all that counts;
/// elsewhere [low_z, high_z].
template <StadiumLaw Law>
Window mass_window(double low, double high) {
  constexpr int panels = 13;  // of 3 / rate: exp(-39)
  constexpr double steep_rate = 3;
  const double falling = low > 0 ? Law::hazard(low) : 0, rising = high < 0 ? Law::reversed_hazard(high) : 0;
  if (falling > steep_rate || low > Law::high_z) {
    const double panel = std::min(panel_width, steep_rate / falling);
    return {low, std::min(high, low + panels * panel), panel, true};
  }
  if (rising > steep_rate || high < Law::low_z) {
    const double panel = std::min(panel_width, steep_rate / rising);
    return {std::max(low, high - panels * panel), high, panel, true};
  }
  return {std::max(low, Law::low_z), std::min(high, Law::high_z), panel_width, false};
}

/// Calls `at(t, weight)` on Gauss-Legendre nodes over the days of a window, in panels that are narrow on the scale of
/// z.
template <typename Visit>
void integrate_days(const Window& window, double low, double high, double eta, double sigma, Visit at) {
  const double wanted = std::ceil((window.high - window.low) / window.panel - 1e-9);
  const int panels = wanted > 1 ? static_cast<int>(wanted) : 1;  // 1 also where a window has no width to speak of: NaN
  double left = std::max(low, std::exp(eta + sigma * window.low));
  for (int k = 1; k <= panels; ++k) {
    const double z = window.low + (window.high - window.low) * k / panels;
    const double right = k == panels && window.high * sigma + eta >= std::log(high) - 1e-12
                             ? high
                             : std::min(high, std::exp(eta + sigma * z));
    const double half = 0.5 * (right - left), middle = 0.5 * (right + left);
    const auto& rule = panel_rule(window.steep ? panel_width : (window.high - window.low) / panels);
    for (Eigen::Index i = 0; half > 0 && i < rule.nodes.size(); ++i)
      at(middle + half * rule.nodes[i], half * rule.weights[i]);
    left = right;
  }
}

/// Adds the integral of f(t) k(t) over [low, high], k linear from `k_low` to `k_high`.
template <StadiumLaw Law>
void add_density_piece(LogSum& sum, double low, double high, double k_low, double k_high, double eta,
                       double log_sigma) {
  if (!(high > low)) return;
  const double sigma = std::exp(log_sigma), slope = (k_high - k_low) / (high - low);
  const Window window = mass_window<Law>((std::log(low) - eta) / sigma, (std::log(high) - eta) / sigma);
  integrate_days(window, low, high, eta, sigma, [&](double t, double weight) {
    const double log_t = std::log(t);
    sum.add(weight * (k_low + slope * (t - low)), density_term<Law>(log_t, (log_t - eta) / sigma, sigma, log_sigma));
  });
}

/// Doubly censored: mean over the start of F(max - r) - F(max - W - r), as one integral of f against a trapezoid. Where
/// the ranges of start and end overlap the trapezoid begins below 0 and is cut there.
template <StadiumLaw Law>
StadiumTerm doubly_censored_term(const StadiumBounds& b, double end_range, double eta, double log_sigma) {
  const double range = b.start_range_days, from = b.max_days - range - end_range;
  const double rise = std::min(range, end_range), top = std::min(1.0, end_range / range);
  if constexpr (std::is_same_v<Law, NormalLaw>) {
    const auto term =
        LognormalTrapezoid(eta, log_sigma).log_integral({from, from + rise, b.max_days - rise, b.max_days}, top);
    if (term) return *term;
  }
  LogSum sum;
  const auto piece = [&](double low, double high, double k_low, double k_high) {
    const double cut = std::max(low, 0.0);
    if (cut > low && high > cut) k_low += (k_high - k_low) * (cut - low) / (high - low);
    add_density_piece<Law>(sum, cut, high, k_low, k_high, eta, log_sigma);
  };
  piece(from, from + rise, 0, top);
  piece(from + rise, b.max_days - rise, top, top);
  piece(b.max_days - rise, b.max_days, top, 0);
  return sum.result();
}

/// Mean over the start of S(days + R - r).
template <StadiumLaw Law>
StadiumTerm survival_from_range(double days, double range, double eta, double log_sigma) {
  const double sigma = std::exp(log_sigma);
  if (range <= 0) {
    if (days <= 0) return {};
    return survival_term<Law>((std::log(days) - eta) / sigma, sigma);
  }
  // Below the window S is 1, above it S is nothing beside what the window holds.
  const double low = (std::log(std::max(days, 1e-12)) - eta) / sigma, high = (std::log(days + range) - eta) / sigma;
  if (high < Law::low_z) return {};
  const Window window = mass_window<Law>(low, high);
  LogSum sum;
  if (window.low > low) sum.add((std::exp(eta + sigma * window.low) - days) / range, StadiumTerm{});
  integrate_days(window, days, days + range, eta, sigma, [&](double t, double weight) {
    sum.add(weight / range, survival_term<Law>((std::log(t) - eta) / sigma, sigma));
  });
  return sum.result();
}

/// Mean over the start of F(max - r): no lower bound, so the end range is not known either.
template <StadiumLaw Law>
StadiumTerm left_censored_term(const StadiumBounds& b, double eta, double log_sigma) {
  const double sigma = std::exp(log_sigma), range = std::min(b.start_range_days, b.max_days), from = b.max_days - range;
  const auto term_at = [&](double days) { return cdf_term<Law>((std::log(days) - eta) / sigma, sigma); };
  if (range <= 0) return term_at(b.max_days);
  const double low = (std::log(std::max(from, 1e-12)) - eta) / sigma, high = (std::log(b.max_days) - eta) / sigma;
  if (low > Law::high_z) return term_at(b.max_days - 0.5 * range);
  const Window window = mass_window<Law>(low, high);
  LogSum sum;
  if (high > window.high) sum.add((b.max_days - std::exp(eta + sigma * window.high)) / range, StadiumTerm{});
  integrate_days(window, from, b.max_days, eta, sigma,
                 [&](double t, double weight) { sum.add(weight / range, term_at(t)); });
  return sum.result();
}

/// log E[T] and its derivatives; infinite for a log-logistic T with sigma >= 1.
template <StadiumLaw Law>
StadiumTerm renewal_term(double eta, double log_sigma) {
  const double sigma = std::exp(log_sigma);
  if (sigma >= Law::least_sigma_without_mean) return {std::numeric_limits<double>::infinity()};
  const double slope = Law::log_mean_factor_slope(sigma);
  StadiumTerm term;
  term.value = eta + Law::log_mean_factor(sigma);
  term.d_eta = 1;
  term.d_s = sigma * slope;
  term.d_s_s = sigma * slope + sigma * sigma * Law::log_mean_factor_curve(sigma);
  return term;
}

/// Exact or interval length against survival to entry, as ratios that stay exact where both underflow.
template <StadiumLaw Law>
void exact_ratio_value(StadiumTerm& term, double log_t, double z, double z_entry, double log_sigma) {
  term.value = Law::log_density_ratio(z, z_entry) + std::log(Law::hazard(z_entry)) - log_sigma - log_t;
}

template <StadiumLaw Law>
StadiumTerm plain_term(const StadiumBounds& b, double eta, double log_sigma) {
  const double sigma = std::exp(log_sigma);
  const auto z = [&](double days) { return (std::log(days) - eta) / sigma; };
  if (std::isnan(b.max_days)) return survival_from_range<Law>(b.min_days, b.start_range_days, eta, log_sigma);
  if (b.max_days == b.min_days) return density_term<Law>(std::log(b.min_days), z(b.min_days), sigma, log_sigma);
  const double end_range = b.min_days > 0 ? b.max_days - b.min_days - b.start_range_days : b.end_range_days;
  if (b.start_range_days > 0 && end_range > 0) return doubly_censored_term<Law>(b, end_range, eta, log_sigma);
  if (b.min_days <= 0) return left_censored_term<Law>(b, eta, log_sigma);
  const double low = z(b.min_days), high = z(b.max_days);
  if (high - low > narrow_width) return interval_term<Law>(low, high, sigma);
  LogSum sum;
  add_density_piece<Law>(sum, b.min_days, b.max_days, 1, 1, eta, log_sigma);
  return sum.result();
}

/// The term over S(entry): derivatives subtract, the value is taken from ratios where the plain difference loses
/// digits.
template <StadiumLaw Law>
StadiumTerm conditional_term(StadiumBounds b, double eta, double log_sigma) {
  // An animal that was there at its entry had not molted by then, whatever the bounds say.
  if (b.entry_days > b.min_days && b.entry_days < b.max_days - b.start_range_days) b.min_days = b.entry_days;
  const StadiumTerm entry = survival_from_range<Law>(b.entry_days, b.start_range_days, eta, log_sigma);
  StadiumTerm term = minus(plain_term<Law>(b, eta, log_sigma), entry);
  if (entry.value > -1 || b.start_range_days > 0) return term;
  const double sigma = std::exp(log_sigma);
  const double z_entry = (std::log(b.entry_days) - eta) / sigma, z_min = (std::log(b.min_days) - eta) / sigma;
  if (std::isnan(b.max_days)) {
    term.value = Law::log_survival_ratio(z_min, z_entry);
  } else if (b.max_days == b.min_days) {
    exact_ratio_value<Law>(term, std::log(b.min_days), z_min, z_entry, log_sigma);
  } else if (b.min_days >= b.entry_days) {
    const double z_max = (std::log(b.max_days) - eta) / sigma;
    if (z_max - z_min > narrow_width)
      term.value = Law::log_survival_ratio(z_min, z_entry) + log1mexp(-Law::log_survival_ratio(z_max, z_min));
  }
  return term;
}

template <StadiumLaw Law>
StadiumTerm term_with_law(const StadiumBounds& b, double eta, double log_sigma, Truncation truncation) {
  if (!(b.entry_days > 0) || truncation == Truncation::marginal) return plain_term<Law>(b, eta, log_sigma);
  if (truncation == Truncation::renewal)
    return minus(plain_term<Law>(b, eta, log_sigma), renewal_term<Law>(eta, log_sigma));
  return conditional_term<Law>(b, eta, log_sigma);
}

}  // namespace stadium_terms

/// Log-likelihood of one record with exact first and second derivatives. `marginal` gives the term without its
/// division. Throws std::domain_error for bounds that contradict each other.
template <StadiumLaw Law>
StadiumTerm stadium_term(const StadiumBounds& bounds, double eta, double log_sigma,
                         Truncation truncation = Truncation::conditional) {
  if (bounds.max_days < bounds.min_days)
    throw std::domain_error("a stadium of at least " + std::to_string(bounds.min_days) + " and at most " +
                            std::to_string(bounds.max_days) + " days: max_days lies below min_days; NaN stands for no upper bound");
  return stadium_terms::term_with_law<Law>(bounds, eta, log_sigma, truncation);
}

/// log S(entry | eta) of a record, averaged over its start range: what `marginal` divides by. 0 where entry_days is 0.
template <StadiumLaw Law>
StadiumTerm entry_term(const StadiumBounds& bounds, double eta, double log_sigma) {
  if (!(bounds.entry_days > 0)) return {};
  return stadium_terms::survival_from_range<Law>(bounds.entry_days, bounds.start_range_days, eta, log_sigma);
}

/// The same for a law by name.
inline StadiumTerm stadium_term(Family family, const StadiumBounds& bounds, double eta, double log_sigma,
                                Truncation truncation = Truncation::conditional) {
  return with_law(family, [&](auto law) { return stadium_term<decltype(law)>(bounds, eta, log_sigma, truncation); });
}
inline StadiumTerm entry_term(Family family, const StadiumBounds& bounds, double eta, double log_sigma) {
  return with_law(family, [&](auto law) { return entry_term<decltype(law)>(bounds, eta, log_sigma); });
}

#ifdef MOLTSPAN_COMPILED
extern template StadiumTerm stadium_term<NormalLaw>(const StadiumBounds&, double, double, Truncation);
extern template StadiumTerm stadium_term<GumbelMinLaw>(const StadiumBounds&, double, double, Truncation);
extern template StadiumTerm stadium_term<LogisticLaw>(const StadiumBounds&, double, double, Truncation);
extern template StadiumTerm entry_term<NormalLaw>(const StadiumBounds&, double, double);
extern template StadiumTerm entry_term<GumbelMinLaw>(const StadiumBounds&, double, double);
extern template StadiumTerm entry_term<LogisticLaw>(const StadiumBounds&, double, double);
#endif

}  // namespace moltspan
