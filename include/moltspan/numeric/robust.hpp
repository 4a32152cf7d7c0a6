#pragma once

#include <Eigen/Core>

#include "moltspan/config.hpp"

/// @file
/// Lines that outliers do not bend. Arguments outside their range throw as in least_squares.hpp.
namespace moltspan::numeric {

/// Huber's M-estimate of `y = X b + e` with its scale.
struct RobustFit {
  Eigen::VectorXd coefficients, residuals;
  Eigen::VectorXd row_weights;  ///< 1 within `limit` scales, limit / |e / scale| beyond
  Eigen::MatrixXd covariance;   ///< Huber 1973, Annals of Statistics 1:799, with his correction for few rows
  double scale = 0;             ///< median |e| / .6745
  int residual_df = 0, iterations = 0;
  bool converged = false;
};

/// Coefficients and scale that agree with each other, by reweighting from the least-squares fit to the last digits; `limit` in scales (1.345: 95
/// % efficient for normal errors). The design must have full rank.
RobustFit huber_fit(const Eigen::MatrixXd& design, const Eigen::VectorXd& response, double limit = 1.345);

}  // namespace moltspan::numeric

#ifndef MOLTSPAN_COMPILED
#include "moltspan/numeric/impl/robust.hpp"
#endif
