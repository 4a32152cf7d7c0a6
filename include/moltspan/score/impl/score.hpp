#pragma once

#include <algorithm>
#include <boost/math/quadrature/gauss_kronrod.hpp>
#include <boost/math/quadrature/tanh_sinh.hpp>
#include <boost/math/special_functions/owens_t.hpp>
#include <cmath>
#include <limits>
#include <map>
#include <numeric>
#include <sstream>
#include <stdexcept>

#include "moltspan/config.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/quadrature.hpp"
#include "moltspan/score/impl/checked.hpp"
#include "moltspan/score/score.hpp"

namespace moltspan {
namespace detail_score {

/// Integral of any function over [low, high], cut into pieces so that narrow features are seen.
inline double integrate_adaptively(const std::function<double(double)>& f, double low, double high) {
  if (!(high > low)) return 0;
  constexpr int pieces = 8;
  constexpr unsigned depth = 10;
  const double width = (high - low) / pieces;
  double sum = 0;
  for (int k = 0; k < pieces; ++k)
    sum += boost::math::quadrature::gauss_kronrod<double, 31>::integrate(f, low + k * width, low + (k + 1) * width,
                                                                         depth, 1e-10);
  return sum;
}

/// Integral of a function that is smooth on the scale `step`: Gauss-Legendre, 16 nodes on every piece of at most that
/// length.
template <class F>
double integrate_smooth(const F& f, double low, double high, double step) {
  if (!(high > low)) return 0;
  const int pieces = static_cast<int>(std::clamp(std::ceil((high - low) / step), 4.0, 200.0));
  const double half = 0.5 * (high - low) / pieces;
  const auto& rule = numeric::gauss_legendre(16);
  double sum = 0;
  for (int k = 0; k < pieces; ++k)
    for (int i = 0; i < 16; ++i) sum += rule.weights[i] * f(low + half * (2 * k + 1 + rule.nodes[i]));
  return half * sum;
}

/// int_elapsed^y F^2 + int_y^c S^2, over log t.
inline double crps_by_quadrature(const Checked& forecast, double y, double censored_at) {
  const double log_end = std::min(forecast.log_high(), std::log(censored_at));
  const double log_y = std::log(std::min(y, censored_at));
  const double step = 1.5 * *std::min_element(forecast.mixture.sd_log.begin(), forecast.mixture.sd_log.end());
  const auto square = [](double p) { return p * p; };
  const auto below = [&](double x) { return square(forecast.cdf(std::exp(x))) * std::exp(x); };
  const auto above = [&](double x) { return square(forecast.survival(std::exp(x))) * std::exp(x); };
  const double log_high = forecast.log_high(), log_low = forecast.log_low();
  double score = integrate_smooth(below, log_low, std::min(log_y, log_high), step) +
                 integrate_smooth(above, std::max(log_y, log_low), log_end, step);
  if (log_y > log_high) score += std::exp(log_y) - std::exp(log_high);                                 // F is 1 there
  if (log_y < log_low) score += std::exp(std::min(log_low, std::log(censored_at))) - std::exp(log_y);  // S is 1 there
  return score;
}

inline double lognormal_mean(double mean_log, double sd_log) { return std::exp(mean_log + 0.5 * sd_log * sd_log); }

/// Owen's T for any a, infinite too.
inline double owens_t(double h, double a) {
  if (std::isinf(a)) return std::copysign(0.5 * Phi(-std::abs(h)), a);
  return boost::math::owens_t(h, a);
}

/// Second argument of Owen's T in the bivariate distribution function; h = 0 gives its limit.
inline double owens_slope(double h, double k, double rho) {
  const double top = k - rho * h, bottom = h * std::sqrt((1 - rho) * (1 + rho));
  if (bottom == 0) return std::copysign(infinity, top);
  return top / bottom;
}

}  // namespace detail_score

MOLTSPAN_INLINE double bivariate_normal_cdf(double h, double k, double rho) {
  detail_score::require(rho > -1 && rho < 1, "bivariate_normal_cdf", "rho", rho, "it has to lie between -1 and 1");
  detail_score::require(!std::isnan(h), "bivariate_normal_cdf", "h", h, "it has to be a number");
  detail_score::require(!std::isnan(k), "bivariate_normal_cdf", "k", k, "it has to be a number");
  h += 0.0;  // -0 would turn the sign of a limit
  k += 0.0;
  if (h == -detail_score::infinity || k == -detail_score::infinity) return 0;
  if (h == detail_score::infinity) return numeric::Phi(k);
  if (k == detail_score::infinity) return numeric::Phi(h);
  if (h == 0 && k == 0) return 0.25 + std::asin(rho) / (2 * 3.14159265358979323846);
  const bool same_side = h * k > 0 || (h * k == 0 && h + k >= 0);
  return 0.5 * (numeric::Phi(h) + numeric::Phi(k)) - detail_score::owens_t(h, detail_score::owens_slope(h, k, rho)) - detail_score::owens_t(k, detail_score::owens_slope(k, h, rho)) -
         (same_side ? 0 : 0.5);
}

MOLTSPAN_INLINE double crps_lognormal(double y_days, double mean_log, double sd_log) {
  detail_score::require_event("crps_lognormal", y_days);
  detail_score::require_lognormal("crps_lognormal", mean_log, sd_log);
  const double z = (std::log(y_days) - mean_log) / sd_log;
  // 2 F - 1 and Phi + Phi - 1 as error functions, so that small terms keep their digits.
  const double mean = detail_score::lognormal_mean(mean_log, sd_log);
  return y_days * std::erf(z * detail_score::sqrt_half) - mean * (std::erf((z - sd_log) * detail_score::sqrt_half) + std::erf(sd_log / 2));
}

MOLTSPAN_INLINE double crps_lognormal_truncated(double y_days, double mean_log, double sd_log, double elapsed_days) {
  constexpr const char* here = "crps_lognormal_truncated";
  const detail_score::Checked forecast(here, {{1}, {mean_log}, {sd_log}, elapsed_days});
  detail_score::require_event(here, y_days);
  detail_score::require(y_days >= elapsed_days, here, "y_days", y_days, "the event must not lie before elapsed_days");
  if (elapsed_days == 0) return crps_lognormal(y_days, mean_log, sd_log);
  const double z_elapsed = forecast.z_elapsed[0], beyond = numeric::Phi(-z_elapsed);
  if (beyond < 1e-3) return detail_score::crps_by_quadrature(forecast, y_days, detail_score::infinity);
  const double mean = detail_score::lognormal_mean(mean_log, sd_log), z = forecast.z(0, y_days);
  const double partial = mean * (numeric::Phi(z - sd_log) - numeric::Phi(z_elapsed - sd_log)) / beyond;
  const double pair = mean * bivariate_normal_cdf(sd_log - z_elapsed, -sd_log * detail_score::sqrt_half, -detail_score::sqrt_half);
  return y_days * (2 * forecast.cdf(y_days) - 1) - 2 * partial + 2 * pair / (beyond * beyond);
}

MOLTSPAN_INLINE double crps_lognormal_censored(double y_days, double mean_log, double sd_log, double censored_at_days) {
  constexpr const char* here = "crps_lognormal_censored";
  detail_score::require_event(here, y_days);
  detail_score::require_lognormal(here, mean_log, sd_log);
  detail_score::require(censored_at_days > 0, here, "censored_at_days", censored_at_days, "it has to be positive");
  if (std::isinf(censored_at_days)) return crps_lognormal(y_days, mean_log, sd_log);
  const double c = censored_at_days, y = std::min(y_days, c), mean = detail_score::lognormal_mean(mean_log, sd_log);
  const double zc = (std::log(c) - mean_log) / sd_log, zy = (std::log(y) - mean_log) / sd_log;
  const auto cdf_integral = [&](double t, double z) { return t * numeric::Phi(z) - mean * numeric::Phi(z - sd_log); };
  // int_0^c F S = E[min(T, c)] - E[min(T, T', c)].
  const double mean_min = mean * numeric::Phi(zc - sd_log) + c * numeric::Phi(-zc);
  const double first_of_two = 2 * mean * bivariate_normal_cdf(zc - sd_log, -sd_log * detail_score::sqrt_half, detail_score::sqrt_half);
  const double mean_min_of_two = first_of_two + c * numeric::Phi(-zc) * numeric::Phi(-zc);
  const double within = mean_min - mean_min_of_two;
  // int_0^y F + int_y^c S - int_0^c F S.
  return cdf_integral(y, zy) + (c - y) - (cdf_integral(c, zc) - cdf_integral(y, zy)) - within;
}

MOLTSPAN_INLINE double LogNormalMixture::cdf(double t_days) const { return detail_score::Checked("cdf", *this).cdf(t_days); }

MOLTSPAN_INLINE double LogNormalMixture::survival(double t_days) const { return detail_score::Checked("survival", *this).survival(t_days); }

MOLTSPAN_INLINE double LogNormalMixture::log_density(double t_days) const { return detail_score::Checked("log_density", *this).log_density(t_days); }

namespace detail_score {

/// E|X - X'| of two log-normals: sum over both of mean (2 numeric::Phi(d) - 1), d = (mean_i - mean_j + sd_i^2) / sqrt(sd_i^2 +
/// sd_j^2).
inline double mean_difference(double mean_i, double sd_i, double mean_j, double sd_j) {
  const double spread = std::hypot(sd_i, sd_j);
  const double i_larger = std::erf((mean_i - mean_j + sd_i * sd_i) / spread * sqrt_half);
  const double j_larger = std::erf((mean_j - mean_i + sd_j * sd_j) / spread * sqrt_half);
  return lognormal_mean(mean_i, sd_i) * i_larger + lognormal_mean(mean_j, sd_j) * j_larger;
}

/// E|X - y| of a log-normal.
inline double mean_distance(double y, double mean_log, double sd_log) {
  const double z = (std::log(y) - mean_log) / sd_log;
  return y * std::erf(z * sqrt_half) - lognormal_mean(mean_log, sd_log) * std::erf((z - sd_log) * sqrt_half);
}

inline double crps_closed(double y, const Checked& f) {
  const auto& [weight, mean, sd, elapsed] = f.mixture;
  double distance = 0, pairs = 0;
  for (std::size_t i = 0; i < weight.size(); ++i) {
    const double wi = f.weight_beyond[i];
    distance += wi * mean_distance(y, mean[i], sd[i]);
    pairs += wi * wi * mean_difference(mean[i], sd[i], mean[i], sd[i]) / 2;
    for (std::size_t j = 0; j < i; ++j)
      pairs += wi * f.weight_beyond[j] * mean_difference(mean[i], sd[i], mean[j], sd[j]);
  }
  return distance - pairs;
}

}  // namespace detail_score

MOLTSPAN_INLINE double crps_lognormal_mixture(double y_days, const LogNormalMixture& forecast) {
  constexpr const char* here = "crps_lognormal_mixture";
  const detail_score::Checked checked(here, forecast);
  detail_score::require_event(here, y_days);
  detail_score::require(y_days >= forecast.elapsed_days, here, "y_days", y_days, "the event must not lie before elapsed_days");
  if (forecast.elapsed_days == 0) return detail_score::crps_closed(y_days, checked);
  if (forecast.weight.size() == 1)
    return crps_lognormal_truncated(y_days, forecast.mean_log[0], forecast.sd_log[0], forecast.elapsed_days);
  return detail_score::crps_by_quadrature(checked, y_days, detail_score::infinity);
}

MOLTSPAN_INLINE double crps_lognormal_mixture_censored(double y_days, const LogNormalMixture& forecast, double censored_at_days) {
  constexpr const char* here = "crps_lognormal_mixture_censored";
  const detail_score::Checked checked(here, forecast);
  detail_score::require_event(here, y_days);
  detail_score::require(y_days >= forecast.elapsed_days, here, "y_days", y_days, "the event must not lie before elapsed_days");
  detail_score::require(censored_at_days > forecast.elapsed_days, here, "censored_at_days", censored_at_days,
          "it has to lie after elapsed_days");
  return detail_score::crps_by_quadrature(checked, y_days, censored_at_days);
}

MOLTSPAN_INLINE double crps_from_cdf(double y, const std::function<double(double)>& cdf, double low, double high) {
  detail_score::require(std::isfinite(y), "crps_from_cdf", "y", y, "it has to be a finite number");
  detail_score::require(std::isfinite(low) && std::isfinite(high) && low < high, "crps_from_cdf", "high", high,
          "low and high have to be finite and in that order");
  const double cut = std::clamp(y, low, high);
  const auto below = [&](double t) { return std::pow(cdf(t), 2); };
  const auto above = [&](double t) { return std::pow(1 - cdf(t), 2); };
  return detail_score::integrate_adaptively(below, low, cut) + detail_score::integrate_adaptively(above, cut, high) + std::max(0.0, low - y);
}

MOLTSPAN_INLINE double crps_from_quantiles(double y, const std::function<double(double)>& quantile_function) {
  // Nodes crowd so near the ends that p rounds to 0 or 1, where a quantile is infinite.
  constexpr double smallest = std::numeric_limits<double>::min(),
                   largest = 1 - std::numeric_limits<double>::epsilon() / 2;
  const auto quantile = [&](double p) { return quantile_function(std::clamp(p, smallest, largest)); };
  detail_score::require(std::isfinite(y), "crps_from_quantiles", "y", y, "it has to be a finite number");
  double low = 0, high = 1;
  for (int step = 0; step < 60; ++step) {
    const double middle = 0.5 * (low + high);
    (quantile(middle) <= y ? low : high) = middle;
  }
  // Where a few 1e-16 are left on one side of the cut, quadrature has nothing to stand on and the part is 0.
  boost::math::quadrature::tanh_sinh<double> rule;
  const auto below = [&](double p) { return p * (y - quantile(p)); };
  const auto above = [&](double p, double to_end) { return (to_end > 0 ? to_end : 1 - p) * (quantile(p) - y); };
  const double cut = 0.5 * (low + high);
  double sum = 0;
  if (cut > 1e-15) sum += rule.integrate(below, 0.0, cut, 1e-11);
  if (cut < 1 - 1e-15) sum += rule.integrate(above, cut, 1.0, 1e-11);
  return 2 * sum;
}

MOLTSPAN_INLINE double log_score(const LogNormalMixture& forecast, double min_days, double max_days) {
  const detail_score::Checked checked("log_score", forecast);
  detail_score::require(min_days >= 0, "log_score", "min_days", min_days, "it has to be 0 or more");
  if (std::isnan(max_days) || max_days == detail_score::infinity) return -checked.log_survival(min_days);
  detail_score::require_range("log_score", min_days, max_days);
  return max_days == min_days ? -checked.log_density(min_days) : -std::log(checked.between(min_days, max_days));
}

MOLTSPAN_INLINE double interval_score(double y, double lower, double upper, double level) {
  detail_score::require(level > 0 && level < 1, "interval_score", "level", level, "it has to lie between 0 and 1");
  detail_score::require(upper >= lower, "interval_score", "upper", upper, "it must not lie below lower");
  detail_score::require(!std::isnan(y), "interval_score", "y", y, "it has to be a number");
  return (upper - lower) + 2 / (1 - level) * (std::max(0.0, lower - y) + std::max(0.0, y - upper));
}

MOLTSPAN_INLINE Pit pit(const LogNormalMixture& forecast, double min_days, double max_days) {
  const detail_score::Checked checked("pit", forecast);
  if (std::isnan(max_days)) max_days = detail_score::infinity;
  detail_score::require_range("pit", min_days, max_days);
  return {checked.cdf(min_days), checked.cdf(max_days)};
}

MOLTSPAN_INLINE std::vector<double> pit_histogram(std::span<const Pit> pits, int bins) {
  detail_score::require(bins >= 1, "pit_histogram", "bins", bins, "there has to be at least one");
  std::vector<double> mass(bins, 0.0);
  for (const Pit& p : pits) {
    detail_score::require(p.low >= 0 && p.high <= 1 && p.low <= p.high, "pit_histogram", "pits", p.low,
            "both ends lie in [0, 1], in order");
    if (p.high == p.low) mass[std::min(bins - 1, static_cast<int>(p.low * bins))] += 1;
    if (p.high == p.low) continue;
    for (int k = 0; k < bins; ++k) {
      const double shared = std::min(p.high, (k + 1.0) / bins) - std::max(p.low, double(k) / bins);
      mass[k] += std::max(0.0, shared) / (p.high - p.low);
    }
  }
  for (double& m : mass) m /= std::max<std::size_t>(1, pits.size());
  return mass;
}

MOLTSPAN_INLINE double covered_share(const LogNormalMixture& forecast, double min_days, double max_days, double lower, double upper) {
  const detail_score::Checked checked("covered_share", forecast);
  if (std::isnan(max_days)) max_days = detail_score::infinity;
  detail_score::require_range("covered_share", min_days, max_days);
  detail_score::require(upper >= lower, "covered_share", "upper", upper, "it must not lie below lower");
  if (min_days == max_days) return min_days >= lower && min_days <= upper ? 1 : 0;
  const double low = std::max(min_days, lower), high = std::min(max_days, upper);
  if (low >= high) return 0;
  const double range = checked.between(min_days, max_days);
  if (range > 0) return std::min(1.0, checked.between(low, high) / range);
  return std::isinf(max_days) ? 0 : (high - low) / (max_days - min_days);
}

MOLTSPAN_INLINE ClusteredMean clustered_mean(std::span<const double> values, std::span<const int> cluster) {
  detail_score::require(!values.empty(), "clustered_mean", "values", 0, "there has to be at least one");
  detail_score::require(cluster.size() == values.size(), "clustered_mean", "cluster", double(cluster.size()),
          "it needs one code a value");
  for (double value : values)
    detail_score::require(std::isfinite(value), "clustered_mean", "values", value, "each has to be a finite number");
  ClusteredMean result;
  result.n = values.size();
  const double n = static_cast<double>(result.n);
  result.mean = std::accumulate(values.begin(), values.end(), 0.0) / n;
  std::map<int, double> sums;
  double squares = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const double d = values[i] - result.mean;
    squares += d * d;
    sums[cluster[i]] += d;
  }
  result.standard_error = n > 1 ? std::sqrt(squares / (n * (n - 1))) : std::numeric_limits<double>::quiet_NaN();
  result.n_clusters = sums.size();
  double between = 0;
  for (const auto& [code, sum] : sums) between += sum * sum;
  const double g = static_cast<double>(result.n_clusters);
  result.clustered_standard_error =
      g > 1 ? std::sqrt(g / (g - 1) * between) / n : std::numeric_limits<double>::quiet_NaN();
  return result;
}

}  // namespace moltspan
