#pragma once

#include <cmath>
#include <limits>

/// @file
/// Logarithms, ratios and differences of the standard normal distribution that stay exact far into both tails.
///
/// Built on the scaled complementary error function, as `log(cdf)` underflows beyond 38 standard deviations.
namespace moltspan::numeric {

inline constexpr double log_sqrt_2pi = 0.91893853320467274178;
inline constexpr double sqrt_half = 0.70710678118654752440;
inline constexpr double sqrt_2_over_pi = 0.79788456080286535588;

/// log(1 - exp(-x)) for x > 0; switches at log 2 so that neither end loses digits.
inline double log1mexp(double x) {
  return x < 0.6931471805599453 ? std::log(-std::expm1(-x)) : std::log1p(-std::exp(-x));
}

/// log(1 + exp(x)).
inline double softplus(double x) { return x > 0 ? x + std::log1p(std::exp(-x)) : std::log1p(std::exp(x)); }

/// 1 / (1 + exp(-x)).
inline double logistic(double x) {
  if (x >= 0) return 1 / (1 + std::exp(-x));
  const double e = std::exp(x);
  return e / (1 + e);
}

/// exp(x^2) erfc(x). The square is split, so that exp sees no rounded argument; asymptotic series from 20 on.
inline double erfcx(double x) {
  if (x < 20) {
    const double square = x * x;
    return std::exp(square) * (1 + std::fma(x, x, -square)) * std::erfc(x);
  }
  const double r = 0.5 / (x * x);
  const double series = 1 - r * (1 - 3 * r * (1 - 5 * r * (1 - 7 * r * (1 - 9 * r * (1 - 11 * r)))));
  return series * 0.56418958354775628695 / x;
}

/// log of the standard normal density.
inline double log_phi(double z) { return -0.5 * z * z - log_sqrt_2pi; }

/// log of the standard normal distribution function.
inline double log_Phi(double z) {
  if (z > 0) return std::log1p(-0.5 * std::erfc(z * sqrt_half));
  if (z > -1) return std::log(0.5 * std::erfc(-z * sqrt_half));
  return std::log(0.5 * erfcx(-z * sqrt_half)) - 0.5 * z * z;
}

/// Standard normal distribution function.
inline double Phi(double z) { return 0.5 * std::erfc(-z * sqrt_half); }

/// Hazard phi(z) / Phi(-z).
inline double normal_hazard(double z) {
  if (z < -6) return std::exp(log_phi(z));  // Phi(-z) is 1 to the last digit but one
  return sqrt_2_over_pi / erfcx(z * sqrt_half);
}

/// Hazard minus z, without cancellation: the continued fraction 1 / (z + 2 / (z + 3 / ...)) from 3 on.
inline double normal_hazard_excess(double z) {
  if (!(z >= 3)) return normal_hazard(z) - z;  // so is what is no number, of which no count of steps may be made
  double tail = 0;
  for (int k = 12 + static_cast<int>(700 / (z * z)); k >= 1; --k) tail = k / (z + tail);
  return tail;
}

/// log(Phi(-c) / Phi(-e)) for c >= e: survival to c given survival to e.
inline double log_normal_survival_ratio(double c, double e) {
  if (e < 0) return log_Phi(-c) - log_Phi(-e);
  return std::log(erfcx(c * sqrt_half) / erfcx(e * sqrt_half)) - 0.5 * (c - e) * (c + e);
}

}  // namespace moltspan::numeric
