#pragma once

#include <Eigen/Core>
#include <functional>

/// Least squares of curves by Ceres. Arguments outside their range throw as in
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

}  // namespace moltspan::optimise
