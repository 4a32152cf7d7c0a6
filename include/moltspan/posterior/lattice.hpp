#pragma once

#include <Eigen/Core>
#include <utility>
#include <vector>

#include "moltspan/config.hpp"

namespace moltspan {

/// Points that stand for a posterior in more than two dimensions: a Kronecker lattice drawn through a proposal, weighed
/// by posterior over proposal. Where few points carry the weight, the proposal is re-centred by the moments of the
/// points so far, and all points are weighed by the mixture of the proposals they came from (the balance heuristic of
/// Veach & Guibas 1995; Owen & Zhou 2000, J. Am. Stat. Assoc. 95:135), so that none is lost.

/// A split Student-t: scale `left` below 0 and `right` above.
struct SplitStudent {
  double left = 1, right = 1;

  double quantile(double u) const;
  double log_density(double z) const;
};

/// Independent split Student-t along the columns of `axes`.
struct LatticeLaw {
  LatticeLaw(Eigen::VectorXd center, Eigen::MatrixXd axes, std::vector<SplitStudent> sides);

  Eigen::VectorXd at(const Eigen::VectorXd& u) const;
  double log_density(const Eigen::VectorXd& x) const;

  Eigen::VectorXd center;
  Eigen::MatrixXd axes, inverse;
  std::vector<SplitStudent> sides;
  double log_volume = 0;
};

class Lattice {
 public:
  explicit Lattice(LatticeLaw first) : laws_{std::move(first)}, counts_{0} {}

  /// Up to `count` points in all, the new ones through the last laws. The first points of a longer lattice are those of
  /// a shorter one.
  void extend(int count);

  /// Two laws by the mean and spread of the points, for those to come, one of them wide. Weights are flattened as long
  /// as a few points hold them all.
  void recentre(const Eigen::VectorXd& log_weights);

  const std::vector<Eigen::VectorXd>& points() const { return points_; }
  Eigen::VectorXd log_proposal() const;

 private:
  std::vector<LatticeLaw> laws_;
  std::vector<int> counts_;  ///< points of each law
  std::vector<Eigen::VectorXd> points_;
};

/// Axes with the largest entry of each positive: an eigenvector and its opposite are as good, and which comes out must
/// not hang on the order of the records.
Eigen::MatrixXd oriented(Eigen::MatrixXd axes);

/// Equal weights that would estimate as well: (sum w)^2 / sum w^2.
double effective_number(const Eigen::VectorXd& log_weights);

/// Point `index` of the Kronecker lattice whose steps are the powers of the generalised golden ratio.
Eigen::VectorXd lattice_point(int index, Eigen::Index dim);

}  // namespace moltspan

#ifndef MOLTSPAN_COMPILED
#include "moltspan/posterior/impl/lattice.hpp"
#endif
