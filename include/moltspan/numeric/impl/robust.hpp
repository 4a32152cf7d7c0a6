#pragma once

#include <algorithm>
#include <cmath>
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

#include "moltspan/numeric/least_squares.hpp"
#include "moltspan/numeric/robust.hpp"

namespace moltspan::numeric {
namespace detail_robust {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

inline double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2 == 1) return *middle;
  return (*middle + *std::max_element(values.begin(), middle)) / 2;
}

inline constexpr double normal_quartile = 0.6745;  // to the digits customary for this scale

inline double robust_scale(const VectorXd& residuals) {
  std::vector<double> sizes(static_cast<std::size_t>(residuals.size()));
  for (Index i = 0; i < residuals.size(); ++i) sizes[static_cast<std::size_t>(i)] = std::abs(residuals[i]);
  return median(std::move(sizes)) / normal_quartile;
}

/// Huber's covariance: (kappa / m)^2 sum psi^2 / (n - p) (X'X)^-1, m the share of rows within the limit.
inline MatrixXd huber_covariance(const MatrixXd& unscaled, const RobustFit& fit, Index p) {
  const auto n = static_cast<double>(fit.residuals.size());
  const double psi_squares = fit.residuals.cwiseProduct(fit.row_weights).squaredNorm() / (n - static_cast<double>(p));
  const double within = static_cast<double>((fit.row_weights.array() >= 1).count()) / n;
  const double variance = within * (1 - within) * n / (n - 1);
  const double kappa = 1 + static_cast<double>(p) * variance / (n * within * within);
  return psi_squares * std::pow(kappa / within, 2) * unscaled;
}

inline void weigh_rows(RobustFit& fit, double limit) {
  fit.row_weights = VectorXd::Ones(fit.residuals.size());
  for (Index i = 0; i < fit.residuals.size(); ++i) {
    const double size = std::abs(fit.residuals[i]);
    if (size > limit * fit.scale) fit.row_weights[i] = limit * fit.scale / size;
  }
}

inline void reweight(const MatrixXd& design, const VectorXd& response, double limit, RobustFit& fit) {
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

}  // namespace detail_robust

MOLTSPAN_INLINE RobustFit huber_fit(const Eigen::MatrixXd& design, const Eigen::VectorXd& response, double limit) {
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
  detail_robust::reweight(design, response, limit, fit);
  detail_robust::weigh_rows(fit, limit);
  fit.covariance = detail_robust::huber_covariance(first.unscaled_covariance, fit, design.cols());
  return fit;
}

}  // namespace moltspan::numeric
