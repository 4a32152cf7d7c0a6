#include "numeric/rounding_site.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

constexpr double narrow = 1e-4;  ///< interval in sds of the predictor, under which density times width is exact enough

/// log(Phi(b) - Phi(a)) for a < b, in the tail where neither is near 1.
double log_interval(double a, double b) {
  if (a > 0) {
    std::swap(a, b);
    a = -a;
    b = -b;
  }
  const double log_b = numeric::log_Phi(b);
  if (!std::isfinite(a)) return log_b;
  return log_b + numeric::log1mexp(log_b - numeric::log_Phi(a));
}

}  // namespace

IntervalMass interval_mass(double lower, double upper, double mean, double sd) {
  const double a = (lower - mean) / sd, b = (upper - mean) / sd;
  if (b - a < narrow) {
    const double middle = 0.5 * (a + b);
    return {numeric::log_phi(middle) + std::log(b - a), middle / sd, -1 / (sd * sd)};
  }
  const double log_mass = log_interval(a, b);
  const double at_a = std::isfinite(a) ? std::exp(numeric::log_phi(a) - log_mass) : 0;
  const double at_b = std::isfinite(b) ? std::exp(numeric::log_phi(b) - log_mass) : 0;
  const double slope = (at_a - at_b) / sd;
  const double second = ((std::isfinite(a) ? a * at_a : 0) - (std::isfinite(b) ? b * at_b : 0)) / (sd * sd);
  return {log_mass, slope, second - slope * slope};
}

Cavity without_site(const RoundingSite& site, double mean, double variance) {
  const double free = 1 / variance - site.precision;
  if (!(free > 0)) return {};
  return {(mean / variance - site.pull) / free, 1 / free, true};
}

RoundingSite matched_site(const Cavity& cavity, const IntervalMass& mass) {
  const double shrink = std::max(1 + cavity.variance * mass.curvature, 1e-9);
  return {std::max(-mass.curvature, 0.0) / shrink, (mass.slope - cavity.mean * mass.curvature) / shrink};
}

double site_correction(const RoundingSite& site, const Cavity& cavity, double log_mass) {
  const double v = cavity.variance, m = cavity.mean, scale = 1 + site.precision * v;
  return log_mass - 0.5 * ((site.pull * (2 * m + site.pull * v) - site.precision * m * m) / scale - std::log(scale));
}

}  // namespace moltspan
