#pragma once

#include <Eigen/Core>
#include <vector>

#include "growth/profile.hpp"

namespace moltspan {

/// Coordinates of the relative spreads in which their posterior is short-tailed and nearly a product.
///
/// With W = I + n Psi (n rows a group on average, whitened): one effect u = log W; two effects W = rotation(angle)
/// diag(e^(u + w), e^u) with u, w >= 0; independent effects one u each; an outer effect one more.
class SpreadChart {
 public:
  SpreadChart(const MixedBlocks& blocks, bool correlated);

  int dimension() const { return own_ + (outer_ ? 1 : 0); }
  bool has_angle() const { return angle_; }
  RelativeSpread spread(const Eigen::VectorXd& at) const;
  Eigen::VectorXd coordinates(const RelativeSpread& spread) const;
  /// Log prior of the spreads plus log of the volume of the coordinates.
  double log_prior(const Eigen::VectorXd& at) const;

 private:
  int own_ = 0, effects_ = 0;
  bool angle_ = false, outer_ = false;
  double rows_ = 1, outer_rows_ = 1;
};

struct WeightedSpread {
  double weight = 0;
  RelativeSpread spread;
};

/// Points and weights (adding up to 1) of the posterior of the spreads, by Gauss-Legendre nodes in a box that is found
/// around the mode.
std::vector<WeightedSpread> integrate_spreads(const MixedBlocks& blocks, const SpreadChart& chart,
                                              const RelativeSpread& mode);

}  // namespace moltspan
