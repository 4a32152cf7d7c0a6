#pragma once

#include <Eigen/Core>
#include <functional>

/// @file
/// Functions to maximise, and differences of them.
namespace moltspan {

/// A function to maximise: value at x, or -infinity outside its domain.
using Objective = std::function<double(const Eigen::VectorXd&)>;

struct Maximum {
  Eigen::VectorXd x;
  double value = 0;
  bool converged = false;
  int iterations = 0;
};

/// Looks for the maximum of a function from `start`; derivatives by central differences of width `step`, until a step gains
/// less than `tolerance` of the value or the gradient is under 1e5 x `tolerance`.
using Maximiser =
    std::function<Maximum(const Objective& objective, const Eigen::VectorXd& start, double step, double tolerance)>;

/// Second derivatives by central differences.
inline Eigen::MatrixXd difference_hessian(const Objective& objective, const Eigen::VectorXd& x, double step) {
  const Eigen::Index n = x.size();
  Eigen::MatrixXd hessian(n, n);
  const double middle = objective(x);
  Eigen::VectorXd up(n);
  const auto at = [&](Eigen::Index i, double a, Eigen::Index j, double b) {
    Eigen::VectorXd moved = x;
    moved[i] += a * step;
    moved[j] += b * step;
    return objective(moved);
  };
  for (Eigen::Index i = 0; i < n; ++i) {
    up[i] = at(i, 1, i, 0);
    const double down = at(i, -1, i, 0);
    hessian(i, i) = (up[i] - 2 * middle + down) / (step * step);
    // One further value a pair: f(+,+) and f(-,-) with what is known along the axes.
    for (Eigen::Index j = 0; j < i; ++j) {
      const double cross = at(i, 1, j, 1) - up[i] - up[j] + 2 * middle -
                           (2 * middle - up[i] + hessian(i, i) * step * step) -
                           (2 * middle - up[j] + hessian(j, j) * step * step) + at(i, -1, j, -1);
      hessian(i, j) = hessian(j, i) = cross / (2 * step * step);
    }
  }
  return hessian;
}

/// Gradient by central differences.
inline Eigen::VectorXd difference_gradient(const Objective& objective, const Eigen::VectorXd& x, double step) {
  Eigen::VectorXd gradient(x.size()), at = x;
  for (Eigen::Index i = 0; i < x.size(); ++i) {
    at[i] = x[i] + step;
    const double up = objective(at);
    at[i] = x[i] - step;
    gradient[i] = (up - objective(at)) / (2 * step);
    at[i] = x[i];
  }
  return gradient;
}

}  // namespace moltspan
