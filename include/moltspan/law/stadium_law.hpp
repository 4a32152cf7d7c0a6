#pragma once

#include <concepts>

#include "moltspan/law/tail.hpp"

namespace moltspan {

/// A distribution of W in `log T = eta + sigma W`: what the terms, chains and forecasts of stadium lengths ask of it. All
/// functions are of one standardised value z.
///
/// `log_density` with its slope `score` and curvature `score_slope`; `log_cdf`, `log_survival`; `hazard` f/S and
/// `reversed_hazard` f/F; `upper` and `lower`, the tails with these rates and their slopes; two ratios that stay exact where
/// both parts underflow, `log_survival_ratio(c, e)` = log S(c)/S(e) and `log_density_ratio(z, e)` = log f(z)/f(e);
/// `log_mean_factor(sigma)` = log E exp(sigma W) with slope and curvature in sigma, infinite from
/// `least_sigma_without_mean` on; `mean`, `median` and `variance` of W; `low_z` and `high_z`, which hold all of its mass
/// that a double shows beside 1. `AutoLaw` makes all of it of three functions.
template <typename L>
concept StadiumLaw = requires(double z) {
  { L::log_density(z) } -> std::convertible_to<double>;
  { L::score(z) } -> std::convertible_to<double>;
  { L::score_slope(z) } -> std::convertible_to<double>;
  { L::log_cdf(z) } -> std::convertible_to<double>;
  { L::log_survival(z) } -> std::convertible_to<double>;
  { L::hazard(z) } -> std::convertible_to<double>;
  { L::reversed_hazard(z) } -> std::convertible_to<double>;
  { L::upper(z) } -> std::same_as<Tail>;
  { L::lower(z) } -> std::same_as<Tail>;
  { L::log_survival_ratio(z, z) } -> std::convertible_to<double>;
  { L::log_density_ratio(z, z) } -> std::convertible_to<double>;
  { L::log_mean_factor(z) } -> std::convertible_to<double>;
  { L::log_mean_factor_slope(z) } -> std::convertible_to<double>;
  { L::log_mean_factor_curve(z) } -> std::convertible_to<double>;
  { L::mean } -> std::convertible_to<double>;
  { L::median } -> std::convertible_to<double>;
  { L::variance } -> std::convertible_to<double>;
  { L::low_z } -> std::convertible_to<double>;
  { L::high_z } -> std::convertible_to<double>;
  { L::least_sigma_without_mean } -> std::convertible_to<double>;
};

}  // namespace moltspan
