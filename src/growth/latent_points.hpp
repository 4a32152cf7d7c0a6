#pragma once

#include <vector>

#include "growth/latent_model.hpp"

namespace moltspan {

/// What is kept of the posterior at each point of the spreads, and their mixture.
class GrowthPoints {
 public:
  void resize(std::size_t n) { kept_.resize(n); }
  void keep(std::size_t point, const GrowthPosterior& posterior);
  /// Fills sizes, ratios, parameters and points of the fit.
  void package(const GrowthModel& model, const Eigen::VectorXd& weights, GrowthModelFit& fit) const;

 private:
  struct Kept {
    double process_variance = 0, decline = 0;
    Eigen::VectorXd node_growth, node_variance;  ///< of g, by node of the tree
    Eigen::VectorXd node_above;                  ///< chance_above, by node; 0 at the root
    Eigen::VectorXd size, size_variance, own_variance, size_growth;
    Eigen::VectorXd parameters;
    Eigen::MatrixXd parameter_covariance;
  };

  double mean_of(const Eigen::VectorXd& weights, Eigen::VectorXd Kept::*value, Eigen::Index at) const;
  GrowthEstimate mixed(const Eigen::VectorXd& weights, Eigen::VectorXd Kept::*mean, Eigen::VectorXd Kept::*variance,
                       Eigen::Index at) const;
  void package_ratios(const GrowthModel& model, const Eigen::VectorXd& weights, GrowthModelFit& fit) const;
  void package_sizes(const GrowthModel& model, const Eigen::VectorXd& weights, GrowthModelFit& fit) const;
  void package_parameters(const Eigen::VectorXd& weights, GrowthModelFit& fit) const;
  void package_points(const GrowthModel& model, const Eigen::VectorXd& weights, GrowthModelFit& fit) const;

  std::vector<Kept> kept_;
};

}  // namespace moltspan
