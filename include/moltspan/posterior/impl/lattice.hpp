#pragma once

#include <Eigen/Eigenvalues>
#include <Eigen/LU>
#include <algorithm>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <limits>

#include "moltspan/config.hpp"
#include "moltspan/posterior/lattice.hpp"

namespace moltspan {

namespace detail_lattice {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

inline constexpr double tail_degrees = 6;      ///< of freedom: heavier tails than any posterior seen here
inline constexpr double least_effective = 20;  ///< times the dimensions: points that a new law is laid by
inline constexpr int one_in_wide = 4;  ///< points go to a law that is `wide` times as wide, lest one far out weigh most
inline constexpr double wide = 2;
inline constexpr int halvings = 30;

inline double student_log_density(double z) {
  static const double at_0 =
      std::log(boost::math::pdf(boost::math::students_t_distribution<double>(tail_degrees), 0.0));
  return at_0 - 0.5 * (tail_degrees + 1) * std::log1p(z * z / tail_degrees);
}

/// Weights to the power at which enough points count.
inline VectorXd flattened(const VectorXd& log_weights, double enough) {
  double low = 0, high = 1;
  if (effective_number(log_weights) < enough)
    for (int i = 0; i < halvings; ++i) {
      const double middle = 0.5 * (low + high);
      (effective_number(middle * log_weights) < enough ? high : low) = middle;
    }
  const double power = low > 0 ? low : high;
  const double top = log_weights.maxCoeff();
  const VectorXd w = log_weights.unaryExpr([&](double x) { return std::exp(power * (x - top)); });
  return w / w.sum();
}

/// Scales to either side of the center: each the root mean square of its own half.
inline SplitStudent sides_of(const VectorXd& z, const VectorXd& weights) {
  double left = 0, right = 0, left_weight = 0, right_weight = 0;
  for (Index i = 0; i < z.size(); ++i) {
    (z[i] < 0 ? left : right) += weights[i] * z[i] * z[i];
    (z[i] < 0 ? left_weight : right_weight) += weights[i];
  }
  const auto scale = [](double square, double weight) {
    return weight > 0 ? std::clamp(std::sqrt(square / weight), 0.4, 3.0) : 1.0;
  };
  return {scale(left, left_weight), scale(right, right_weight)};
}

}  // namespace detail_lattice

MOLTSPAN_INLINE double SplitStudent::quantile(double u) const {
  static const boost::math::students_t_distribution<double> student(detail_lattice::tail_degrees);
  const double share = left / (left + right);
  if (u < share) return left * boost::math::quantile(student, 0.5 * u / share);
  return right * boost::math::quantile(student, 0.5 + 0.5 * (u - share) / (1 - share));
}

MOLTSPAN_INLINE double SplitStudent::log_density(double z) const {
  return std::log(2 / (left + right)) + detail_lattice::student_log_density(z / (z < 0 ? left : right));
}

MOLTSPAN_INLINE LatticeLaw::LatticeLaw(Eigen::VectorXd center_at, Eigen::MatrixXd along, std::vector<SplitStudent> scales)
    : center(std::move(center_at)), axes(std::move(along)), inverse(axes.inverse()), sides(std::move(scales)) {
  log_volume = std::log(std::abs(axes.determinant()));
}

MOLTSPAN_INLINE Eigen::VectorXd LatticeLaw::at(const Eigen::VectorXd& u) const {
  Eigen::VectorXd z(u.size());
  for (Eigen::Index k = 0; k < z.size(); ++k) z[k] = sides[static_cast<std::size_t>(k)].quantile(u[k]);
  return center + axes * z;
}

MOLTSPAN_INLINE double LatticeLaw::log_density(const Eigen::VectorXd& x) const {
  const Eigen::VectorXd z = inverse * (x - center);
  double total = -log_volume;
  for (Eigen::Index k = 0; k < z.size(); ++k) total += sides[static_cast<std::size_t>(k)].log_density(z[k]);
  return total;
}

MOLTSPAN_INLINE void Lattice::extend(int count) {
  for (int i = static_cast<int>(points_.size()); i < count; ++i) {
    const std::size_t law = laws_.size() - (laws_.size() > 1 && i % detail_lattice::one_in_wide != 0 ? 2 : 1);
    points_.push_back(laws_[law].at(lattice_point(i, laws_[law].center.size())));
    ++counts_[law];
  }
}

MOLTSPAN_INLINE Eigen::VectorXd Lattice::log_proposal() const {
  Eigen::VectorXd result(static_cast<Eigen::Index>(points_.size()));
  for (std::size_t i = 0; i < points_.size(); ++i) {
    if (laws_.size() == 1) {
      result[static_cast<Eigen::Index>(i)] = laws_.front().log_density(points_[i]);
      continue;
    }
    double sum = 0;
    for (std::size_t k = 0; k < laws_.size(); ++k) sum += counts_[k] * std::exp(laws_[k].log_density(points_[i]));
    result[static_cast<Eigen::Index>(i)] = std::log(sum / static_cast<double>(points_.size()));
  }
  return result;
}

MOLTSPAN_INLINE void Lattice::recentre(const Eigen::VectorXd& log_weights) {
  const auto n = static_cast<Eigen::Index>(points_.size());
  const Eigen::Index dim = points_.front().size();
  const Eigen::VectorXd weights = detail_lattice::flattened(log_weights, detail_lattice::least_effective * static_cast<double>(dim));
  Eigen::VectorXd center = Eigen::VectorXd::Zero(dim);
  for (Eigen::Index i = 0; i < n; ++i) center += weights[i] * points_[static_cast<std::size_t>(i)];
  Eigen::MatrixXd covariance = Eigen::MatrixXd::Zero(dim, dim);
  for (Eigen::Index i = 0; i < n; ++i) {
    const Eigen::VectorXd away = points_[static_cast<std::size_t>(i)] - center;
    covariance += weights[i] * away * away.transpose();
  }
  const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> parts(covariance);
  const Eigen::MatrixXd axes = oriented(parts.eigenvectors() * parts.eigenvalues().cwiseMax(1e-12).cwiseSqrt().asDiagonal());
  const Eigen::MatrixXd inverse = axes.inverse();
  Eigen::MatrixXd z(dim, n);
  for (Eigen::Index i = 0; i < n; ++i) z.col(i) = inverse * (points_[static_cast<std::size_t>(i)] - center);
  std::vector<SplitStudent> sides;
  for (Eigen::Index k = 0; k < dim; ++k) sides.push_back(detail_lattice::sides_of(z.row(k).transpose(), weights));
  laws_.emplace_back(center, axes, sides);
  laws_.emplace_back(center, detail_lattice::wide * axes, sides);
  counts_.resize(laws_.size(), 0);
}

MOLTSPAN_INLINE Eigen::MatrixXd oriented(Eigen::MatrixXd axes) {
  for (Eigen::Index k = 0; k < axes.cols(); ++k) {
    Eigen::Index largest = 0;
    axes.col(k).cwiseAbs().maxCoeff(&largest);
    if (axes(largest, k) < 0) axes.col(k) *= -1;
  }
  return axes;
}

MOLTSPAN_INLINE double effective_number(const Eigen::VectorXd& log_weights) {
  const double top = log_weights.maxCoeff();
  const Eigen::ArrayXd w = log_weights.array().unaryExpr([top](double x) { return std::exp(x - top); });
  return w.sum() * w.sum() / w.square().sum();
}

MOLTSPAN_INLINE Eigen::VectorXd lattice_point(int index, Eigen::Index dim) {
  double ratio = 1.5;
  for (int i = 0; i < 60; ++i) ratio = std::pow(1 + ratio, 1.0 / (static_cast<double>(dim) + 1));
  Eigen::VectorXd u(dim);
  for (Eigen::Index i = 0; i < dim; ++i) {
    const double x = 0.5 + (index + 1) * std::pow(ratio, -static_cast<double>(i + 1));
    u[i] = std::clamp(x - std::floor(x), 1e-9, 1 - 1e-9);
  }
  return u;
}

}  // namespace moltspan
