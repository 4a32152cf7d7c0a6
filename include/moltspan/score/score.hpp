#pragma once

#include <functional>
#include <span>
#include <vector>

/// @file
/// How good a forecast was: proper scores, calibration and coverage, on continuous days.
///
/// All scores are negatively oriented (smaller is better). Arguments outside their range throw std::invalid_argument
/// that names the function, the argument, its value and the rule.
namespace moltspan {

/// CRPS of a log-normal forecast, log T ~ N(mean_log, sd_log^2), for an event at `y_days`; days.
/// y (2 F(y) - 1) - 2 m [Phi(z - s) + Phi(s / sqrt 2) - 1], m = exp(mean_log + s^2 / 2), z = (log y - mean_log) / s.
double crps_lognormal(double y_days, double mean_log, double sd_log);

/// CRPS of a log-normal forecast given T > `elapsed_days`, with y_days >= elapsed_days. Closed form through Owen's T;
/// far in the tail (chance of surviving `elapsed_days` under .001), where that form loses digits, by quadrature.
double crps_lognormal_truncated(double y_days, double mean_log, double sd_log, double elapsed_days);

/// CRPS of a log-normal forecast of min(T, c), scored at min(y, c), with c = `censored_at_days`: a proper score for an
/// event that is only watched for until c (threshold-weighted CRPS). Closed form through Owen's T.
double crps_lognormal_censored(double y_days, double mean_log, double sd_log, double censored_at_days);

/// A forecast of a stadium's length: a finite mixture of log-normals, given that T > `elapsed_days`.
struct LogNormalMixture {
  std::vector<double> weight;    ///< not negative; scaled to add up to 1
  std::vector<double> mean_log;  ///< log days
  std::vector<double> sd_log;    ///< positive
  double elapsed_days = 0;       ///< 0 = not truncated

  /// P(T <= t | T > elapsed_days), exact in both tails.
  double cdf(double t_days) const;
  /// P(T > t | T > elapsed_days), exact in both tails.
  double survival(double t_days) const;
  /// log of the density of T at t, given T > elapsed_days; -inf at and below elapsed_days.
  double log_density(double t_days) const;
};

/// CRPS of a mixture. E|T - y| - E|T - T'| / 2 in closed form where it is not truncated; by quadrature (relative error
/// under 1e-10) where it is.
double crps_lognormal_mixture(double y_days, const LogNormalMixture& forecast);

/// CRPS of a mixture's min(T, c) scored at min(y, c), by quadrature.
double crps_lognormal_mixture_censored(double y_days, const LogNormalMixture& forecast, double censored_at_days);

/// CRPS of any distribution function, int (F(t) - 1(t >= y))^2 dt over [low, high], which has to hold all of its mass
/// and y; adaptive Gauss-Kronrod quadrature, cut at y. `high` may be the censoring time: then it is the censored score.
double crps_from_cdf(double y, const std::function<double(double)>& cdf, double low, double high);

/// CRPS of any quantile function, 2 int_0^1 (1(y < q(p)) - p) (q(p) - y) dp; tanh-sinh quadrature, cut where q passes
/// y.
double crps_from_quantiles(double y, const std::function<double(double)>& quantile);

/// -log density at y; with `max_days` > `min_days` -log P(min < T <= max); with `max_days` NaN or infinite -log P(T >
/// min).
double log_score(const LogNormalMixture& forecast, double min_days, double max_days);

/// Interval score of a central band of that level (Winkler 1972): its width, plus 2 / (1 - level) for each day y lies
/// outside.
double interval_score(double y, double lower, double upper, double level);

/// Probability integral transform of an event known to lie in (min_days, max_days]: both ends; equal for an exact
/// event.
struct Pit {
  double low = 0;
  double high = 1;

  /// The point a share `u` of the way along; with u uniform, the uniformised PIT.
  double at(double u) const { return low + u * (high - low); }
};

Pit pit(const LogNormalMixture& forecast, double min_days, double max_days);

/// Mean mass that the PITs put into each of `bins` equal cells of [0, 1]; all 1 / bins when the forecasts are
/// calibrated. (Non-randomised histogram: Czado, Gneiting & Held 2009, Biometrics 65:1254.)
std::vector<double> pit_histogram(std::span<const Pit> pits, int bins);

/// Share of a band in the truth: 1 or 0 for an exact event; for an event known to lie in (min_days, max_days] the
/// predictive mass of the part of that range inside [lower, upper] over the predictive mass of the range. Where the
/// range has no mass at all, the share of its length.
double covered_share(const LogNormalMixture& forecast, double min_days, double max_days, double lower, double upper);

/// A mean with two standard errors: for independent values, and for values that are alike within a cluster (an animal).
struct ClusteredMean {
  double mean = 0;
  double standard_error = 0;  ///< sqrt(sum (v - mean)^2 / (n (n - 1)))
  double clustered_standard_error =
      0;  ///< sqrt(G / (G - 1) sum_g (sum_(i in g) (v_i - mean))^2) / n; NaN with one cluster
  std::size_t n = 0;
  std::size_t n_clusters = 0;
};

/// Mean of the values and its errors. `cluster`: one code a value, any integers.
ClusteredMean clustered_mean(std::span<const double> values, std::span<const int> cluster);

/// Distribution function of the bivariate standard normal, P(X <= h, Y <= k) at correlation `rho` in (-1, 1), through
/// Owen's T (Owen 1956, Annals of Mathematical Statistics 27:1075). h and k may be infinite.
double bivariate_normal_cdf(double h, double k, double rho);

}  // namespace moltspan

#ifndef MOLTSPAN_COMPILED
#include "moltspan/score/impl/score.hpp"
#endif
