#pragma once

namespace moltspan {

/// log of the chance that N(mean, sd^2) lies between two bounds (which may be infinite), and its first two derivatives
/// in the mean.
struct IntervalMass {
  double log_mass = 0, slope = 0, curvature = 0;
};

IntervalMass interval_mass(double lower, double upper, double mean, double sd);

/// A Gaussian stand-in for what a rounded reading says of its predictor: exp(-precision eta^2 / 2 + pull eta).
struct RoundingSite {
  double precision = 0, pull = 0;
};

/// What is known of a predictor without one site.
struct Cavity {
  double mean = 0, variance = 0;
  bool proper = false;
};

Cavity without_site(const RoundingSite& site, double mean, double variance);

/// The site that gives the moments of the reading in its cavity, for the chance `mass` of the interval seen from there.
RoundingSite matched_site(const Cavity& cavity, const IntervalMass& mass);

/// What the log marginal gains beyond the Gaussian integral with `site`.
double site_correction(const RoundingSite& site, const Cavity& cavity, double log_mass);

}  // namespace moltspan
