#pragma once

#include <Eigen/Core>
#include <span>

/// @file
/// Linear least squares that keeps its digits: pivoted QR with refinement.
///
/// Arguments outside their range throw std::invalid_argument that names function, argument, row, value and rule. A
/// design that does not determine its coefficients is no error: the rank says so and the coefficients are NaN.
namespace moltspan::numeric {

/// `y = X b + e`, Var e_i = sigma^2 / w_i, independent.
struct LinearFit {
  Eigen::VectorXd coefficients;         ///< NaN where rank < columns
  Eigen::MatrixXd unscaled_covariance;  ///< (X'WX)^-1; NaN where rank < columns
  Eigen::VectorXd fitted, residuals;    ///< X b and y - X b, unweighted, one a row
  double residual_sum_of_squares = 0;   ///< sum w e^2
  double residual_sd = 0;               ///< sqrt(that / residual_df); NaN without residual degrees of freedom
  double r_squared = 0;                 ///< 1 - that / sum w (y - weighted mean)^2; for designs that hold a constant
  int n = 0;                            ///< rows with a positive weight
  int rank = 0, residual_df = 0;        ///< residual_df = n - rank

  bool determined() const { return rank == static_cast<int>(coefficients.size()); }
  /// residual_sd^2 (X'WX)^-1.
  Eigen::MatrixXd covariance() const { return residual_sd * residual_sd * unscaled_covariance; }
  double standard_error(Eigen::Index coefficient) const;
  /// sqrt of row (X'WX)^-1 row': standard error of a fitted value over residual_sd.
  double leverage_root(const Eigen::RowVectorXd& row) const;
};

/// Weighted least squares by column-pivoted Householder QR of columns scaled to length 1, then refinement of solution
/// and residuals together (Bjorck 1967, BIT 7:257) with residuals in long double. `weights` empty = all 1; a row of
/// weight 0 gets a fitted value and counts for nothing else. Columns dependent to within 1e-12 lower the rank.
LinearFit least_squares(const Eigen::MatrixXd& design, const Eigen::VectorXd& response,
                        const Eigen::VectorXd& weights = {});

struct MeanSd {
  double mean = 0, sd = 0;  ///< sd with divisor n - 1; NaN for one value
};

/// Mean and sd, two passes with correction in long double. No value at all throws.
MeanSd mean_sd(std::span<const double> values);

}  // namespace moltspan::numeric

#ifndef MOLTSPAN_COMPILED
#include "moltspan/numeric/impl/least_squares.hpp"
#endif
