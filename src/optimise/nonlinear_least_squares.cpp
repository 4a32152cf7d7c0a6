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

using numeric::LinearFit;
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

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2 == 1) return *middle;
  return (*middle + *std::max_element(values.begin(), middle)) / 2;
}

constexpr double normal_quartile = 0.6745;  // to the digits customary for this scale

double robust_scale(const VectorXd& residuals) {
  std::vector<double> sizes(static_cast<std::size_t>(residuals.size()));
  for (Index i = 0; i < residuals.size(); ++i) sizes[static_cast<std::size_t>(i)] = std::abs(residuals[i]);
  return median(std::move(sizes)) / normal_quartile;
}

/// Huber's covariance: (kappa / m)^2 sum psi^2 / (n - p) (X'X)^-1, m the share of rows within the limit.
MatrixXd huber_covariance(const MatrixXd& unscaled, const RobustFit& fit, Index p) {
  const auto n = static_cast<double>(fit.residuals.size());
  const double psi_squares = fit.residuals.cwiseProduct(fit.row_weights).squaredNorm() / (n - static_cast<double>(p));
  const double within = static_cast<double>((fit.row_weights.array() >= 1).count()) / n;
  const double variance = within * (1 - within) * n / (n - 1);
  const double kappa = 1 + static_cast<double>(p) * variance / (n * within * within);
  return psi_squares * std::pow(kappa / within, 2) * unscaled;
}

void weigh_rows(RobustFit& fit, double limit) {
  fit.row_weights = VectorXd::Ones(fit.residuals.size());
  for (Index i = 0; i < fit.residuals.size(); ++i) {
    const double size = std::abs(fit.residuals[i]);
    if (size > limit * fit.scale) fit.row_weights[i] = limit * fit.scale / size;
  }
}

/// Reweighting to the last digits: a search that watches the cost alone stops at half of them.
void polish(const MatrixXd& design, const VectorXd& response, double limit, RobustFit& fit) {
  for (int i = 0; i < 1000 && !fit.converged; ++i, ++fit.iterations) {
    fit.scale = robust_scale(fit.residuals);
    if (fit.scale == 0) return;  // more than half of the rows on the line
    weigh_rows(fit, limit);
    const LinearFit step = least_squares(design, response, fit.row_weights);
    const double change = (step.residuals - fit.residuals).norm();
    fit.converged = change <= 1e-13 * fit.residuals.norm();
    fit.coefficients = step.coefficients;
    fit.residuals = step.residuals;
  }
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

RobustFit huber_fit(const MatrixXd& design, const VectorXd& response, double limit) {
  if (!(limit > 0))
    throw std::invalid_argument("huber_fit: limit = " + std::to_string(limit) + "; it must be positive");
  const LinearFit first = least_squares(design, response);
  if (!first.determined())
    throw std::invalid_argument("huber_fit: the design does not determine its coefficients (rank " +
                                std::to_string(first.rank) + "); leave out a column or give more distinct rows");
  RobustFit fit;
  fit.coefficients = first.coefficients;
  fit.residuals = first.residuals;
  fit.residual_df = first.residual_df;
  const ResidualFunction residual = [&](Index row, const VectorXd& b, VectorXd* gradient) {
    if (gradient != nullptr) *gradient = -design.row(row).transpose();
    return response[row] - design.row(row).dot(b);
  };
  for (double scale = robust_scale(fit.residuals); scale > 0 && fit.iterations < 100; ++fit.iterations) {
    fit.scale = scale;
    const NonlinearFit step =
        nonlinear_least_squares(residual, response.size(), fit.coefficients, {limit * scale, 500});
    fit.coefficients = step.parameters;
    fit.residuals = step.residuals;
    scale = robust_scale(fit.residuals);
    if (std::abs(scale - fit.scale) <= 1e-6 * fit.scale) break;
  }
  polish(design, response, limit, fit);
  weigh_rows(fit, limit);
  fit.covariance = huber_covariance(first.unscaled_covariance, fit, design.cols());
  return fit;
}

}  // namespace moltspan::optimise
