#include "growth/latent_points.hpp"

#include <cmath>
#include <limits>

namespace moltspan {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

namespace {

std::size_t instars(const GrowthAnimal& animal) { return animal.molts.size() + 1; }

bool was_read(const GrowthModel& model, std::size_t animal) {
  return model.first_reading()[animal + 1] > model.first_reading()[animal];
}

}  // namespace

void GrowthPoints::keep(std::size_t point, const GrowthPosterior& posterior) {
  Kept& kept = kept_[point];
  const GrowthModel& model = posterior.model();
  kept.process_variance = posterior.numbers().process_variance;
  kept.decline = posterior.numbers().decline;
  const auto nodes = static_cast<Index>(model.groups().tree.nodes.size());
  kept.node_growth.resize(nodes);
  kept.node_variance.resize(nodes);
  kept.node_above.setZero(nodes);
  for (Index node = 0; node < nodes; ++node) {
    kept.node_growth[node] = posterior.growth_mean(static_cast<int>(node));
    kept.node_variance[node] = posterior.growth_variance(static_cast<int>(node));
    if (node > 0) kept.node_above[node] = posterior.chance_above(static_cast<int>(node));
  }
  const Index places = posterior.n_places(), shared = model.n_shared();
  kept.size.resize(places);
  kept.size_variance.resize(places);
  kept.own_variance.resize(places);
  kept.size_growth.resize(places);
  for (Index place = 0; place < places; ++place) {
    kept.size[place] = posterior.size_mean(static_cast<int>(place));
    kept.size_variance[place] = posterior.size_variance(static_cast<int>(place));
    kept.own_variance[place] = posterior.own_variance(static_cast<int>(place));
    kept.size_growth[place] = posterior.size_growth_covariance(static_cast<int>(place));
  }
  kept.parameters = posterior.node_mean(0).tail(shared - 1);
  kept.parameter_covariance = posterior.node_covariance(0).bottomRightCorner(shared - 1, shared - 1);
}

double GrowthPoints::mean_of(const VectorXd& weights, VectorXd Kept::*value, Index at) const {
  double mean = 0;
  for (std::size_t point = 0; point < kept_.size(); ++point)
    if (const double w = weights[static_cast<Index>(point)]; w > 0) mean += w * (kept_[point].*value)[at];
  return mean;
}

GrowthEstimate GrowthPoints::mixed(const VectorXd& weights, VectorXd Kept::*mean, VectorXd Kept::*variance,
                                   Index at) const {
  const double first = mean_of(weights, mean, at);
  double second = 0;
  for (std::size_t point = 0; point < kept_.size(); ++point) {
    const double w = weights[static_cast<Index>(point)];
    if (!(w > 0)) continue;
    second += w * ((kept_[point].*variance)[at] + std::pow((kept_[point].*mean)[at] - first, 2));
  }
  return {first, std::sqrt(std::max(0.0, second))};
}

void GrowthPoints::package_ratios(const GrowthModel& model, const VectorXd& weights, GrowthModelFit& fit) const {
  const auto growth = [&](int node) { return mixed(weights, &Kept::node_growth, &Kept::node_variance, node); };
  fit.log_ratio = growth(0);
  fit.levels = model.groups().levels;
  for (Level level : fit.levels)
    for (const auto& [code, node] : model.groups().node_of_code[static_cast<std::size_t>(level)])
      if (code >= 0) fit.member_log_ratio[static_cast<std::size_t>(level)].push_back({code, growth(node)});
  const bool of_animals = !fit.levels.empty() && fit.levels.back() == Level::animal;
  for (std::size_t i = 0; i < model.data().animals.size(); ++i)
    fit.chance_grows_more.push_back(of_animals && was_read(model, i)
                                        ? mean_of(weights, &Kept::node_above, model.groups().node_of_record[i])
                                        : std::numeric_limits<double>::quiet_NaN());
}

void GrowthPoints::package_sizes(const GrowthModel& model, const VectorXd& weights, GrowthModelFit& fit) const {
  const GrowthData& data = model.data();
  fit.sizes.assign(data.animals.size(), {});
  Index place = 0;
  for (std::size_t i = 0; i < data.animals.size(); ++i) {
    if (was_read(model, i))
      for (std::size_t k = 0; k < instars(data.animals[i]); ++k) {
        const auto at = static_cast<Index>(static_cast<std::size_t>(place) + k);
        const GrowthEstimate size = mixed(weights, &Kept::size, &Kept::size_variance, at);
        fit.sizes[i].push_back({size.mean, size.sd * size.sd, false, mean_of(weights, &Kept::own_variance, at)});
      }
    place += static_cast<Index>(instars(data.animals[i]));
  }
  for (const GrowthReading& reading : data.readings)
    fit.sizes[reading.animal][reading.instar].measured = true;
}

void GrowthPoints::package_parameters(const VectorXd& weights, GrowthModelFit& fit) const {
  const auto n = static_cast<Index>(fit.parameter_names.size());
  VectorXd mean = VectorXd::Zero(n);
  MatrixXd covariance = MatrixXd::Zero(n, n);
  for (std::size_t point = 0; point < kept_.size(); ++point)
    if (const double w = weights[static_cast<Index>(point)]; w > 0) mean += w * kept_[point].parameters;
  for (std::size_t point = 0; point < kept_.size(); ++point) {
    const double w = weights[static_cast<Index>(point)];
    if (!(w > 0)) continue;
    const VectorXd away = kept_[point].parameters - mean;
    covariance += w * (kept_[point].parameter_covariance + away * away.transpose());
  }
  fit.parameter_covariance = covariance;
  for (Index i = 0; i < n; ++i) fit.parameters.push_back({mean[i], std::sqrt(covariance(i, i))});
}

void GrowthPoints::package_points(const GrowthModel& model, const VectorXd& weights, GrowthModelFit& fit) const {
  const GrowthData& data = model.data();
  for (std::size_t k = 0; k < kept_.size(); ++k) {
    const Kept& kept = kept_[k];
    if (!(weights[static_cast<Index>(k)] > 0)) continue;
    GrowthPoint point;
    point.weight = weights[static_cast<Index>(k)];
    point.process_variance = kept.process_variance;
    point.decline = kept.decline;
    Index last = -1;
    for (std::size_t i = 0; i < data.animals.size(); ++i) {
      last += static_cast<Index>(instars(data.animals[i]));
      const int node = model.groups().node_of_record[i];
      point.last_size.push_back(kept.size[last]);
      point.last_variance.push_back(kept.size_variance[last]);
      point.covariance.push_back(kept.size_growth[last]);
      point.growth.push_back(kept.node_growth[node]);
      point.growth_variance.push_back(kept.node_variance[node]);
    }
    fit.points.push_back(std::move(point));
  }
}

void GrowthPoints::package(const GrowthModel& model, const VectorXd& weights, GrowthModelFit& fit) const {
  package_ratios(model, weights, fit);
  package_sizes(model, weights, fit);
  package_parameters(weights, fit);
  package_points(model, weights, fit);
}

}  // namespace moltspan
