#pragma once

#include <Eigen/Core>

#include "growth/blocks.hpp"

namespace moltspan {

/// A number with its first and second derivatives.
struct Curved {
  double value = 0;
  Eigen::VectorXd gradient;
  Eigen::MatrixXd hessian;
};

/// What a mixed model says at given relative spreads, coefficients and sigma at their best: the parts of
/// -2 log-likelihood, log|V| + log|X'V^-1 X| + N log(squares / N), with derivatives in the relative covariance.
struct MixedProfile {
  BlockSums sums;             ///< of [X y], whitened
  Eigen::VectorXd beta;       ///< whitened
  Eigen::MatrixXd x_inverse;  ///< (X'V^-1 X)^-1 for sigma = 1, whitened
  Curved log_det_v, log_det_x, squares;
};

MixedProfile mixed_profile(const MixedBlocks& blocks, const RelativeSpread& spread, bool derivatives);

/// Search parameters: Cholesky factor of the relative covariance row by row (its diagonal where effects are
/// independent), then sd of the outer effect / sigma. The criterion is smooth and even in each, so that an sd of 0 is
/// an ordinary stationary point.
class MixedSearch {
 public:
  MixedSearch(const MixedBlocks& blocks, bool correlated) : blocks_(blocks), correlated_(correlated) {}

  int size() const;
  Eigen::MatrixXd factor(const Eigen::VectorXd& at) const;
  RelativeSpread spread(const Eigen::VectorXd& at) const;
  Eigen::VectorXd start(double sd) const;
  /// Derivatives in the entries of the relative covariance as derivatives in the search parameters.
  Curved chain(const Curved& natural, const Eigen::VectorXd& at) const;
  /// d entries / d parameters.
  Eigen::MatrixXd jacobian(const Eigen::VectorXd& at) const;
  /// Parameter of the diagonal of the factor, or of the outer effect: 0 there is an sd of 0.
  bool is_diagonal(int parameter) const;

 private:
  struct Entry {
    int row, column;
  };
  std::vector<Entry> entries() const;

  const MixedBlocks& blocks_;
  bool correlated_;
};

/// -2 log-likelihood with all constants and its derivatives in the search parameters.
struct MixedCriterion {
  MixedProfile profile;
  Curved deviance;
  double variance = 0;  ///< sigma^2 at its best
};

MixedCriterion mixed_criterion(const MixedBlocks& blocks, const MixedSearch& search, const Eigen::VectorXd& at,
                               MixedMethod method);

struct MixedMinimum {
  Eigen::VectorXd at;
  MixedCriterion criterion;
  int iterations = 0;
  bool converged = false, singular = false;
};

/// Inverse observed information of (search parameters, log sigma^2) at the best point of the method; directions that
/// the rows do not determine, such as an sd at 0, have none.
Eigen::MatrixXd spread_covariance(const MixedBlocks& blocks, const MixedSearch& search, const Eigen::VectorXd& at,
                                  const MixedCriterion& best, MixedMethod method);

/// Newton with exact Hessian from one or, for few groups, several starts.
MixedMinimum minimise(const MixedBlocks& blocks, bool correlated, MixedMethod method);

}  // namespace moltspan
