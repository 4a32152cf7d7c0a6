#pragma once

#include <boost/math/special_functions/digamma.hpp>
#include <boost/math/special_functions/trigamma.hpp>
#include <cmath>
#include <limits>

#include "moltspan/law/tail.hpp"
#include "moltspan/numeric/normal.hpp"

/// @file
/// The standard laws of W in `log T = eta + sigma W`, as small tables of the functions that StadiumLaw lists.
namespace moltspan {

/// W standard normal: log-normal times.
struct NormalLaw {
  static double log_density(double z) { return numeric::log_phi(z); }
  static double score(double z) { return -z; }
  static double score_slope(double) { return -1; }
  static double log_cdf(double z) { return numeric::log_Phi(z); }
  static double log_survival(double z) { return numeric::log_Phi(-z); }
  static double hazard(double z) { return numeric::normal_hazard(z); }
  static double hazard_slope(double z) { return numeric::normal_hazard(z) * numeric::normal_hazard_excess(z); }
  static double reversed_hazard(double z) { return numeric::normal_hazard(-z); }
  static double reversed_hazard_slope(double z) { return -hazard_slope(-z); }
  /// Upper tail with one call each of exp, erfc and log.
  static Tail upper(double z) {
    if (z < 0) {
      const double mass = 1 - 0.5 * std::erfc(-z * numeric::sqrt_half), rate = std::exp(numeric::log_phi(z)) / mass;
      return {std::log1p(-0.5 * std::erfc(-z * numeric::sqrt_half)), rate, rate * (rate - z)};
    }
    const double scaled = numeric::erfcx(z * numeric::sqrt_half), rate = numeric::sqrt_2_over_pi / scaled;
    return {std::log(0.5 * scaled) - 0.5 * z * z, rate, rate * (z < 3 ? rate - z : numeric::normal_hazard_excess(z))};
  }
  static Tail lower(double z) {
    const Tail mirrored = upper(-z);
    return {mirrored.log_mass, mirrored.rate, -mirrored.rate_slope};
  }
  static double log_survival_ratio(double c, double e) { return numeric::log_normal_survival_ratio(c, e); }
  static double log_density_ratio(double z, double e) { return -0.5 * (z - e) * (z + e); }
  /// log E exp(sigma W), its slope and its curvature in sigma.
  static double log_mean_factor(double sigma) { return 0.5 * sigma * sigma; }
  static double log_mean_factor_slope(double sigma) { return sigma; }
  static double log_mean_factor_curve(double) { return 1; }
  static constexpr double mean = 0, median = 0, variance = 1, low_z = -9, high_z = 9,
                          least_sigma_without_mean = std::numeric_limits<double>::infinity();
};

/// W = log Exp(1), the smallest extreme value: Weibull times of shape 1 / sigma.
struct GumbelMinLaw {
  static double log_density(double z) { return z - std::exp(z); }
  static double score(double z) { return -std::expm1(z); }
  static double score_slope(double z) { return -std::exp(z); }
  static double log_cdf(double z) { return numeric::log1mexp(std::exp(z)); }
  static double log_survival(double z) { return -std::exp(z); }
  static double hazard(double z) { return std::exp(z); }
  static double hazard_slope(double z) { return std::exp(z); }
  static double reversed_hazard(double z) {
    const double e = std::exp(z);
    return e < 1e-300 ? 1 : (e > 700 ? 0 : e / std::expm1(e));
  }
  static double reversed_hazard_slope(double z) {
    const double r = reversed_hazard(z);
    const double e = std::exp(z);
    // score - r = 1 - e - e / (exp(e) - 1), which is -e / 2 + ... for small e.
    const double excess = e < 1e-3 ? -0.5 * e - e * e / 12 : 1 - e - r;
    return r * excess;
  }
  static Tail upper(double z) {
    const double e = std::exp(z);
    return {-e, e, e};
  }
  static Tail lower(double z) { return {log_cdf(z), reversed_hazard(z), reversed_hazard_slope(z)}; }
  static double log_survival_ratio(double c, double e) { return -std::exp(e) * std::expm1(c - e); }
  static double log_density_ratio(double z, double e) { return (z - e) - std::exp(e) * std::expm1(z - e); }
  static double log_mean_factor(double sigma) { return std::lgamma(1 + sigma); }
  static double log_mean_factor_slope(double sigma) { return boost::math::digamma(1 + sigma); }
  static double log_mean_factor_curve(double sigma) { return boost::math::trigamma(1 + sigma); }
  static constexpr double mean = -0.57721566490153286061, median = -0.36651292058166432701,
                          variance = 1.6449340668482264365, low_z = -40, high_z = 4,
                          least_sigma_without_mean = std::numeric_limits<double>::infinity();
};

/// W standard logistic: log-logistic times.
struct LogisticLaw {
  static double log_density(double z) { return -numeric::softplus(z) - numeric::softplus(-z); }
  static double score(double z) { return -std::tanh(0.5 * z); }
  static double score_slope(double z) { return -2 * numeric::logistic(z) * numeric::logistic(-z); }
  static double log_cdf(double z) { return -numeric::softplus(-z); }
  static double log_survival(double z) { return -numeric::softplus(z); }
  static double hazard(double z) { return numeric::logistic(z); }
  static double hazard_slope(double z) { return numeric::logistic(z) * numeric::logistic(-z); }
  static double reversed_hazard(double z) { return numeric::logistic(-z); }
  static double reversed_hazard_slope(double z) { return -hazard_slope(z); }
  static Tail upper(double z) {
    const double p = numeric::logistic(z);
    return {-numeric::softplus(z), p, p * numeric::logistic(-z)};
  }
  static Tail lower(double z) {
    const double p = numeric::logistic(-z);
    return {-numeric::softplus(-z), p, -p * numeric::logistic(z)};
  }
  static double log_survival_ratio(double c, double e) {
    return c - e > 500 ? log_survival(c) - log_survival(e) : -std::log1p(numeric::logistic(e) * std::expm1(c - e));
  }
  static double log_density_ratio(double z, double e) {
    const double d = z - e;
    if (std::abs(d) > 500) return log_density(z) - log_density(e);
    return d - 2 * std::log1p(numeric::logistic(e) * std::expm1(d));
  }
  static double log_mean_factor(double sigma) {
    if (sigma >= least_sigma_without_mean) return std::numeric_limits<double>::infinity();
    return std::log(pi * sigma / std::sin(pi * sigma));
  }
  static double log_mean_factor_slope(double sigma) { return 1 / sigma - pi / std::tan(pi * sigma); }
  static double log_mean_factor_curve(double sigma) {
    const double sine = std::sin(pi * sigma);
    return pi * pi / (sine * sine) - 1 / (sigma * sigma);
  }
  static constexpr double pi = 3.14159265358979323846;
  static constexpr double mean = 0, median = 0, variance = 3.2898681336964528729, low_z = -40, high_z = 40,
                          least_sigma_without_mean = 1;
};

}  // namespace moltspan
