#include "moltspan/numeric/bfgs.hpp"

#include <gtest/gtest.h>

#include <cmath>

// Functions whose maxima are known by hand.

namespace moltspan::numeric {
namespace {

TEST(Bfgs, ClimbsRosenbrocksValley) {
  // Rosenbrock 1960, Computer Journal 3:175: the maximum of minus his function is 0 at (1, 1).
  const Objective valley = [](const Eigen::VectorXd& x) {
    return -100 * std::pow(x[1] - x[0] * x[0], 2) - std::pow(1 - x[0], 2);
  };
  const Maximum found = Bfgs{}(valley, Eigen::Vector2d(-1.2, 1), 1e-5, 1e-13);
  EXPECT_TRUE(found.converged);
  EXPECT_NEAR(found.x[0], 1, 1e-4);  // the gradient is under 1e-8 where the valley's curvature is about .5
  EXPECT_NEAR(found.x[1], 1, 1e-4);
}

TEST(Bfgs, StaysInTheDomain) {
  const Objective logs = [](const Eigen::VectorXd& x) { return x[0] > 0 ? std::log(x[0]) - x[0] : -INFINITY; };
  const Maximum found = Bfgs{}(logs, Eigen::VectorXd::Constant(1, 0.01), 1e-4, 1e-11);
  EXPECT_TRUE(found.converged);
  EXPECT_NEAR(found.x[0], 1, 1e-4);
}

TEST(Bfgs, SaysThatAStartOutsideTheDomainHasNoMaximum) {
  const Objective nowhere = [](const Eigen::VectorXd&) { return -INFINITY; };
  EXPECT_FALSE(Bfgs{}(nowhere, Eigen::VectorXd::Zero(2), 1e-4, 1e-11).converged);
}

TEST(Bfgs, TakesAQuadraticInAFewSteps) {
  const Objective hill = [](const Eigen::VectorXd& x) { return -3 * x[0] * x[0] - 0.5 * x[1] * x[1] - x[0] * x[1] + x[0]; };
  const Maximum found = Bfgs{}(hill, Eigen::Vector2d(4, -7), 1e-4, 1e-11);
  EXPECT_TRUE(found.converged);
  EXPECT_LT(found.iterations, 15);
  EXPECT_NEAR(found.x[0], 0.2, 1e-6);  // 6 x + y = 1, x + y = 0
  EXPECT_NEAR(found.x[1], -0.2, 1e-6);
}

}  // namespace
}  // namespace moltspan::numeric
