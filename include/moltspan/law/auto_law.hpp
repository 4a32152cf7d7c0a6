#pragma once

#include <boost/math/quadrature/gauss_kronrod.hpp>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <concepts>
#include <cstdint>
#include <limits>

#include "moltspan/law/tail.hpp"
#include "moltspan/numeric/dual.hpp"

namespace moltspan {

/// What AutoLaw is made of: log f for numbers and dual numbers, log F and log S, at a standardised value. log f must have
/// its constant, so that f adds up to 1.
template <typename D>
concept LawFunctions = requires(double z, numeric::Dual dual) {
  { D::log_density(z) } -> std::convertible_to<double>;
  { D::log_density(dual) } -> std::convertible_to<numeric::Dual>;
  { D::log_cdf(z) } -> std::convertible_to<double>;
  { D::log_survival(z) } -> std::convertible_to<double>;
};

namespace auto_law {

/// Root of an increasing function, looked for outwards from 0.
template <typename Function>
double root_of(Function increasing) {
  double low = -1, high = 1;
  while (increasing(low) > 0 && low > -1e6) low *= 2;
  while (increasing(high) < 0 && high < 1e6) high *= 2;
  std::uintmax_t steps = 200;
  const auto root = boost::math::tools::toms748_solve(increasing, low, high, boost::math::tools::eps_tolerance<double>(52), steps);
  return 0.5 * (root.first + root.second);
}

/// Integral of exp(log_function) over the line: from `middle` outwards in panels that double in width, until one adds nothing.
template <typename Function>
double integral(Function function, double middle, double furthest) {
  using Rule = boost::math::quadrature::gauss_kronrod<double, 31>;
  double sum = 0;
  for (const double side : {-1.0, 1.0}) {
    double from = 0, width = 0.5;
    for (int panel = 0; from < furthest && panel < 60; ++panel, from += width, width *= panel > 8 ? 2 : 1) {
      const double part = Rule::integrate([&](double d) { return function(middle + side * d); }, from, from + width, 5, 1e-13);
      sum += part;
      if (panel > 12 && std::abs(part) < 1e-16 * std::abs(sum)) break;
    }
  }
  return sum;
}

}  // namespace auto_law

/// A StadiumLaw made of log density, log F and log S alone. Derivatives of the density come of dual numbers, exact to
/// rounding; the median, the moments, the window and E exp(sigma W) of quadrature when the program starts. The two ratios are
/// plain differences of logarithms: far in the tails they have the digits that D's functions have.
template <LawFunctions D>
struct AutoLaw {
 private:
  // Constants of a template are made in no fixed order: none may be made of another.
  static double find_median() {
    return auto_law::root_of([](double z) { return D::log_cdf(z) - D::log_survival(z); });
  }
  static double find_mean() {
    return auto_law::integral([](double z) { return z * std::exp(D::log_density(z)); }, find_median(), 1e15);
  }
  static double find_variance() {
    const double center = find_mean();
    return auto_law::integral([&](double z) { return (z - center) * (z - center) * std::exp(D::log_density(z)); }, find_median(), 1e15);
  }

 public:
  static double log_density(double z) { return D::log_density(z); }
  static double score(double z) { return dual_at(z).slope; }
  static double score_slope(double z) { return dual_at(z).curve; }
  static double log_cdf(double z) { return D::log_cdf(z); }
  static double log_survival(double z) { return D::log_survival(z); }
  static double hazard(double z) { return std::exp(D::log_density(z) - D::log_survival(z)); }
  static double reversed_hazard(double z) { return std::exp(D::log_density(z) - D::log_cdf(z)); }
  static Tail upper(double z) {
    const numeric::Dual f = dual_at(z);
    const double log_mass = D::log_survival(z), rate = std::exp(f.value - log_mass);
    return {log_mass, rate, rate * (f.slope + rate)};
  }
  static Tail lower(double z) {
    const numeric::Dual f = dual_at(z);
    const double log_mass = D::log_cdf(z), rate = std::exp(f.value - log_mass);
    return {log_mass, rate, rate * (f.slope - rate)};
  }
  static double log_survival_ratio(double c, double e) { return D::log_survival(c) - D::log_survival(e); }
  static double log_density_ratio(double z, double e) { return D::log_density(z) - D::log_density(e); }

  /// Infinite from `least_sigma_without_mean` on.
  static double log_mean_factor(double sigma) {
    return sigma >= least_sigma_without_mean ? std::numeric_limits<double>::infinity() : std::log(tilted(sigma, 0));
  }
  static double log_mean_factor_slope(double sigma) { return tilted(sigma, 1) / tilted(sigma, 0); }
  static double log_mean_factor_curve(double sigma) {
    const double slope = log_mean_factor_slope(sigma);
    return tilted(sigma, 2) / tilted(sigma, 0) - slope * slope;
  }

  static inline const double median = find_median();
  /// Where less than exp(-40) is left beyond, no further than 1,000: tails of a power of z have no such place.
  static inline const double low_z = std::max(-1000.0, auto_law::root_of([](double z) { return D::log_cdf(z) + 40; }));
  static inline const double high_z = std::min(1000.0, auto_law::root_of([](double z) { return -D::log_survival(z) - 40; }));
  /// The hazard far out is the rate of the upper tail: exp(sigma W) has a mean for any smaller sigma. None where it still grows
  /// or the tail has ended.
  static inline const double least_sigma_without_mean = [] {
    const double near = hazard(1e3), far = hazard(1e5);
    if (!std::isfinite(near) || !std::isfinite(far) || far > 1.5 * near) return std::numeric_limits<double>::infinity();
    return far < 0.5 * near ? 0.0 : far;
  }();
  static inline const double mean = find_mean();
  static inline const double variance = find_variance();

 private:
  static numeric::Dual dual_at(double z) { return D::log_density(numeric::Dual::variable(z)); }
  /// E W^power exp(sigma W).
  static double tilted(double sigma, int power) {
    return auto_law::integral([&](double z) { return std::pow(z, power) * std::exp(sigma * z + D::log_density(z)); }, median, 1e5);
  }
};

}  // namespace moltspan
