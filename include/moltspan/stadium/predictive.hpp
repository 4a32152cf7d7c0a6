#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <cstdint>
#include <type_traits>
#include <utility>
#include <vector>

#include "moltspan/law/stadium_law.hpp"
#include "moltspan/law/families.hpp"
#include "moltspan/numeric/quadrature.hpp"

/// @file
/// Predictive distributions of a stadium's length: a mixture of components `log T ~ eta + sigma W`, eta ~ N(mean, variance),
/// with eta integrated out.
namespace moltspan {

/// One Gaussian predictor with its weight.
struct PredictiveComponent {
  double weight = 0, mean = 0, variance = 0, sigma = 0;
};

/// Nodes of Gauss and Hermite over eta, where there is no closed form.
inline constexpr int predictor_nodes = 16;

/// P(log T > log_t): in closed form for the log-normal.
template <StadiumLaw Law>
double survival_of_log(const PredictiveComponent& p, double log_t) {
  if constexpr (std::is_same_v<Law, NormalLaw>) {
    return numeric::Phi((p.mean - log_t) / std::sqrt(p.variance + p.sigma * p.sigma));
  } else {
    if (p.variance == 0) return std::exp(Law::log_survival((log_t - p.mean) / p.sigma));
    const auto& rule = numeric::gauss_hermite(predictor_nodes);
    const double sd = std::sqrt(p.variance);
    double sum = 0;
    for (int i = 0; i < predictor_nodes; ++i)
      sum += rule.weights[i] * std::exp(Law::log_survival((log_t - p.mean - sd * rule.nodes[i]) / p.sigma));
    return sum;
  }
}

/// P(T > t_days).
template <StadiumLaw Law>
double predictive_survival(const PredictiveComponent& p, double t_days) {
  return t_days <= 0 ? 1 : survival_of_log<Law>(p, std::log(t_days));
}

/// The components, heaviest first, less those at the end that together weigh under 1e-4.
inline std::vector<PredictiveComponent> without_negligible(std::vector<PredictiveComponent> components) {
  constexpr double negligible_weight = 1e-4;
  std::sort(components.begin(), components.end(),
            [](const PredictiveComponent& a, const PredictiveComponent& b) { return a.weight > b.weight; });
  double dropped = 0;
  while (components.size() > 1 && (dropped += components.back().weight) < negligible_weight) components.pop_back();
  return components;
}

/// Quantiles of T given T > elapsed_days, by root finding: each component counts with its own survival to elapsed_days, so that
/// the current stadium enters once. The components must be without the current record's own term. Probabilities in rising
/// order are the quickest.
template <StadiumLaw Law>
Eigen::VectorXd conditional_quantiles(std::vector<PredictiveComponent> components, double elapsed_days,
                                      const Eigen::VectorXd& probabilities) {
  constexpr int root_bits = 34;  // of a quantile's logarithm
  double total = 0;
  for (PredictiveComponent& component : components) {
    total += component.weight;
    component.weight /= std::max(predictive_survival<Law>(component, elapsed_days), 1e-300);
  }
  const auto survival = [&](double log_t) {
    double sum = 0;
    for (const PredictiveComponent& component : components) sum += component.weight * survival_of_log<Law>(component, log_t);
    return sum;
  };
  const double floor = elapsed_days > 0 ? std::log(elapsed_days) : -20;
  double from = floor, last = 0;
  Eigen::VectorXd quantiles(probabilities.size());
  for (Eigen::Index i = 0; i < probabilities.size(); ++i) {
    if (probabilities[i] < last) from = floor;
    last = probabilities[i];
    const auto excess = [&](double log_t) { return 1 - last - survival(log_t) / total; };
    double low = from, width = from > -20 ? 0.1 : 20;
    if (excess(low) < 0) {
      for (; excess(low + width) < 0 && low < 60; width *= 2) low += width;
      std::uintmax_t steps = 100;
      const boost::math::tools::eps_tolerance<double> enough(root_bits);
      const auto root = excess(low + width) < 0
                            ? std::pair(low + width, low + width)  // no end of the tail within exp(60) days
                            : boost::math::tools::toms748_solve(excess, low, low + width, enough, steps);
      from = root.first;
      low = 0.5 * (root.first + root.second);
    }
    quantiles[i] = std::exp(low);
  }
  return quantiles;
}

}  // namespace moltspan
