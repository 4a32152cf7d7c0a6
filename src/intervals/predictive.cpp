#include "intervals/predictive.hpp"

#include <algorithm>
#include <cmath>

namespace moltspan {

using Eigen::Index;
using Eigen::VectorXd;

LawMoments moments_of(Family family) {
  return with_law(family, [](auto law) { return LawMoments{law.mean, law.variance, law.median}; });
}

double survival_of_log(Family family, const PredictiveComponent& component, double log_t) {
  return with_law(family, [&](auto law) { return survival_of_log<decltype(law)>(component, log_t); });
}

double predictive_survival(Family family, const PredictiveComponent& component, double t_days) {
  return t_days <= 0 ? 1 : survival_of_log(family, component, std::log(t_days));
}

std::vector<PredictiveComponent> predictive_components(const PredictorMixture& mixture, Index predictor) {
  std::vector<PredictiveComponent> components;
  const double log_scale = mixture.log_scale.size() == 0 ? 0 : mixture.log_scale[predictor];
  for (Index k = 0; k < mixture.weights.size(); ++k)
    if (mixture.weights[k] > 0)
      components.push_back({mixture.weights[k], mixture.mean(k, predictor), std::max(mixture.variance(k, predictor), 0.0),
                            std::exp(mixture.log_sigma[k] + log_scale)});
  return without_negligible(std::move(components));
}

double mixture_survival(Family family, const PredictorMixture& mixture, Index predictor, double t_days) {
  double sum = 0;
  for (const PredictiveComponent& component : predictive_components(mixture, predictor))
    sum += component.weight * predictive_survival(family, component, t_days);
  return t_days <= 0 ? 1 : sum;
}

VectorXd conditional_quantiles(Family family, const PredictorMixture& mixture, Index predictor, double elapsed_days,
                               const VectorXd& probabilities) {
  return with_law(family, [&](auto law) {
    return conditional_quantiles<decltype(law)>(predictive_components(mixture, predictor), elapsed_days, probabilities);
  });
}

Eigen::MatrixXd running_quantiles(Family family, const PredictorMixture& mixture, const VectorXd& elapsed_days,
                                  const VectorXd& probabilities) {
  Eigen::MatrixXd result(mixture.mean.cols(), probabilities.size());
  for (Index i = 0; i < result.rows(); ++i)
    result.row(i) = conditional_quantiles(family, mixture, i, elapsed_days[i], probabilities).transpose();
  return result;
}

Eigen::MatrixXd mixture_quantiles(Family family, const PredictorMixture& mixture, const VectorXd& probabilities) {
  return running_quantiles(family, mixture, VectorXd::Zero(mixture.mean.cols()), probabilities);
}

Eigen::MatrixXd median_quantiles(Family family, const PredictorMixture& mixture, const VectorXd& probabilities) {
  // The distribution of exp(predictor) is that of a log-normal T without any spread of its own.
  PredictorMixture bare = mixture;
  bare.mean.colwise() += (moments_of(family).median * mixture.log_sigma.array().exp()).matrix();
  bare.log_sigma.setConstant(-50);
  return mixture_quantiles(Family::lognormal, bare, probabilities);
}

}  // namespace moltspan
