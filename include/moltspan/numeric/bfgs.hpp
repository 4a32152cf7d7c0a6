#pragma once

#include <Eigen/Core>
#include <cmath>

#include "moltspan/numeric/maximum.hpp"

namespace moltspan::numeric {

/// Maximises by BFGS (Nocedal and Wright 2006, Numerical Optimization, 2nd ed., algorithm 6.1) with central differences
/// of width `step`, until a step gains less than `tolerance` of the value or the gradient is under 1e5 x `tolerance`. A step
/// that leaves the domain is halved. Not converged after 200 steps, or where no step along the ascent gains.
struct Bfgs {
  int most_steps = 200;

  Maximum operator()(const Objective& objective, const Eigen::VectorXd& start, double step, double tolerance) const {
    Maximum found{start, objective(start), start.size() == 0, 0};
    if (found.converged || !std::isfinite(found.value)) return found;
    Eigen::VectorXd gradient = difference_gradient(objective, start, step);
    Eigen::MatrixXd inverse = Eigen::MatrixXd::Identity(start.size(), start.size()) / std::max(1.0, gradient.norm());
    for (; found.iterations < most_steps && gradient.allFinite(); ++found.iterations) {
      if (gradient.cwiseAbs().maxCoeff() < 1e5 * tolerance) return converged(found);
      Eigen::VectorXd direction = inverse * gradient;
      if (!(direction.dot(gradient) > 0)) inverse.setIdentity(), direction = gradient;
      const Eigen::VectorXd from = found.x, gradient_from = gradient;
      const double before = found.value;
      if (!climb(objective, direction, direction.dot(gradient), found)) return found;
      gradient = difference_gradient(objective, found.x, step);
      update(inverse, found.x - from, gradient_from - gradient, found.iterations == 0);
      if (found.value - before < tolerance * std::abs(before)) return converged(found);
    }
    return found;
  }

 private:
  static Maximum converged(Maximum found) {
    found.converged = true;
    return found;
  }

  /// Halves the step until it gains a share of what the slope promises (Armijo); doubles the first while that gains more.
  static bool climb(const Objective& objective, const Eigen::VectorXd& direction, double slope, Maximum& found) {
    const Eigen::VectorXd from = found.x;
    const double before = found.value;
    for (double length = 1; length > 1e-12; length *= 0.5) {
      const double there = objective(from + length * direction);
      if (!(there >= before + 1e-4 * length * slope)) continue;
      found.x = from + length * direction, found.value = there;
      if (length == 1) lengthen(objective, from, direction, found);
      return true;
    }
    return false;
  }

  static void lengthen(const Objective& objective, const Eigen::VectorXd& from, const Eigen::VectorXd& direction, Maximum& found) {
    for (double length = 2; length < 1e3; length *= 2) {
      const double there = objective(from + length * direction);
      if (!(there > found.value)) return;
      found.x = from + length * direction, found.value = there;
    }
  }

  /// The inverse of the negative Hessian from a step and the fall of the gradient along it; none where that is not positive.
  static void update(Eigen::MatrixXd& inverse, const Eigen::VectorXd& moved, const Eigen::VectorXd& fall, bool first) {
    const double along = moved.dot(fall);
    if (!(along > 1e-12 * moved.norm() * fall.norm())) return;
    if (first) inverse = Eigen::MatrixXd::Identity(moved.size(), moved.size()) * (along / fall.squaredNorm());
    const Eigen::VectorXd turned = inverse * fall;
    inverse += (1 + fall.dot(turned) / along) / along * moved * moved.transpose() -
               (turned * moved.transpose() + moved * turned.transpose()) / along;
  }
};

}  // namespace moltspan::numeric
