#include "moltspan/intervals/wald.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <stdexcept>

namespace moltspan {
namespace {

TEST(WaldIntervals, ReachZStandardErrors) {
  const Intervals found = wald_intervals(Eigen::Vector2d(1, -2), Eigen::Vector2d(0.5, 0), 0.95);
  EXPECT_NEAR(found.upper[0], 1 + 0.5 * 1.959963984540054, 1e-14);  // tables of the normal distribution
  EXPECT_NEAR(found.lower[0], 1 - 0.5 * 1.959963984540054, 1e-14);
  EXPECT_EQ(found.lower[1], -2);
  const Intervals logs = log_wald_intervals(Eigen::Vector2d(1, -2), Eigen::Vector2d(0.5, 0), 0.95);
  EXPECT_NEAR(logs.upper[0], std::exp(found.upper[0]), 1e-14);
  EXPECT_NEAR(logs.estimate[1], std::exp(-2), 1e-16);
}

TEST(WaldIntervals, LevelsLieBetween0And1) {
  const Eigen::VectorXd one = Eigen::VectorXd::Ones(1);
  for (double level : {0.0, 1.0, -0.5, 95.0, std::nan("")}) EXPECT_THROW(wald_intervals(one, one, level), std::invalid_argument);
}

TEST(WaldIntervals, SpreadsOfAFitGoThroughTheirLogarithms) {
  StadiaData data;
  data.bounds = {{31, 31}, {44, 44}, {52, 52}, {39, 39}, {61, 61}, {47, 47}};
  data.covariates = Eigen::MatrixXd::Ones(6, 1);
  data.coefficients = {{"log_base", CoefficientRole::intercept}};  // a name that looks like a logarithm of a spread
  const StadiaFit fit = fit_stadia(data);
  const ParameterIntervals found = parameter_intervals(fit, 0.9);
  EXPECT_EQ(found.names, (std::vector<std::string>{"log_base", "sigma"}));
  const double z = 1.6448536269514722, error = std::sqrt(fit.estimate.covariance(1, 1));
  EXPECT_EQ(found.of.estimate[0], fit.coefficients[0]);
  EXPECT_EQ(found.of.estimate[1], fit.sigma);
  EXPECT_NEAR(found.of.lower[1], fit.sigma * std::exp(-z * error), 1e-14);
  EXPECT_NEAR(found.of.upper[0], fit.coefficients[0] + z * fit.coefficient_errors[0], 1e-14);
}

}  // namespace
}  // namespace moltspan
