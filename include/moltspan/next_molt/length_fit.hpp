#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <utility>
#include <vector>

#include "moltspan/next_molt/length_model.hpp"
#include "moltspan/numeric/bfgs.hpp"
#include "moltspan/posterior/cavity.hpp"
#include "moltspan/posterior/hyper.hpp"
#include "moltspan/stadium/predictive.hpp"

namespace moltspan {

/// Posterior of stadium lengths under the model of StadiumPriors: what `fit_stadia(..., Method::bayes)` of the compiled
/// library fits, for a law of one's own too and from numbers alone; its search is the same whether or not that library is linked. Throws std::invalid_argument without any record,
/// std::domain_error for bounds that contradict each other, std::runtime_error where no posterior is found.
template <StadiumLaw Law = NormalLaw>
class LengthFit {
 public:
  explicit LengthFit(std::vector<StadiumRecord> records, const StadiumPriors& priors = {},
                     Truncation truncation = Truncation::conditional, const Maximiser& maximiser = numeric::Bfgs{})
      : records_(std::move(records)) {
    if (records_.empty()) throw std::invalid_argument("LengthFit: no stadia; give at least one, if only the current one");
    const LengthModel<Law> model(records_, priors, truncation);
    HyperOptions options;
    options.recentre = true;
    Eigen::VectorXd start = Eigen::VectorXd::Constant(model.n_hyper(), std::log(0.15));
    start[0] = std::log(0.2);
    const auto begin = [this](std::size_t points) { resize(static_cast<Eigen::Index>(points)); };
    const auto visit = [this, &model](std::size_t point, const auto& posterior) {
      keep(static_cast<Eigen::Index>(point), model, posterior);
    };
    hyper_ = integrate_hyperparameters(model, start, options, begin, visit, maximiser);
  }

  const std::vector<StadiumRecord>& records() const { return records_; }
  /// Points of (log sigma, log animal_sd) with their weights.
  const HyperPosterior& hyper() const { return hyper_; }
  double sigma() const { return hyper_.weights.dot(hyper_.points.col(0).array().exp().matrix()); }
  /// Posterior mean of log_days.
  double log_days() const { return hyper_.weights.dot(log_days_); }

  /// The predictor of a record without what was seen of its length, a component for each point.
  std::vector<PredictiveComponent> without_record(std::size_t record) const {
    std::vector<PredictiveComponent> components;
    const auto column = static_cast<Eigen::Index>(record);
    for (Eigen::Index k = 0; k < hyper_.weights.size(); ++k)
      if (hyper_.weights[k] > 0)
        components.push_back({hyper_.weights[k], mean_(k, column), variance_(k, column), std::exp(hyper_.points(k, 0))});
    return without_negligible(std::move(components));
  }

  /// Quantiles of the whole length of a record that has not ended, in days from its start, given that it has lasted
  /// `bounds.min_days`: it counts once.
  Eigen::VectorXd quantiles_days(std::size_t record, const Eigen::VectorXd& probabilities) const {
    return conditional_quantiles<Law>(without_record(record), records_.at(record).bounds.min_days, probabilities);
  }

 private:
  void resize(Eigen::Index points) {
    const auto n = static_cast<Eigen::Index>(records_.size());
    mean_.conservativeResize(points, n);
    variance_.conservativeResize(points, n);
    log_days_.conservativeResize(points);
  }

  template <typename Posterior>
  void keep(Eigen::Index point, const LengthModel<Law>& model, const Posterior& posterior) {
    for (std::size_t i = 0; i < records_.size(); ++i) {
      const auto freed = predictor_without_term(posterior, model, i);
      mean_(point, static_cast<Eigen::Index>(i)) = freed.first;
      variance_(point, static_cast<Eigen::Index>(i)) = freed.second;
    }
    log_days_[point] = posterior.node_mean(0)[0];
  }

  std::vector<StadiumRecord> records_;
  HyperPosterior hyper_;
  Eigen::MatrixXd mean_, variance_;  ///< points x records
  Eigen::VectorXd log_days_;
};

}  // namespace moltspan
