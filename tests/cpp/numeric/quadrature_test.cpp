#include "moltspan/numeric/quadrature.hpp"

#include <gtest/gtest.h>

#include <cmath>

namespace moltspan::numeric {
namespace {

double moment(const QuadratureRule& rule, int degree) {
  double sum = 0;
  for (Eigen::Index i = 0; i < rule.nodes.size(); ++i) sum += rule.weights[i] * std::pow(rule.nodes[i], degree);
  return sum;
}

class Quadrature : public testing::TestWithParam<int> {};

// A rule of n nodes is exact up to degree 2 n - 1 and not beyond: the monomials decide.
TEST_P(Quadrature, LegendreIntegratesPolynomialsOfDegreeTwoNMinusOne) {
  const int n = GetParam();
  const QuadratureRule& rule = gauss_legendre(n);
  ASSERT_EQ(rule.nodes.size(), n);
  for (int degree = 0; degree < 2 * n; ++degree)
    EXPECT_NEAR(moment(rule, degree), degree % 2 ? 0 : 2.0 / (degree + 1), 2e-14) << degree;  // n roundings
  EXPECT_GT(rule.weights.minCoeff(), 0);
}

TEST_P(Quadrature, HermiteHasTheMomentsOfTheStandardNormal) {
  const int n = GetParam();
  const QuadratureRule& rule = gauss_hermite(n);
  ASSERT_EQ(rule.nodes.size(), n);
  double double_factorial = 1;  // (degree - 1)!!
  for (int degree = 0; degree < 2 * n && degree <= 20; degree += 2) {
    if (degree > 0) double_factorial *= degree - 1;
    EXPECT_NEAR(moment(rule, degree) / double_factorial, 1, 1e-12) << degree;
    EXPECT_NEAR(moment(rule, degree + 1) / double_factorial, 0, 1e-11) << degree + 1;
  }
}

INSTANTIATE_TEST_SUITE_P(Nodes, Quadrature, testing::Values(1, 2, 3, 4, 6, 8, 16, 25));

TEST(QuadratureRules, OneDegreeBeyondIsWrong) {
  EXPECT_GT(std::abs(moment(gauss_legendre(3), 6) - 2.0 / 7), 0.01);
  EXPECT_GT(std::abs(moment(gauss_hermite(3), 6) - 15), 1);
}

TEST(QuadratureRules, ThreeNodesAreThoseOfTheTables) {
  EXPECT_NEAR(gauss_legendre(3).nodes.maxCoeff(), std::sqrt(0.6), 1e-15);
  EXPECT_NEAR(gauss_hermite(3).nodes.maxCoeff(), std::sqrt(3.), 1e-15);
  EXPECT_NEAR(gauss_hermite(3).weights.maxCoeff(), 2.0 / 3, 1e-15);
}

TEST(QuadratureRules, ManyNodesKeepTheirSum) {
  EXPECT_NEAR(gauss_hermite(200).weights.sum(), 1, 1e-12);
  EXPECT_NEAR(gauss_legendre(200).weights.sum(), 2, 1e-12);
  // E exp(X) = exp(1/2).
  const auto& rule = gauss_hermite(40);
  EXPECT_NEAR((rule.weights.array() * rule.nodes.array().exp()).sum(), std::exp(0.5), 1e-13);
}

TEST(QuadratureRules, TheSameRuleIsHandedOutAgain) { EXPECT_EQ(&gauss_legendre(7), &gauss_legendre(7)); }

}  // namespace
}  // namespace moltspan::numeric
