#pragma once

#include <limits>

/// @file
/// What is known of the length of a stadium, and a term of its log-likelihood.
///
/// `log T = eta + sigma W`, W of one law. Log-likelihoods are densities of T on the time scale (Jacobian 1/t included), as in
/// the standard survival software. T in days.
///
/// What is known of T gives one term a record, with F the distribution function of T and S = 1 - F:
///   exact f(t); between F(max) - F(min); at least S(min); at most F(max). A start that is uniform over
///   `start_range_days` is integrated out (doubly censored). Late entry divides by S(entry), or, under `renewal`, by
///   E[T].
namespace moltspan {

/// How a record that was watched only from age `entry_days` on is counted. `conditional`: divided by S(entry | animal);
/// `marginal`: the animal's integral is divided by that of its S(entry | animal); `renewal`: divided by E[T | animal],
/// right when the animal was picked at a random moment of its life.
enum class Truncation { conditional, marginal, renewal };

/// What is known of the length of one stadium, in days; as made, nothing.
struct StadiumBounds {
  double min_days = 0;  ///< 0 = no lower bound
  /// NaN = no upper bound; equal to min_days = exact.
  double max_days = std::numeric_limits<double>::quiet_NaN();
  /// R: the start is uniform over R days; min_days counts from its end, max_days from its begin.
  double start_range_days = 0;
  double entry_days = 0;  ///< counts from the end of the start range, as min_days does
  /// W: width of the end range; 0 = max_days - min_days - R, or not known where min_days is 0.
  double end_range_days = 0;
};

/// Value and derivatives of one record's log-likelihood in its linear predictor eta and s = log sigma.
struct StadiumTerm {
  double value = 0;
  double d_eta = 0, d_s = 0;
  double d_eta_eta = 0, d_eta_s = 0, d_s_s = 0;
};

}  // namespace moltspan
