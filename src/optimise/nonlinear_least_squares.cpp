#include "optimise/nonlinear_least_squares.hpp"

#include <ceres/ceres.h>

#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>
#include <string>
#include <vector>

#include "moltspan/numeric/least_squares.hpp"

namespace moltspan::optimise {
namespace {

using numeric::least_squares;

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double nan = std::numeric_limits<double>::quiet_NaN();

/// One row of a ResidualFunction as Ceres asks for it: a block of its own, as losses count by block.
class RowCost : public ceres::CostFunction {
 public:
  RowCost(const ResidualFunction& residual, Index row, Index parameters) : residual_(residual), row_(row) {
    set_num_residuals(1);
    mutable_parameter_block_sizes()->push_back(static_cast<std::int32_t>(parameters));
  }

  bool Evaluate(double const* const* parameters, double* residuals, double** jacobians) const override {
    const Index p = parameter_block_sizes()[0];
    const VectorXd at = Eigen::Map<const VectorXd>(parameters[0], p);
    const bool wanted = jacobians != nullptr && jacobians[0] != nullptr;
    VectorXd gradient(p);
    residuals[0] = residual_(row_, at, wanted ? &gradient : nullptr);
    if (wanted) Eigen::Map<VectorXd>(jacobians[0], p) = gradient;
    return std::isfinite(residuals[0]) && (!wanted || gradient.allFinite());
  }

 private:
  const ResidualFunction& residual_;
  Index row_;
};

ceres::Solver::Options solver_options(int max_iterations) {
  ceres::Solver::Options options;
  options.linear_solver_type = ceres::DENSE_QR;
  options.max_num_iterations = max_iterations;
  // Down to rounding: the certified problems ask for 8 digits of standard errors, and steps are cheap here.
  options.function_tolerance = 1e-20;
  options.gradient_tolerance = 1e-20;
  options.parameter_tolerance = 1e-14;
  options.num_threads = 1;
  options.logging_type = ceres::SILENT;
  return options;
}

void describe(const ResidualFunction& residual, Index rows, NonlinearFit& fit) {
  const Index p = fit.parameters.size();
  MatrixXd jacobian(rows, p);
  VectorXd gradient(p);
  fit.residuals.resize(rows);
  for (Index i = 0; i < rows; ++i) {
    fit.residuals[i] = residual(i, fit.parameters, &gradient);
    jacobian.row(i) = gradient.transpose();
  }
  fit.unscaled_covariance = least_squares(jacobian, fit.residuals).unscaled_covariance;
  fit.residual_sum_of_squares = fit.residuals.squaredNorm();
  fit.residual_df = static_cast<int>(rows - p);
  fit.residual_sd = fit.residual_df > 0 ? std::sqrt(fit.residual_sum_of_squares / fit.residual_df) : nan;
}

}  // namespace

NonlinearFit nonlinear_least_squares(const ResidualFunction& residual, Index rows, const VectorXd& start,
                                     const NonlinearOptions& options) {
  if (rows < start.size())
    throw std::invalid_argument("nonlinear_least_squares: " + std::to_string(rows) + " rows for " +
                                std::to_string(start.size()) + " parameters; give at least as many rows");
  NonlinearFit fit;
  fit.parameters = start;
  ceres::Problem problem;
  for (Index i = 0; i < rows; ++i)
    problem.AddResidualBlock(new RowCost(residual, i, start.size()),
                             options.huber_limit > 0 ? new ceres::HuberLoss(options.huber_limit) : nullptr,
                             fit.parameters.data());
  ceres::Solver::Summary summary;
  ceres::Solve(solver_options(options.max_iterations), &problem, &summary);
  fit.iterations = static_cast<int>(summary.iterations.size());
  fit.converged = summary.termination_type == ceres::CONVERGENCE;
  describe(residual, rows, fit);
  return fit;
}

}  // namespace moltspan::optimise
