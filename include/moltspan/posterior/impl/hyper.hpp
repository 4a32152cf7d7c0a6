#pragma once

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <boost/math/distributions/normal.hpp>
#include <cmath>
#include <limits>
#include <optional>
#include <stdexcept>

#include "moltspan/numeric/bfgs.hpp"
#include "moltspan/numeric/parallel.hpp"
#include "moltspan/posterior/hyper.hpp"
#include "moltspan/posterior/lattice.hpp"

namespace moltspan {
namespace hyper {

using Eigen::MatrixXd;
using Eigen::VectorXd;

/// Spacing of a grid in posterior sds, and the log density lost against the mode at which it ends.
struct GridShape {
  double spacing, drop;
};
inline constexpr GridShape fine_grid{1.25, 8};   // trapezoid sums of a Gaussian err by 7e-6
inline constexpr GridShape coarse_grid{1.5, 5};  // by 3e-4: for posteriors so narrow that nothing hangs on it

inline constexpr double difference_step = 1e-3;  ///< for gradients of the log marginal, whose rounding is about 1e-12
inline constexpr double hessian_step = 0.05;

/// The posterior near its mode in principal axes: hyper = mode + axes * z, with z of about unit scale.
struct PrincipalAxes {
  VectorXd mode;
  MatrixXd axes;
  VectorXd at(const VectorXd& z) const { return mode + axes * z; }
};

inline PrincipalAxes principal_axes(const Objective& log_posterior, const VectorXd& mode) {
  const Eigen::SelfAdjointEigenSolver<MatrixXd> parts(-difference_hessian(log_posterior, mode, hessian_step));
  const VectorXd scale = parts.eigenvalues().cwiseMax(0.06).cwiseMin(1e8).cwiseSqrt().cwiseInverse();
  return {mode, oriented(parts.eigenvectors() * scale.asDiagonal())};
}

/// BFGS in units of the posterior sds that the curvature at the start gives. Many data and a start from a part of them:
/// the posterior is narrow there, and the mode, where points are only centered, need not be sharp. Nothing where the
/// start shows no maximum near.
inline std::optional<PrincipalAxes> near_mode(const Objective& log_posterior, const VectorXd& start, const Maximiser& maximiser) {
  constexpr double step = 0.02, gain_left = 0.02, step_in_sds = 0.02;
  const MatrixXd curvature = -difference_hessian(log_posterior, start, step);
  const Eigen::SelfAdjointEigenSolver<MatrixXd> parts(curvature);
  if (!curvature.allFinite() || !(parts.eigenvalues().minCoeff() > 1)) return {};
  PrincipalAxes axes{start, parts.eigenvectors() * parts.eigenvalues().cwiseSqrt().cwiseInverse().asDiagonal()};
  const Objective in_sds = [&](const VectorXd& z) { return log_posterior(axes.at(z)); };
  const Maximum maximum =
      maximiser(in_sds, VectorXd::Zero(start.size()), step_in_sds, gain_left / (1 + std::abs(log_posterior(start))));
  if (!maximum.converged) return {};
  axes.mode = axes.at(maximum.x);
  return axes;
}

inline PrincipalAxes find_mode(HyperPosterior& result, const Objective& log_posterior, const VectorXd& start,
                        const HyperOptions& options, const Maximiser& maximiser) {
  if (options.large) {
    if (const auto found = near_mode(log_posterior, start, maximiser)) {
      result.mode = found->mode;
      return *found;
    }
  }
  const Maximum maximum = maximiser(log_posterior, start, difference_step, options.mode_tolerance);
  result.mode = maximum.x;
  result.converged = maximum.converged;
  return principal_axes(log_posterior, maximum.x);
}

/// Positions along one axis, a multiple of the spacing each, and the log density lost there.
struct AxisWalk {
  std::vector<double> z, drop;
};

inline AxisWalk walk_axis(const Objective& log_posterior, const PrincipalAxes& axes, int axis, double top,
                   const GridShape& shape) {
  AxisWalk walk;
  for (int direction : {-1, 1}) {
    for (int k = direction < 0 ? 1 : 0; k < 40; ++k) {
      VectorXd z = VectorXd::Zero(axes.mode.size());
      z[axis] = direction * k * shape.spacing;
      const double drop = top - log_posterior(axes.at(z));
      if (!(drop < shape.drop)) break;
      walk.z.push_back(z[axis]);
      walk.drop.push_back(drop);
    }
  }
  return walk;
}

/// Full grid over one or two principal axes, less the corners that no mass reaches.
inline std::vector<VectorXd> grid_points(const Objective& log_posterior, const PrincipalAxes& axes, double top,
                                  const GridShape& shape) {
  const AxisWalk first = walk_axis(log_posterior, axes, 0, top, shape);
  std::vector<VectorXd> points;
  if (axes.mode.size() == 1) {
    for (double z : first.z) points.push_back(axes.at(VectorXd::Constant(1, z)));
    return points;
  }
  const AxisWalk second = walk_axis(log_posterior, axes, 1, top, shape);
  for (std::size_t i = 0; i < first.z.size(); ++i)
    for (std::size_t j = 0; j < second.z.size(); ++j)
      if (first.drop[i] + second.drop[j] < 1.3 * shape.drop)
        points.push_back(axes.at(Eigen::Vector2d(first.z[i], second.z[j])));
  return points;
}

/// Scale of a split Student-t along one direction, from the log density lost at 1.2 sds.
inline double side_scale(const Objective& log_posterior, const PrincipalAxes& axes, int axis, double direction, double top) {
  constexpr double distance = 1.2;
  VectorXd z = VectorXd::Zero(axes.mode.size());
  z[axis] = direction * distance;
  const double drop = top - log_posterior(axes.at(z));
  if (!(drop > 0)) return std::isfinite(drop) ? 3.0 : 0.5;
  return std::clamp(distance / std::sqrt(2 * drop), 0.4, 3.0);
}

/// Solves the points from `first` on, with one solver a thread that keeps its last mode as the next start. Fills
/// `log_posterior`.
inline void solve_points(const SolverMaker& make_solver, const std::vector<VectorXd>& points, std::size_t first, int threads,
                  VectorXd& log_posterior) {
  log_posterior.conservativeResize(static_cast<Eigen::Index>(points.size()));
  const auto work = [&](std::size_t from, std::size_t to) {
    const PointSolver solve = make_solver();
    for (std::size_t i = from; i < to; ++i) log_posterior[static_cast<Eigen::Index>(i)] = solve(i, points[i]);
  };
  numeric::in_parts(first, points.size(), threads, work);
}

/// Normalised weights and the log of their mean (lattice) or sum (grid).
inline void set_weights(HyperPosterior& result, const std::vector<VectorXd>& points, const VectorXd& log_weights) {
  const double top = points.empty() ? -std::numeric_limits<double>::infinity() : log_weights.maxCoeff();
  if (!std::isfinite(top))
    throw std::runtime_error(
        "no posterior could be found at any hyperparameters: look for records that contradict each "
        "other, or give narrower priors");
  // Number by number: Eigen's packed exp makes a failed point's -infinity a tiny weight instead of none.
  const Eigen::ArrayXd w = (log_weights.array() - top).unaryExpr([](double x) { return std::exp(x); });
  result.weights = w / w.sum();
  result.log_evidence = top + std::log(w.sum());
  result.failed_points = static_cast<int>((w == 0).count());
  result.points.resize(static_cast<Eigen::Index>(points.size()), points.empty() ? 0 : points[0].size());
  for (std::size_t i = 0; i < points.size(); ++i)
    result.points.row(static_cast<Eigen::Index>(i)) = points[i].transpose();
}

inline double log_volume(const PrincipalAxes& axes) { return std::log(std::abs(axes.axes.determinant())); }

inline void integrate_on_grid(HyperPosterior& result, const SolverMaker& make_solver, const Objective& log_posterior,
                       const PrincipalAxes& axes, const HyperOptions& options, const PointCount& begin) {
  const GridShape& shape = options.large ? coarse_grid : fine_grid;
  const auto points = grid_points(log_posterior, axes, log_posterior(axes.mode), shape);
  begin(points.size());
  VectorXd weights;
  solve_points(make_solver, points, 0, options.threads, weights);
  set_weights(result, points, weights);
  result.log_evidence += log_volume(axes) + static_cast<double>(axes.mode.size()) * std::log(shape.spacing);
}

inline void integrate_on_lattice(HyperPosterior& result, const SolverMaker& make_solver, const Objective& log_posterior,
                          const PrincipalAxes& axes, const HyperOptions& options, const PointCount& begin) {
  const double top = log_posterior(axes.mode);
  std::vector<SplitStudent> sides;
  for (int k = 0; k < axes.mode.size(); ++k)
    sides.push_back({side_scale(log_posterior, axes, k, -1, top), side_scale(log_posterior, axes, k, 1, top)});
  Lattice lattice(LatticeLaw(axes.mode, axes.axes, std::move(sides)));
  VectorXd log_posterior_at;
  for (int count = std::min(options.large ? 32 : 128, options.max_points);;
       count = std::min(2 * count, options.max_points)) {
    const std::size_t done = lattice.points().size();
    lattice.extend(count);
    begin(lattice.points().size());
    solve_points(make_solver, lattice.points(), done, options.threads, log_posterior_at);
    const VectorXd weights = log_posterior_at - lattice.log_proposal();
    result.effective_points = effective_number(weights);
    if (count < options.max_points && result.effective_points < options.enough_points) {
      if (options.recentre && std::isfinite(weights.maxCoeff())) lattice.recentre(weights);
      continue;
    }
    set_weights(result, lattice.points(), weights);
    result.log_evidence -= std::log(count);
    return;
  }
}

inline std::vector<VectorXd> gaussian_points(const VectorXd& mode, const MatrixXd& covariance) {
  const Eigen::SelfAdjointEigenSolver<MatrixXd> parts(covariance);
  const MatrixXd root = parts.eigenvectors() * parts.eigenvalues().cwiseMax(0).cwiseSqrt().asDiagonal();
  std::vector<VectorXd> points;
  const boost::math::normal_distribution<double> normal;
  for (int i = 0; i < 64; ++i) {
    const VectorXd u = lattice_point(i, mode.size());
    points.push_back(mode + root * u.unaryExpr([&](double p) { return boost::math::quantile(normal, p); }));
  }
  return points;
}

/// Maximum likelihood: the Gaussian approximation of the estimate stands for the posterior.
inline void integrate_gaussian(HyperPosterior& result, const SolverMaker& make_solver, const VectorXd& mode,
                        const HyperOptions& options, const PointCount& begin) {
  std::vector<VectorXd> points = gaussian_points(mode, options.covariance);
  if (options.given_points.rows() > 0) {
    points.clear();
    for (Eigen::Index i = 0; i < options.given_points.rows(); ++i) points.push_back(options.given_points.row(i));
  }
  begin(points.size());
  VectorXd weights;
  solve_points(make_solver, points, 0, options.threads, weights);
  weights = weights.unaryExpr([](double w) { return std::isfinite(w) ? 0.0 : w; });
  set_weights(result, points, weights);
}

}  // namespace hyper

MOLTSPAN_INLINE HyperPosterior integrate_hyperparameters(const Objective& log_posterior, const SolverMaker& make_solver,
                                         const Eigen::VectorXd& start, const HyperOptions& options, const PointCount& begin,
                                         const Maximiser& maximiser) {
  HyperPosterior result;
  if (options.gaussian_only) {
    result.mode = start;
    hyper::integrate_gaussian(result, make_solver, start, options, begin);
    return result;
  }
  const Objective counted = [&](const Eigen::VectorXd& hyper) {
    ++result.evaluations;
    return log_posterior(hyper);
  };
  const hyper::PrincipalAxes axes = hyper::find_mode(result, counted, start, options, maximiser);
  if (start.size() <= 2)
    hyper::integrate_on_grid(result, make_solver, counted, axes, options, begin);
  else
    hyper::integrate_on_lattice(result, make_solver, counted, axes, options, begin);
  return result;
}

MOLTSPAN_INLINE HyperPosterior integrate_hyperparameters(const LatentModel& model, const Eigen::VectorXd& start,
                                                         const HyperOptions& options, const PointCount& begin,
                                                         const PointVisitor& visit, const Maximiser& maximiser) {
  return hyper::integrate_model(model, start, options, begin, visit, maximiser);
}

MOLTSPAN_INLINE Maximum maximise(const Objective& objective, const Eigen::VectorXd& start, double step, double tolerance) {
  return usual_maximiser()(objective, start, step, tolerance);
}

#ifndef MOLTSPAN_COMPILED
inline Maximiser usual_maximiser() { return numeric::Bfgs{}; }
#endif

}  // namespace moltspan
