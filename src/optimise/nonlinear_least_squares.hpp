#pragma once

#include <Eigen/Core>
#include <functional>

/// Least squares of curves, and lines that outliers do not bend, by Ceres. Arguments outside their range throw as in
/// numeric/least_squares.hpp.
namespace moltspan::optimise {

/// Residual of one row at given parameters; writes its gradient in the parameters where asked for.
using ResidualFunction =
    std::function<double(Eigen::Index row, const Eigen::VectorXd& parameters, Eigen::VectorXd* gradient)>;

struct NonlinearOptions {
  double huber_limit = 0;  ///< residuals beyond it count linearly (Huber 1964); 0 = squares throughout
  int max_iterations = 500;
};

struct NonlinearFit {
  Eigen::VectorXd parameters, residuals;
  Eigen::MatrixXd unscaled_covariance;  ///< (J'J)^-1 at the parameters; NaN where J has not full rank
  double residual_sum_of_squares = 0, residual_sd = 0;
  int residual_df = 0, iterations = 0;
  bool converged = false;
};

/// Minimizes the sum of squared (or Huber) residuals by Levenberg-Marquardt (Ceres) from `start`.
NonlinearFit nonlinear_least_squares(const ResidualFunction& residual, Eigen::Index rows, const Eigen::VectorXd& start,
                                     const NonlinearOptions& options = {});

/// Huber's M-estimate of `y = X b + e` with its scale.
struct RobustFit {
  Eigen::VectorXd coefficients, residuals;
  Eigen::VectorXd row_weights;  ///< 1 within `limit` scales, limit / |e / scale| beyond
  Eigen::MatrixXd covariance;   ///< Huber 1973, Annals of Statistics 1:799, with his correction for few rows
  double scale = 0;             ///< median |e| / .6745
  int residual_df = 0, iterations = 0;
  bool converged = false;
};

/// Coefficients and scale that agree with each other, by turns from the least-squares fit; `limit` in scales (1.345: 95
/// % efficient for normal errors). The design must have full rank.
RobustFit huber_fit(const Eigen::MatrixXd& design, const Eigen::VectorXd& response, double limit = 1.345);

}  // namespace moltspan::optimise
