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
#include "moltspan/score/score.hpp"

namespace moltspan {
namespace detail_score {

using numeric::log_normal_survival_ratio;
using numeric::log_Phi;
using numeric::log_phi;
using numeric::Phi;

inline constexpr double infinity = std::numeric_limits<double>::infinity();
inline constexpr double sqrt_half = numeric::sqrt_half;
/// Beyond that many standard deviations a normal tail holds 1e-12, and its square 1e-24.
inline constexpr double tail_sds = 7;

inline void require(bool holds, const char* function, const char* argument, double value, const char* rule) {
  if (holds) return;
  std::ostringstream message;
  message.precision(17);
  message << function << ": `" << argument << "` is " << value << ", but " << rule;
  throw std::invalid_argument(message.str());
}

inline void require_event(const char* function, double y_days) {
  require(y_days > 0 && std::isfinite(y_days), function, "y_days", y_days,
          "an event lies at a positive number of days");
}

inline void require_lognormal(const char* function, double mean_log, double sd_log) {
  require(std::isfinite(mean_log), function, "mean_log", mean_log, "it has to be a finite number");
  require(sd_log > 0 && std::isfinite(sd_log), function, "sd_log", sd_log, "it has to be positive and finite");
}

inline void require_range(const char* function, double min_days, double max_days) {
  require(min_days >= 0, function, "min_days", min_days, "it has to be 0 or more");
  require(max_days >= min_days, function, "max_days", max_days, "it must not lie before min_days");
}

/// A checked mixture, weights scaled to add up to 1, with the parts of S(elapsed) at hand.
struct Checked {
  explicit Checked(const char* function, const LogNormalMixture& forecast);

  double z(std::size_t i, double t) const { return (std::log(t) - mixture.mean_log[i]) / mixture.sd_log[i]; }
  double survival(double t) const;
  double cdf(double t) const;
  double between(double low, double high) const;
  double log_survival(double t) const;
  double log_density(double t) const;
  double log_low() const;
  double log_high() const;

  LogNormalMixture mixture;
  std::vector<double> weight_beyond;  ///< weights of the components given T > elapsed
  std::vector<double> z_elapsed;      ///< -inf where nothing has elapsed
};

inline Checked::Checked(const char* function, const LogNormalMixture& forecast) : mixture(forecast) {
  const std::size_t n = mixture.weight.size();
  require(n > 0, function, "weight", 0, "a mixture needs at least one component");
  require(mixture.mean_log.size() == n, function, "mean_log", double(mixture.mean_log.size()),
          "it needs one entry a weight");
  require(mixture.sd_log.size() == n, function, "sd_log", double(mixture.sd_log.size()), "it needs one entry a weight");
  require(mixture.elapsed_days >= 0 && std::isfinite(mixture.elapsed_days), function, "elapsed_days",
          mixture.elapsed_days, "it has to be 0 or more");
  for (std::size_t i = 0; i < n; ++i) {
    require_lognormal(function, mixture.mean_log[i], mixture.sd_log[i]);
    require(mixture.weight[i] >= 0 && std::isfinite(mixture.weight[i]), function, "weight", mixture.weight[i],
            "a weight is not negative");
  }
  std::vector<double> log_beyond(n);
  for (std::size_t i = 0; i < n; ++i) {
    z_elapsed.push_back(mixture.elapsed_days > 0 ? z(i, mixture.elapsed_days) : -infinity);
    log_beyond[i] = std::log(mixture.weight[i]) + (mixture.elapsed_days > 0 ? log_Phi(-z_elapsed[i]) : 0);
  }
  const double largest = *std::max_element(log_beyond.begin(), log_beyond.end());
  require(std::isfinite(largest), function, "weight", 0, "at least one weight has to be positive");
  for (double log_weight : log_beyond) weight_beyond.push_back(std::exp(log_weight - largest));
  const double total = std::accumulate(weight_beyond.begin(), weight_beyond.end(), 0.0);
  for (double& weight : weight_beyond) weight /= total;
}

/// S(z) / S(elapsed) of one component.
inline double survival_ratio(double z, double z_elapsed) {
  return std::isinf(z_elapsed) ? Phi(-z) : std::exp(log_normal_survival_ratio(z, z_elapsed));
}

/// 1 - S(z) / S(elapsed) without cancellation near the elapsed time.
inline double cdf_ratio(double z, double z_elapsed) {
  return std::isinf(z_elapsed) ? Phi(z) : -std::expm1(log_normal_survival_ratio(z, z_elapsed));
}

inline double Checked::survival(double t) const {
  if (t <= mixture.elapsed_days) return 1;
  if (std::isinf(t)) return 0;
  double sum = 0;
  for (std::size_t i = 0; i < weight_beyond.size(); ++i)
    sum += weight_beyond[i] * survival_ratio(z(i, t), z_elapsed[i]);
  return sum;
}

inline double Checked::cdf(double t) const {
  if (t <= mixture.elapsed_days) return 0;
  if (std::isinf(t)) return 1;
  double sum = 0;
  for (std::size_t i = 0; i < weight_beyond.size(); ++i) sum += weight_beyond[i] * cdf_ratio(z(i, t), z_elapsed[i]);
  return sum;
}

/// Mass of (low, high], by whichever tail does not cancel.
inline double Checked::between(double low, double high) const {
  return std::max(0.0, cdf(low) < 0.5 ? cdf(high) - cdf(low) : survival(low) - survival(high));
}

inline double Checked::log_survival(double t) const {
  if (t <= mixture.elapsed_days) return 0;
  double largest = -infinity;
  std::vector<double> part(weight_beyond.size());
  for (std::size_t i = 0; i < part.size(); ++i) {
    const double zi = z(i, t);
    part[i] = std::log(weight_beyond[i]) +
              (std::isinf(z_elapsed[i]) ? log_Phi(-zi) : log_normal_survival_ratio(zi, z_elapsed[i]));
    largest = std::max(largest, part[i]);
  }
  double sum = 0;
  for (double value : part) sum += std::exp(value - largest);
  return largest + std::log(sum);
}

inline double Checked::log_density(double t) const {
  if (t <= mixture.elapsed_days) return -infinity;
  double largest = -infinity;
  std::vector<double> part(weight_beyond.size());
  for (std::size_t i = 0; i < part.size(); ++i) {
    const double beyond = std::isinf(z_elapsed[i]) ? 0 : log_Phi(-z_elapsed[i]);
    part[i] = std::log(weight_beyond[i]) + log_phi(z(i, t)) - std::log(mixture.sd_log[i]) - beyond;
    largest = std::max(largest, part[i]);
  }
  double sum = 0;
  for (double value : part) sum += std::exp(value - largest);
  return largest + std::log(sum) - std::log(t);
}

/// log of a time before which there is no mass worth counting.
inline double Checked::log_low() const {
  if (mixture.elapsed_days > 0) return std::log(mixture.elapsed_days);
  double low = infinity;
  for (std::size_t i = 0; i < weight_beyond.size(); ++i)
    if (weight_beyond[i] > 0) low = std::min(low, mixture.mean_log[i] - tail_sds * mixture.sd_log[i]);
  return low;
}

/// log of a time after which S^2 adds nothing: z^2 - z_elapsed^2 = tail_sds^2 beyond the elapsed time.
inline double Checked::log_high() const {
  double high = -infinity;
  for (std::size_t i = 0; i < weight_beyond.size(); ++i)
    if (weight_beyond[i] > 0)
      high =
          std::max(high, mixture.mean_log[i] + mixture.sd_log[i] * std::hypot(tail_sds, std::max(0.0, z_elapsed[i])));
  return high;
}

}  // namespace detail_score
}  // namespace moltspan
