#include "intervals/posterior.hpp"

#include <algorithm>
#include <cmath>

namespace moltspan {

using Eigen::Index;
using Eigen::VectorXd;

StadiaPosterior::StadiaPosterior(std::shared_ptr<const StadiaModel> model, const VectorXd& start,
                                 const HyperOptions& options)
    : model_(std::move(model)), options_(options) {
  const auto& bounds = model_->data().bounds;
  for (std::size_t i = 0; i < bounds.size(); ++i)
    if (std::isnan(bounds[i].max_days)) running_records_.push_back(static_cast<int>(i));
  for (const auto& [code, node] : model_->groups().node_of_code[static_cast<int>(Level::animal)])
    if (code >= 0) animal_nodes_.push_back({code, node});
  const auto begin = [this](std::size_t points) {
    const auto n = static_cast<Index>(points), running = static_cast<Index>(running_records_.size());
    const auto probes = static_cast<Index>(model_->data().probes());
    const auto coefficients = static_cast<Index>(model_->tree.nodes[0].dim);
    running_mean_.conservativeResize(n, running);
    running_variance_.conservativeResize(n, running);
    probe_mean_.conservativeResize(n, probes);
    probe_variance_.conservativeResize(n, probes);
    for (auto* kept : {&own_weight_, &effect_mean_, &effect_variance_})
      kept->conservativeResize(n, static_cast<Index>(animal_nodes_.size()));
    coefficient_means_.conservativeResize(n, coefficients);
    coefficient_covariances_.resize(points, Eigen::MatrixXd::Zero(coefficients, coefficients));
  };
  hyper_ = integrate_hyperparameters(*model_, start, options, begin,
                                     [this](std::size_t point, const ConditionalPosterior& p) { keep(point, p); },
                                     model_->options().maximiser ? model_->options().maximiser : usual_maximiser());
  clear_failed_points();
}

/// Rows of points without weight were never filled.
void StadiaPosterior::clear_failed_points() {
  const auto fill = [](Eigen::MatrixXd& rows, Index i, double value) {
    if (rows.cols() > 0) rows.row(i).setConstant(value);
  };
  for (Index i = 0; i < hyper_.weights.size(); ++i) {
    if (hyper_.weights[i] > 0) continue;
    for (auto* mean :
         {&running_mean_, &probe_mean_, &own_weight_, &effect_mean_, &effect_variance_, &coefficient_means_})
      fill(*mean, i, 0);
    for (auto* variance : {&running_variance_, &probe_variance_}) fill(*variance, i, 1);
  }
}

void StadiaPosterior::keep(std::size_t point, const ConditionalPosterior& posterior) {
  const auto row = static_cast<Index>(point);
  coefficient_means_.row(row) = posterior.node_mean(0).transpose();
  coefficient_covariances_[point] = posterior.path_covariance(0);
  keep_probes(row, posterior);
  for (std::size_t i = 0; i < running_records_.size(); ++i) {
    const auto record = static_cast<std::size_t>(running_records_[i]);
    const auto freed = predictor_without_term(posterior, *model_, record);
    running_mean_(row, static_cast<Index>(i)) = freed.first;
    running_variance_(row, static_cast<Index>(i)) = freed.second;
  }
}

void StadiaPosterior::keep_probes(Index row, const ConditionalPosterior& posterior) {
  for (std::size_t i = 0; i < model_->data().probes(); ++i) {
    const auto [mean, variance] = posterior.predictor_moments(model_->predictors[model_->data().size() + i]);
    probe_mean_(row, static_cast<Index>(i)) = mean;
    probe_variance_(row, static_cast<Index>(i)) = variance;
  }
  for (std::size_t i = 0; i < animal_nodes_.size(); ++i) {
    const int node = animal_nodes_[i].second;
    effect_mean_(row, static_cast<Index>(i)) = posterior.node_mean(node)[0];
    effect_variance_(row, static_cast<Index>(i)) = posterior.path_covariance(node)(0, 0);
    own_weight_(row, static_cast<Index>(i)) =
        1 - effect_variance_(row, static_cast<Index>(i)) * posterior.prior_precision_of(node);
  }
}

PredictorMixture StadiaPosterior::probes() const {
  PredictorMixture mixture = empty_mixture(0);
  mixture.log_scale = model_->data().probe_log_scale;
  mixture.mean = probe_mean_;
  mixture.variance = probe_variance_;
  return mixture;
}

std::vector<std::pair<int, double>> StadiaPosterior::own_weights() const {
  std::vector<std::pair<int, double>> result;
  for (std::size_t i = 0; i < animal_nodes_.size(); ++i)
    result.push_back(
        {animal_nodes_[i].first, std::clamp(hyper_.weights.dot(own_weight_.col(static_cast<Index>(i))), 0.0, 1.0)});
  return result;
}

std::vector<AnimalEffect> StadiaPosterior::animal_effects() const {
  std::vector<AnimalEffect> result;
  for (std::size_t i = 0; i < animal_nodes_.size(); ++i) {
    const auto column = static_cast<Index>(i);
    const double mean = hyper_.weights.dot(effect_mean_.col(column));
    const double square = hyper_.weights.dot(effect_variance_.col(column) + effect_mean_.col(column).cwiseAbs2());
    result.push_back({animal_nodes_[i].first, mean, std::sqrt(std::max(square - mean * mean, 0.0))});
  }
  return result;
}

PredictorMixture StadiaPosterior::empty_mixture(Index predictors) const {
  PredictorMixture mixture;
  mixture.weights = hyper_.weights;
  mixture.log_sigma = hyper_.points.col(model_->log_sigma_index());
  mixture.mean.setZero(hyper_.weights.size(), predictors);
  mixture.variance.setOnes(hyper_.weights.size(), predictors);
  return mixture;
}

PredictorMixture StadiaPosterior::running(const std::vector<int>& records) const {
  PredictorMixture mixture = empty_mixture(static_cast<Index>(records.size()));
  const VectorXd& scales = model_->data().log_scale;
  if (scales.size() > 0) mixture.log_scale.resize(static_cast<Index>(records.size()));
  for (std::size_t i = 0; i < records.size(); ++i) {
    const auto found =
        std::find(running_records_.begin(), running_records_.end(), records[i]) - running_records_.begin();
    mixture.mean.col(static_cast<Index>(i)) = running_mean_.col(found);
    if (scales.size() > 0) mixture.log_scale[static_cast<Index>(i)] = scales[records[i]];
    mixture.variance.col(static_cast<Index>(i)) = running_variance_.col(found);
  }
  return mixture;
}

PredictorMixture StadiaPosterior::predict(const Eigen::MatrixXd& covariates,
                                          const std::array<std::vector<int>, n_levels>& members) const {
  const auto& groups = model_->groups();
  std::vector<Predictor> predictors;
  std::vector<std::vector<int>> new_levels(static_cast<std::size_t>(covariates.rows()));
  for (Index row = 0; row < covariates.rows(); ++row) {
    int node = 0;
    for (std::size_t level = 0; level < groups.levels.size(); ++level) {
      const auto& codes = members[static_cast<std::size_t>(groups.levels[level])];
      if (codes.empty() || codes[static_cast<std::size_t>(row)] == left_out_code) continue;
      const auto& known = groups.node_of_code[static_cast<std::size_t>(groups.levels[level])];
      const auto found = known.find(codes[static_cast<std::size_t>(row)]);
      if (found != known.end())
        node = found->second;
      else
        new_levels[static_cast<std::size_t>(row)].push_back(static_cast<int>(level));
    }
    predictors.push_back(model_->make_predictor(covariates.row(row), node));
  }
  PredictorMixture mixture = empty_mixture(covariates.rows());
  ConditionalPosterior posterior(*model_);
  for (Index point = 0; point < mixture.weights.size(); ++point) {
    if (!(mixture.weights[point] > 1e-12)) continue;
    const VectorXd hyper = hyper_.points.row(point);
    posterior.solve(hyper);
    if (options_.correct_means) posterior.correct_means();
    for (Index row = 0; row < covariates.rows(); ++row) {
      const auto [mean, variance] = posterior.predictor_moments(predictors[static_cast<std::size_t>(row)]);
      mixture.mean(point, row) = mean;
      mixture.variance(point, row) = variance;
      for (int level : new_levels[static_cast<std::size_t>(row)])
        mixture.variance(point, row) += std::pow(model_->level_sd(level, hyper), 2);
    }
  }
  return mixture;
}

}  // namespace moltspan
