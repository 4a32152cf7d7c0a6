#include "optimise/ceres_maximiser.hpp"

#include <ceres/gradient_problem.h>
#include <ceres/gradient_problem_solver.h>

#include <cmath>

namespace moltspan::optimise {
namespace {

using Eigen::VectorXd;

/// Ceres minimises; this is minus the objective with central differences.
class NegativeObjective final : public ceres::FirstOrderFunction {
 public:
  NegativeObjective(const Objective& objective, int size, double step)
      : objective_(objective), size_(size), step_(step) {}

  bool Evaluate(const double* x, double* cost, double* gradient) const override {
    VectorXd at = Eigen::Map<const VectorXd>(x, size_);
    *cost = -objective_(at);
    if (!std::isfinite(*cost)) return false;
    for (int i = 0; gradient != nullptr && i < size_; ++i) {
      at[i] = x[i] + step_;
      const double up = objective_(at);
      at[i] = x[i] - step_;
      const double down = objective_(at);
      at[i] = x[i];
      gradient[i] = -(up - down) / (2 * step_);
      if (!std::isfinite(gradient[i])) return false;
    }
    return true;
  }
  int NumParameters() const override { return size_; }

 private:
  const Objective& objective_;
  int size_;
  double step_;
};

}  // namespace

Maximum ceres_maximum(const Objective& objective, const VectorXd& start, double step, double tolerance) {
  Maximum maximum{start, 0, true, 0};
  if (start.size() > 0) {
    const ceres::GradientProblem problem(new NegativeObjective(objective, static_cast<int>(start.size()), step));
    ceres::GradientProblemSolver::Options options;
    options.line_search_direction_type = ceres::BFGS;
    options.max_num_iterations = 200;
    options.function_tolerance = tolerance;
    options.gradient_tolerance = 1e5 * tolerance;
    options.parameter_tolerance = 1e-9;
    options.logging_type = ceres::SILENT;
    ceres::GradientProblemSolver::Summary summary;
    ceres::Solve(options, problem, maximum.x.data(), &summary);
    maximum.converged = summary.IsSolutionUsable();
    maximum.iterations = static_cast<int>(summary.iterations.size());
  }
  maximum.value = objective(maximum.x);
  return maximum;
}

}  // namespace moltspan::optimise
