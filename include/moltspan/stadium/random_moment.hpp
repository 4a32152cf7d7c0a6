#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <cstdint>
#include <stdexcept>
#include <type_traits>
#include <utility>
#include <vector>

#include "moltspan/numeric/quadrature.hpp"
#include "moltspan/stadium/predictive.hpp"

/// @file
/// A stadium that was met at a random moment: what is left of it outlasts an age with probability int_age^inf S(t) dt / E[T].
/// Where the law has no mean at a sigma (log-logistic from 1 on) that is no distribution: sigma is then taken as 5 % below
/// the least one without a mean, here alone; everywhere else such a mean is infinite.
namespace moltspan {

/// The chance for the log-normal, eta integrated out: closed form.
inline double lognormal_rest(const PredictiveComponent& p, double age_days) {
  if (age_days <= 0) return 1;
  const double log_age = std::log(age_days), v = p.variance, s2 = p.sigma * p.sigma, sd = std::sqrt(v + s2);
  const double first = numeric::Phi((p.mean + s2 - log_age) / sd);
  const double second = std::exp(log_age - p.mean + 0.5 * v - 0.5 * s2) * numeric::Phi((p.mean - v - log_age) / sd);
  return std::max(0.0, first - second);
}

/// Where S(t) t counts for nothing any more, in z.
template <StadiumLaw Law>
double rest_end_z() {
  if constexpr (std::is_same_v<Law, GumbelMinLaw>) return 4.5;
  if constexpr (std::is_same_v<Law, LogisticLaw>) return 30;
  return Law::high_z;
}

/// The chance at one eta: Gauss and Legendre over the age, on the log scale.
template <StadiumLaw Law>
double rest_at(double eta, double given_sigma, double age_days) {
  constexpr int rest_nodes = 24;
  const double sigma = std::min(given_sigma, 0.95 * Law::least_sigma_without_mean);
  const double mean = std::exp(eta + Law::log_mean_factor(sigma));
  const double top = eta + rest_end_z<Law>() * sigma, low = std::max(std::log(std::max(age_days, 1e-9)), eta - 12);
  double sum = age_days <= 0 ? std::exp(low) : std::max(0.0, std::exp(low) - age_days);
  const auto& rule = numeric::gauss_legendre(rest_nodes);
  const double panel = (top - low) / 3;
  for (int k = 0; k < 3 && panel > 0; ++k)
    for (int i = 0; i < rest_nodes; ++i) {
      const double log_t = low + panel * (k + 0.5 + 0.5 * rule.nodes[i]);
      sum += 0.5 * panel * rule.weights[i] * std::exp(log_t) * std::exp(Law::log_survival((log_t - eta) / sigma));
    }
  return std::min(1.0, sum / mean);
}

/// int_age^inf S / E[T] of a component.
template <StadiumLaw Law>
double rest_of_stadium(const PredictiveComponent& component, double age_days) {
  if constexpr (std::is_same_v<Law, NormalLaw>) {
    return lognormal_rest(component, age_days);
  } else {
    const auto& rule = numeric::gauss_hermite(predictor_nodes);
    double sum = 0;
    for (int i = 0; i < predictor_nodes; ++i)
      sum += rule.weights[i] *
             rest_at<Law>(component.mean + std::sqrt(component.variance) * rule.nodes[i], component.sigma, age_days);
    return sum;
  }
}

/// What is left of a stadium that was met at a random moment and has lasted `watched_days` since. Throws std::domain_error for
/// a law that has no mean at any sigma.
template <StadiumLaw Law>
class RandomMoment {
 public:
  RandomMoment(std::vector<PredictiveComponent> components, double watched_days)
      : components_(std::move(components)), watched_days_(watched_days) {
    if (Law::least_sigma_without_mean <= 0)
      throw std::domain_error("a stadium met at a random moment: this law has no mean length, so that no moment is a random one");
    at_now_ = std::max(rest(watched_days_), 1e-300);
  }

  /// P(no molt within `ahead_days` from now).
  double survival(double ahead_days) const { return std::min(rest(watched_days_ + std::max(ahead_days, 0.0)) / at_now_, 1.0); }
  /// Chance of no molt within the time watched, as it stood at its beginning.
  double survival_at_start() const { return std::min(at_now_, 1.0); }

  Eigen::VectorXd quantiles_days(const Eigen::VectorXd& probabilities) const {
    return probabilities.unaryExpr([this](double p) { return quantile(p); });
  }

 private:
  double rest(double age_days) const {
    double sum = 0;
    for (const PredictiveComponent& c : components_) sum += c.weight * rest_of_stadium<Law>(c, age_days);
    return sum;
  }

  double quantile(double p) const {
    const auto excess = [&](double x) { return 1 - p - survival(x); };
    double width = 8;
    while (excess(width) < 0 && width < 1e7) width *= 1.7;
    if (excess(width) < 0) return width;
    std::uintmax_t steps = 60;
    const auto root = boost::math::tools::toms748_solve(excess, 0.0, width, boost::math::tools::eps_tolerance<double>(40), steps);
    return 0.5 * (root.first + root.second);
  }

  std::vector<PredictiveComponent> components_;
  double watched_days_, at_now_ = 1;
};

}  // namespace moltspan
