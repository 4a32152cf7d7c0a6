#include "moltspan/numeric/normal.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <vector>

// Expected values: mpmath 1.3 at 60 digits, log(erfc(-z / sqrt 2) / 2) and its like, rounded to 20.
namespace moltspan::numeric {
namespace {

constexpr double eps = std::numeric_limits<double>::epsilon();

double relative(double found, double expected) { return std::abs(found / expected - 1); }

struct Pair {
  double z, expected;
};

TEST(Normal, LogPhiHoldsItsDigitsFarIntoBothTails) {
  // -50 and -40 are the regression cases of others' trackers: -1254.831 and -804.6084 (-inf where log(cdf) is taken).
  const std::vector<Pair> pairs = {
      {-100000, -5000000012.4318639983}, {-5000, -12500009.436131764621}, {-50, -1254.8313611394199013},
      {-40, -804.60844201375378817},     {-38, -726.5572160188201301},    {-20, -203.91715537109726394},
      {-10, -53.231285150512470578},     {-6, -20.736768949974705655},    {-3, -6.6077262215103495433},
      {-1, -1.8410216450092635058},      {-0.5, -1.1759117615936186089},  {0, -0.69314718055994530942},
      {0.5, -0.36894641528865639307},    {1, -0.17275377902344988953},    {3, -0.0013508099647481937988},
      {6, -9.8658764552437573169e-10},   {8, -6.2209605742717860585e-16}};
  // 8 eps: the argument z / sqrt 2 is rounded once, and erfc near 8 multiplies that by about z^2 / 8.
  for (const auto& [z, expected] : pairs) EXPECT_LT(relative(log_Phi(z), expected), (z > 4 ? 64 : 8) * eps) << z;
}

TEST(Normal, HazardAndItsExcessHoldTheirDigits) {
  struct Case {
    double z, hazard, excess;
  };
  const std::vector<Case> cases = {{-30, 1.473646134878547519e-196, 30.0},
                                   {-8, 5.0522710835368954309e-15, 8.0000000000000050523},
                                   {-3, 0.0044378390421256637933, 3.0044378390421256638},
                                   {-1, 0.28759997093917836123, 1.2875999709391783612},
                                   {0, 0.79788456080286535588, 0.79788456080286535588},
                                   {1, 1.5251352761609812091, 0.52513527616098120909},
                                   {2.9, 3.1903151395429819932, 0.29031513954298199317},
                                   {3.1, 3.3761969902250671735, 0.27619699022506717347},
                                   {6, 6.1584826045445989173, 0.15848260454459891728},
                                   {10, 10.098093233962511963, 0.098093233962511962844},
                                   {28, 28.035623753469083519, 0.035623753469083519177},
                                   {38, 38.026279466575868988, 0.026279466575868987522},
                                   {100, 100.00999800099926071, 0.0099980009992607051849},
                                   {1000, 1000.00099999800001, 0.000999998000009999926},
                                   {1e5, 100000.00001, 9.999999998000000001e-6}};
  for (const auto& [z, hazard, excess] : cases) {
    // exp(-z^2 / 2) multiplies the rounding of its argument by up to z^2 / 2.
    EXPECT_LT(relative(normal_hazard(z), hazard), (8 + (z < -6 ? z * z : 0)) * eps) << z;
    // Under 3 the excess is a difference: the digits of the hazard.
    EXPECT_LT(relative(normal_hazard_excess(z), excess), (z < 3 ? 16 * (1 + std::abs(hazard / excess)) : 8) * eps) << z;
  }
}

TEST(Normal, WhatIsNoNumberStaysNone) {
  // As a count of steps it was four thousand million of them: a search that left the finite numbers did not come back,
  // and neither would this test.
  for (int i = 0; i < 1000; ++i) EXPECT_TRUE(std::isnan(normal_hazard_excess(NAN)));
  EXPECT_EQ(normal_hazard_excess(INFINITY), 0);
}

TEST(Normal, RatiosOfSurvivalStayExactWhereBothUnderflow) {
  struct Case {
    double c, e, expected;
  };
  const std::vector<Case> cases = {{40.5, 40, -20.137407230284230191},      {1000.001, 1000, -1.0000014999975000133},
                                   {100000, 99999, -99999.500010000049998}, {6, 5.999, -0.0061579945995220372303},
                                   {3, -2, -6.5847133121813860548},         {0.1, 0, -0.083007412170328011367},
                                   {-2, -3, -0.021662099364215294666}};
  for (const auto& [c, e, expected] : cases) {
    // c and e themselves are rounded: c^2 eps is what that costs.
    EXPECT_NEAR(log_normal_survival_ratio(c, e), expected, 8 * eps * (1 + std::abs(expected)) + 2 * eps * c * c) << c;
  }
  EXPECT_NEAR(log_normal_survival_ratio(-39, -39.9), 0, 1e-300);
}

TEST(Normal, TruncatedDensitiesThatOthersGotWrong) {
  // log density of N(0, 1) on [-40, -39] at -39.9 (inf in a common package): log phi - log(Phi(-39) - Phi(-40)).
  const double log_mass = log_Phi(-39) + log1mexp(log_Phi(-39) - log_Phi(-40));
  EXPECT_NEAR(log_phi(-39.9) - log_mass, -31.840781968827128331, 1e-12);  // differences of values near 800
  // N(0, 1) on [10, 39] at 10.1.
  EXPECT_LT(relative(std::exp(log_phi(10.1) - log_Phi(-10)), 3.6963528500427060288), 100 * eps);
}

TEST(Normal, ScaledErfcOnBothSidesOfItsSwitch) {
  const std::vector<Pair> pairs = {{-3, 16205.988853999586625},      {0, 1},
                                   {0.5, 0.61569034419292587487},    {5, 0.11070463773306862637},
                                   {19.99, 0.028188407919037511891}, {20.01, 0.028160303563002959011},
                                   {1000, 0.0005641893014533876542}};
  for (const auto& [x, expected] : pairs) EXPECT_LT(relative(erfcx(x), expected), 8 * eps) << x;
}

TEST(Normal, LogsOfOnePlusAndMinusExponentials) {
  EXPECT_NEAR(log1mexp(1e-20), std::log(1e-20), 1e-14);
  EXPECT_LT(relative(log1mexp(50), -std::exp(-50.)), 4 * eps);
  // Both branches meet at log 2, where 1 - exp(-x) is 1/2.
  EXPECT_NEAR(log1mexp(std::log(2)), -std::log(2), 4 * eps);
  EXPECT_EQ(softplus(800), 800);
  EXPECT_LT(relative(softplus(-50), std::exp(-50.)), 4 * eps);
  EXPECT_NEAR(softplus(1) - softplus(-1), 1, 4 * eps);
  EXPECT_NEAR(logistic(3) + logistic(-3), 1, 2 * eps);
  EXPECT_EQ(logistic(-800), 0);
}

}  // namespace
}  // namespace moltspan::numeric
