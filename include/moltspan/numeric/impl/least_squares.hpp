#pragma once

#include <Eigen/QR>
#include <cmath>
#include <limits>
#include <stdexcept>
#include <string>

#include "moltspan/config.hpp"
#include "moltspan/numeric/least_squares.hpp"

namespace moltspan::numeric {
namespace detail_least_squares {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;
using Qr = Eigen::ColPivHouseholderQR<MatrixXd>;

inline constexpr double nan = std::numeric_limits<double>::quiet_NaN();
inline constexpr double dependent = 1e-12;
inline constexpr int refinements = 3;  // the first does nearly all; each costs one multiplication

[[noreturn]] inline void refuse(const std::string& what, Index row, double value, const char* rule) {
  throw std::invalid_argument("least_squares: " + what + " of row " + std::to_string(row) + " is " +
                              std::to_string(value) + "; it must be " + rule);
}

inline void check(const MatrixXd& design, const VectorXd& response, const VectorXd& weights) {
  if (design.rows() != response.size() || (weights.size() != 0 && weights.size() != response.size()))
    throw std::invalid_argument("least_squares: design, response and weights must have as many rows; they have " +
                                std::to_string(design.rows()) + ", " + std::to_string(response.size()) + ", " +
                                std::to_string(weights.size()));
  for (Index i = 0; i < response.size(); ++i) {
    if (!std::isfinite(response[i])) refuse("response", i, response[i], "finite");
    if (!design.row(i).allFinite()) refuse("design", i, design.row(i).sum(), "finite");
    if (weights.size() != 0 && !(weights[i] >= 0 && std::isfinite(weights[i])))
      refuse("weight", i, weights[i], "finite and not negative");
  }
}

/// b - r - A x and -A'r, summed in long double.
struct Defects {
  VectorXd top, bottom;

  Defects(const MatrixXd& a, const VectorXd& b, const VectorXd& r, const VectorXd& x)
      : top(b.size()), bottom(x.size()) {
    for (Index i = 0; i < b.size(); ++i) {
      long double sum = static_cast<long double>(b[i]) - r[i];
      for (Index j = 0; j < x.size(); ++j) sum -= static_cast<long double>(a(i, j)) * x[j];
      top[i] = static_cast<double>(sum);
    }
    for (Index j = 0; j < x.size(); ++j) {
      long double sum = 0;
      for (Index i = 0; i < b.size(); ++i) sum -= static_cast<long double>(a(i, j)) * r[i];
      bottom[j] = static_cast<double>(sum);
    }
  }
};

/// One step of refinement of the augmented system (I A; A' 0)(r; x) = (b; 0) by the QR of A.
inline void refine(const Qr& qr, const MatrixXd& a, const VectorXd& b, VectorXd& r, VectorXd& x) {
  const Index p = x.size();
  const Defects defects(a, b, r, x);
  const auto triangle = qr.matrixR().topLeftCorner(p, p).triangularView<Eigen::Upper>();
  const VectorXd permuted = qr.colsPermutation().transpose() * defects.bottom;
  const VectorXd h = triangle.transpose().solve(permuted);
  VectorXd turned = qr.householderQ().adjoint() * defects.top;
  const VectorXd step = triangle.solve(turned.head(p) - h);
  turned.head(p) = h;
  r += VectorXd(qr.householderQ() * turned);
  x += VectorXd(qr.colsPermutation() * step);
}

/// (A'A)^-1 from the triangle: R^-1 R^-T, the pivoting undone.
inline MatrixXd inverse_cross_product(const Qr& qr, Index p) {
  const MatrixXd inverse =
      qr.matrixR().topLeftCorner(p, p).triangularView<Eigen::Upper>().solve(MatrixXd::Identity(p, p));
  const MatrixXd permuted = inverse * inverse.transpose();
  return qr.colsPermutation() * permuted * qr.colsPermutation().transpose();
}

inline double total_sum_of_squares(const VectorXd& y, const VectorXd& w) {
  long double weight = 0, sum = 0, squares = 0;
  for (Index i = 0; i < y.size(); ++i) weight += w[i], sum += static_cast<long double>(w[i]) * y[i];
  const long double mean = weight > 0 ? sum / weight : 0;
  for (Index i = 0; i < y.size(); ++i) squares += w[i] * (y[i] - mean) * (y[i] - mean);
  return static_cast<double>(squares);
}

inline void solve(const MatrixXd& a, const VectorXd& b, const VectorXd& lengths, LinearFit& fit) {
  const Index p = a.cols();
  Qr qr;
  qr.setThreshold(dependent);
  qr.compute(a);
  fit.rank = static_cast<int>(qr.rank());
  fit.coefficients = VectorXd::Constant(p, nan);
  fit.unscaled_covariance = MatrixXd::Constant(p, p, nan);
  VectorXd x = qr.solve(b);
  if (fit.determined() && a.rows() >= p) {
    VectorXd r = b - a * x;
    for (int i = 0; i < refinements; ++i) refine(qr, a, b, r, x);
    const VectorXd inverse_lengths = lengths.cwiseInverse();
    fit.coefficients = x.cwiseProduct(inverse_lengths);
    fit.unscaled_covariance =
        inverse_lengths.asDiagonal() * inverse_cross_product(qr, p) * inverse_lengths.asDiagonal();
  }
  fit.fitted = x.cwiseQuotient(lengths);  // basic solution for now; multiplied by the unweighted design by the caller
}

}  // namespace detail_least_squares

MOLTSPAN_INLINE double LinearFit::standard_error(Eigen::Index coefficient) const {
  return residual_sd * std::sqrt(unscaled_covariance(coefficient, coefficient));
}

MOLTSPAN_INLINE double LinearFit::leverage_root(const Eigen::RowVectorXd& row) const {
  return std::sqrt(std::max(row.dot(unscaled_covariance * row.transpose()), 0.0));
}

MOLTSPAN_INLINE LinearFit least_squares(const Eigen::MatrixXd& design, const Eigen::VectorXd& response, const Eigen::VectorXd& weights) {
  detail_least_squares::check(design, response, weights);
  const Eigen::VectorXd w = weights.size() == 0 ? Eigen::VectorXd::Ones(response.size()) : weights;
  const Eigen::VectorXd root = w.cwiseSqrt();
  Eigen::MatrixXd scaled = root.asDiagonal() * design;
  Eigen::VectorXd lengths = scaled.colwise().norm().transpose();
  for (Eigen::Index j = 0; j < lengths.size(); ++j)
    if (lengths[j] == 0) lengths[j] = 1;
  scaled *= lengths.cwiseInverse().asDiagonal();

  LinearFit fit;
  fit.n = static_cast<int>((w.array() > 0).count());
  detail_least_squares::solve(scaled, root.cwiseProduct(response), lengths, fit);
  const Eigen::VectorXd basic = fit.fitted;
  fit.residuals = detail_least_squares::Defects(design, response, Eigen::VectorXd::Zero(response.size()), basic).top;
  fit.fitted = response - fit.residuals;
  fit.residual_df = fit.n - fit.rank;
  fit.residual_sum_of_squares = w.dot(fit.residuals.cwiseAbs2());
  fit.residual_sd = fit.residual_df > 0 ? std::sqrt(fit.residual_sum_of_squares / fit.residual_df) : detail_least_squares::nan;
  const double total = detail_least_squares::total_sum_of_squares(response, w);
  fit.r_squared = total > 0 ? 1 - fit.residual_sum_of_squares / total : detail_least_squares::nan;
  return fit;
}

MOLTSPAN_INLINE MeanSd mean_sd(std::span<const double> values) {
  if (values.empty()) throw std::invalid_argument("mean_sd: no values; give at least one");
  const auto n = static_cast<long double>(values.size());
  long double mean = 0, drift = 0, squares = 0;
  for (const double value : values) mean += value;
  mean /= n;
  for (const double value : values) drift += value - mean;
  mean += drift / n;
  drift = 0;
  for (const double value : values) drift += value - mean, squares += (value - mean) * (value - mean);
  const long double variance = (squares - drift * drift / n) / (n - 1);
  return {static_cast<double>(mean), values.size() > 1 ? static_cast<double>(std::sqrt(variance)) : detail_least_squares::nan};
}

}  // namespace moltspan::numeric
