#pragma once

#include <functional>
#include <memory>
#include <mutex>
#include <vector>

#include "intervals/model.hpp"

namespace moltspan {

/// Posterior moments of one animal's effect, by the code of the animal.
struct AnimalEffect {
  int code = -1;
  double mean = 0, sd = 0;
};

/// Mixture over the hyperparameters of a stadium-length model: integrates once, then answers for any linear predictor.
class StadiaPosterior {
 public:
  /// Integrates the hyperparameters. Under maximum likelihood (`hyper_options.gaussian_only`) `model` must have flat
  /// coefficient priors.
  StadiaPosterior(std::shared_ptr<const StadiaModel> model, const Eigen::VectorXd& start,
                  const HyperOptions& hyper_options);

  const StadiaModel& model() const { return *model_; }
  const HyperPosterior& hyper() const { return hyper_; }
  /// Means (points x coefficients) and covariances of the root's coefficients.
  const Eigen::MatrixXd& coefficient_means() const { return coefficient_means_; }
  const std::vector<Eigen::MatrixXd>& coefficient_covariances() const { return coefficient_covariances_; }
  bool all_positive_definite() const { return hyper_.failed_points == 0; }

  /// Predictors of running records of the fit, each freed of its own term (the cavity of its Gaussian).
  PredictorMixture running(const std::vector<int>& records) const;
  PredictorMixture probes() const;
  /// Mean share of each animal's effect variance that the records removed, by code.
  std::vector<std::pair<int, double>> own_weights() const;
  /// Effects of the animals, the points mixed.
  std::vector<AnimalEffect> animal_effects() const;
  /// Predictors of new rows; solves the points again.
  PredictorMixture predict(const Eigen::MatrixXd& covariates,
                           const std::array<std::vector<int>, n_levels>& members) const;

 private:
  void keep(std::size_t point, const ConditionalPosterior& posterior);
  void clear_failed_points();
  void keep_probes(Eigen::Index row, const ConditionalPosterior& posterior);
  PredictorMixture empty_mixture(Eigen::Index predictors) const;

  std::shared_ptr<const StadiaModel> model_;
  HyperOptions options_;
  HyperPosterior hyper_;
  std::vector<int> running_records_;
  std::vector<std::pair<int, int>> animal_nodes_;  ///< code, node
  Eigen::MatrixXd running_mean_, running_variance_, probe_mean_, probe_variance_, own_weight_, coefficient_means_;
  Eigen::MatrixXd effect_mean_, effect_variance_;  ///< points x animals, as own_weight_
  std::vector<Eigen::MatrixXd> coefficient_covariances_;
};

/// A posterior that is integrated when it is first asked for; several threads may ask.
class LazyStadiaPosterior {
 public:
  using Maker = std::function<std::shared_ptr<const StadiaPosterior>()>;
  explicit LazyStadiaPosterior(Maker maker) : maker_(std::move(maker)) {}

  const StadiaPosterior& get() {
    std::call_once(once_, [this] {
      made_ = maker_();
      maker_ = nullptr;
    });
    return *made_;
  }

 private:
  std::once_flag once_;
  Maker maker_;
  std::shared_ptr<const StadiaPosterior> made_;
};

}  // namespace moltspan
