#include "moltspan/law/families.hpp"

#include <gtest/gtest.h>

#include <boost/math/quadrature/tanh_sinh.hpp>
#include <cmath>
#include <limits>

// Laws hold against each other by their definitions: f = dF, hazard = f / S, slopes = derivatives, E exp(sigma W) by
// quadrature. No value is from outside: the log-likelihoods built on them are (intervals_test).
namespace moltspan::numeric {
namespace {

constexpr double eps = std::numeric_limits<double>::epsilon();

/// Central difference of fourth order: errs by h^4 / 30 times the fifth derivative.
template <typename Function>
double slope_of(Function f, double z, double h) {
  return (8 * (f(z + h) - f(z - h)) - (f(z + 2 * h) - f(z - 2 * h))) / (12 * h);
}

template <typename Law>
class Laws : public testing::Test {};
using AllLaws = testing::Types<NormalLaw, GumbelMinLaw, LogisticLaw>;
TYPED_TEST_SUITE(Laws, AllLaws);

TYPED_TEST(Laws, PartsFitTogether) {
  using Law = TypeParam;
  for (double z = -6; z <= 3; z += 0.37) {
    EXPECT_NEAR(std::exp(Law::log_cdf(z)) + std::exp(Law::log_survival(z)), 1, 4 * eps) << z;
    EXPECT_NEAR(Law::hazard(z) / std::exp(Law::log_density(z) - Law::log_survival(z)), 1, 1e-13) << z;
    EXPECT_NEAR(Law::reversed_hazard(z) / std::exp(Law::log_density(z) - Law::log_cdf(z)), 1, 1e-13) << z;
  }
}

TYPED_TEST(Laws, SlopesAreDerivatives) {
  using Law = TypeParam;
  for (double z = -6; z <= 3; z += 0.37) {
    // h = 1e-3: h^4 and eps / h are both under 1e-11 of values of size 1 to 20.
    const auto expect = [z](auto function, double slope, const char* what) {
      EXPECT_NEAR(slope_of(function, z, 1e-3), slope, 1e-9 * (1 + std::abs(slope))) << what << " " << z;
    };
    expect(Law::log_density, Law::score(z), "score");
    expect(Law::score, Law::score_slope(z), "score_slope");
    expect(Law::log_survival, -Law::hazard(z), "hazard");
    expect(Law::log_cdf, Law::reversed_hazard(z), "reversed_hazard");
    expect(Law::hazard, Law::hazard_slope(z), "hazard_slope");
    expect(Law::reversed_hazard, Law::reversed_hazard_slope(z), "reversed_hazard_slope");
  }
}

TYPED_TEST(Laws, RatiosAreDifferencesOfLogarithms) {
  using Law = TypeParam;
  for (double e = -5; e <= 2; e += 0.5)
    for (double d : {0.0, 0.01, 0.7, 1.5}) {
      const double survival = Law::log_survival(e + d) - Law::log_survival(e);
      const double density = Law::log_density(e + d) - Law::log_density(e);
      EXPECT_NEAR(Law::log_survival_ratio(e + d, e), survival, 1e-13 * (1 + std::abs(Law::log_survival(e + d)))) << e;
      EXPECT_NEAR(Law::log_density_ratio(e + d, e), density, 1e-13 * (1 + std::abs(Law::log_density(e + d)))) << e;
    }
}

TYPED_TEST(Laws, MeanFactorIsTheMeanOfExpSigmaW) {
  using Law = TypeParam;
  boost::math::quadrature::tanh_sinh<double> integrate;
  for (double sigma : {0.05, 0.2, 0.6}) {
    const auto weighted = [sigma](double z) { return std::exp(sigma * z + Law::log_density(z)); };
    // Beyond the ends lies less than exp(-36) for the heaviest, the logistic at sigma = .6.
    const double mean = integrate.integrate(weighted, -90.0, std::is_same_v<Law, GumbelMinLaw> ? 6.0 : 90.0);
    EXPECT_NEAR(Law::log_mean_factor(sigma), std::log(mean), 1e-9) << sigma;
    EXPECT_NEAR(slope_of(Law::log_mean_factor, sigma, 1e-3), Law::log_mean_factor_slope(sigma), 1e-8) << sigma;
    EXPECT_NEAR(slope_of(Law::log_mean_factor_slope, sigma, 1e-3), Law::log_mean_factor_curve(sigma), 1e-6) << sigma;
  }
}

TYPED_TEST(Laws, MeanAndVarianceAreThoseOfTheDensity) {
  using Law = TypeParam;
  boost::math::quadrature::tanh_sinh<double> integrate;
  const double top = std::is_same_v<Law, GumbelMinLaw> ? 6 : 60;
  const auto moment = [&](int k) {  // in halves: a rule that sees z^k = 0 in the middle stops too early
    const auto part = [k](double z) { return std::pow(z, k) * std::exp(Law::log_density(z)); };
    return integrate.integrate(part, -60.0, 0.0) + integrate.integrate(part, 0.0, top);
  };
  EXPECT_NEAR(moment(0), 1, 1e-12);
  EXPECT_NEAR(moment(1), Law::mean, 1e-10);
  EXPECT_NEAR(moment(2) - moment(1) * moment(1), Law::variance, 1e-10);
}

TYPED_TEST(Laws, NothingOutsideTheStatedEnds) {
  using Law = TypeParam;
  EXPECT_LT(Law::log_cdf(Law::low_z), std::log(eps));
  EXPECT_LT(Law::log_survival(Law::high_z), std::log(eps));
}

TYPED_TEST(Laws, FarTailsStayFinite) {
  using Law = TypeParam;
  // The Weibull's exp(z) leaves the doubles beyond 709: its upper tail ends there.
  const double high = std::is_same_v<Law, GumbelMinLaw> ? 600 : 1e5;
  for (double z : {-1e5, -1e3, -40., 40., high}) {
    EXPECT_TRUE(std::isfinite(Law::log_density(z))) << z;
    EXPECT_TRUE(std::isfinite(Law::log_survival(z))) << z;
    EXPECT_TRUE(std::isfinite(Law::hazard(z))) << z;
    EXPECT_TRUE(std::isfinite(Law::hazard_slope(z))) << z;
    EXPECT_TRUE(std::isfinite(Law::reversed_hazard(z))) << z;
    EXPECT_TRUE(std::isfinite(Law::reversed_hazard_slope(z))) << z;
    EXPECT_LE(Law::log_cdf(z), 0) << z;
  }
}

TEST(LogisticLaw, HasNoMeanFromSigmaOneOn) { EXPECT_TRUE(std::isinf(LogisticLaw::log_mean_factor(1))); }

TEST(LogisticLaw, RatiosAcrossTheSwitchOfBranches) {
  for (double d : {499.0, 501.0}) {
    EXPECT_NEAR(LogisticLaw::log_survival_ratio(d - 3, -3), -(d - 3) + std::log1p(std::exp(-3.)), 1e-11) << d;
    EXPECT_NEAR(LogisticLaw::log_density_ratio(d - 3, -3), -(d - 3) + 3 + 2 * std::log1p(std::exp(-3.)), 1e-11) << d;
  }
}

}  // namespace
}  // namespace moltspan::numeric
