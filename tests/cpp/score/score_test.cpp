#include "moltspan/score/score.hpp"

#include <gtest/gtest.h>

#include <boost/math/distributions/lognormal.hpp>
#include <boost/math/quadrature/gauss_kronrod.hpp>
#include <cmath>
#include <limits>
#include <numeric>

#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace {

using Law = boost::math::lognormal_distribution<double>;

constexpr double nan_value = std::numeric_limits<double>::quiet_NaN();
constexpr double infinity = std::numeric_limits<double>::infinity();

double integral(const std::function<double(double)>& f, double low, double high) {
  return boost::math::quadrature::gauss_kronrod<double, 61>::integrate(f, low, high, 20, 1e-13);
}

/// The definition, int (F - 1(t >= y))^2 over [low, high], with Boost's own distribution function: the outside answer.
double crps_by_definition(const std::function<double(double)>& cdf, double y, double low, double high) {
  return integral([&](double t) { return std::pow(cdf(t), 2); }, low, y) +
         integral([&](double t) { return std::pow(1 - cdf(t), 2); }, y, high);
}

struct Case {
  double y, mu, s;
};

// 1e-9: what the quadrature of the definition gives; the closed form itself is good to about 1e-13.
TEST(CrpsLognormal, AgreesWithItsDefinition) {
  for (const Case& c : {Case{60, 4, .3}, Case{20, 4, .3}, Case{200, 4, .5}, Case{55, 4, .05}, Case{1, 0, 1}}) {
    const Law law(c.mu, c.s);
    const double expected = crps_by_definition([&](double t) { return t > 0 ? cdf(law, t) : 0.0; }, c.y, 0,
                                               std::max(c.y, std::exp(c.mu + 10 * c.s)) + 1);
    EXPECT_NEAR(crps_lognormal(c.y, c.mu, c.s), expected, 1e-9 * expected) << c.y << " " << c.mu << " " << c.s;
  }
}

// As the spread goes to 0 the CRPS becomes the distance |y - median|.
TEST(CrpsLognormal, BecomesTheDistanceForASharpForecast) {
  EXPECT_NEAR(crps_lognormal(50, std::log(40.0), 1e-9), 10, 1e-6);
}

// Four values computed for the project's methods notes by numerical integration in R 4.2.2, printed to 10 decimals.
TEST(CrpsTruncated, MeetsFourValuesFromNumericalIntegration) {
  EXPECT_NEAR(crps_lognormal_truncated(60, 4, .3, 40), 3.6346919831, 1e-9);
  EXPECT_NEAR(crps_lognormal_truncated(90, 4, .3, 70), 5.5882529007, 1e-9);
  EXPECT_NEAR(crps_lognormal_truncated(150, 4, .5, 120), 7.2269706036, 1e-9);
  EXPECT_NEAR(crps_lognormal_truncated(45, 4, .25, 44), 8.9129214661, 1e-9);
}

// Both routes on either side of the switch at a chance of .001 (z = 3.09): the closed form has lost about 1e-16 / 1e-6.
TEST(CrpsTruncated, ClosedFormAndQuadratureMeetWhereTheySwitch) {
  const double before = std::exp(4 + .3 * 3.0901), after = std::exp(4 + .3 * 3.0904);
  const double y = std::exp(4 + .3 * 3.3);
  const double left = crps_lognormal_truncated(y, 4, .3, before), right = crps_lognormal_truncated(y, 4, .3, after);
  EXPECT_NEAR(left, right, 2 * (after - before));  // the score moves no faster than the truncation does
  EXPECT_NEAR(left, crps_lognormal_mixture(y, {{.5, .5}, {4, 4}, {.3, .3}, before}), 1e-8 * left);
}

// Far beyond the forecast (z = 20) S underflows if taken plainly. T - c is then nearly exponential with mean m = c s /
// z, whose CRPS at d beyond c is d - 2 m (1 - exp(-d / m)) + m / 2. First-order, hence 2 %.
TEST(CrpsTruncated, HoldsFarInTheTail) {
  const double c = std::exp(4 + .1 * 20), m = c * .1 / 20, d = 2.0;
  const double expected = d - 2 * m * (1 - std::exp(-d / m)) + m / 2;
  EXPECT_NEAR(crps_lognormal_truncated(c + d, 4, .1, c), expected, .02 * expected);
}

TEST(CrpsCensored, AgreesWithItsDefinition) {
  const Law law(4, .3);
  for (double c : {30.0, 54.0, 70.0, 400.0})
    for (double y : {20.0, 29.0, 53.0, 90.0}) {
      const double expected =
          crps_by_definition([&](double t) { return t > 0 ? cdf(law, t) : 0.0; }, std::min(y, c), 0, c);
      EXPECT_NEAR(crps_lognormal_censored(y, 4, .3, c), expected, 1e-9 * expected + 1e-12) << y << " " << c;
      EXPECT_NEAR(crps_lognormal_mixture_censored(y, {{1}, {4}, {.3}}, c), expected, 1e-9 * expected + 1e-12)
          << y << " " << c;
    }
}

TEST(CrpsCensored, IsTheWholeScoreWhenNothingIsCutOff) {
  EXPECT_DOUBLE_EQ(crps_lognormal_censored(60, 4, .3, infinity), crps_lognormal(60, 4, .3));
  EXPECT_NEAR(crps_lognormal_censored(60, 4, .3, 1e5), crps_lognormal(60, 4, .3), 1e-9);
}

// All that is known after c is T > c: the score must not depend on where beyond c the event lies.
TEST(CrpsCensored, DoesNotLookBeyondTheCensoring) {
  EXPECT_DOUBLE_EQ(crps_lognormal_censored(80, 4, .3, 70), crps_lognormal_censored(300, 4, .3, 70));
}

const LogNormalMixture mixture{{2, 1, 1}, {4, 4.4, 3.5}, {.2, .3, .6}};

double mixture_cdf(double t) {
  if (t <= 0) return 0;
  return .5 * cdf(Law(4, .2), t) + .25 * cdf(Law(4.4, .3), t) + .25 * cdf(Law(3.5, .6), t);
}

TEST(CrpsMixture, AgreesWithItsDefinition) {
  for (double y : {5.0, 50.0, 80.0, 400.0}) {
    const double expected = crps_by_definition(mixture_cdf, y, 0, 8000);
    EXPECT_NEAR(crps_lognormal_mixture(y, mixture), expected, 1e-9 * expected) << y;
  }
}

TEST(CrpsMixture, OfEqualComponentsIsThatOfOne) {
  EXPECT_NEAR(crps_lognormal_mixture(70, {{.3, .7}, {4, 4}, {.3, .3}}), crps_lognormal(70, 4, .3), 1e-12);
}

TEST(CrpsMixture, TruncatedAgreesWithItsDefinition) {
  LogNormalMixture running = mixture;
  running.elapsed_days = 60;
  const double beyond = 1 - mixture_cdf(60);
  const auto conditional = [&](double t) { return (mixture_cdf(t) - mixture_cdf(60)) / beyond; };
  for (double y : {60.0, 61.0, 90.0, 300.0}) {
    const double expected = crps_by_definition(conditional, y, 60, 8000);
    EXPECT_NEAR(crps_lognormal_mixture(y, running), expected, 1e-9 * expected) << y;
  }
}

// Propriety: over events drawn from the forecast itself no other forecast scores better. 20,000 draws; the differences
// below are 5 and more standard errors.
TEST(CrpsMixture, IsBestForTheTrueForecast) {
  numeric::RandomStream stream(5);
  double truth = 0, sharper = 0, later = 0;
  for (int i = 0; i < 20000; ++i) {
    const double y = std::exp(4 + .3 * stream.normal());
    truth += crps_lognormal(y, 4, .3);
    sharper += crps_lognormal(y, 4, .2);
    later += crps_lognormal(y, 4.1, .3);
  }
  EXPECT_LT(truth, sharper);
  EXPECT_LT(truth, later);
}

TEST(CrpsFromFunctions, AgreeWithTheClosedForm) {
  const Law law(4, .3);
  for (double y : {30.0, 54.6, 90.0}) {
    const double expected = crps_lognormal(y, 4, .3);
    EXPECT_NEAR(crps_from_cdf(
                    y, [&](double t) { return t > 0 ? cdf(law, t) : 0.0; }, 0, 2000),
                expected, 1e-9 * expected);
    EXPECT_NEAR(crps_from_quantiles(y, [&](double p) { return quantile(law, p); }), expected, 1e-8 * expected);
  }
}

// A uniform forecast on [0, 1] scored at y: y^3 / 3 + (1 - y)^3 / 3, by hand.
TEST(CrpsFromFunctions, AgreeWithAUniformForecastByHand) {
  const double y = .3, expected = (y * y * y + .7 * .7 * .7) / 3;
  EXPECT_NEAR(crps_from_cdf(
                  y, [](double t) { return t; }, 0, 1),
              expected, 1e-14);
  EXPECT_NEAR(crps_from_quantiles(y, [](double p) { return p; }), expected, 1e-12);
  EXPECT_NEAR(crps_from_cdf(
                  -2, [](double t) { return t; }, 0, 1),
              2 + 1. / 3, 1e-14);
}

TEST(Mixture, KnowsBothTails) {
  LogNormalMixture running{{1}, {4}, {.1}, std::exp(4 + .1 * 40)};
  // log Phi(-40) = -804.6084 and log Phi(-41) = -845.1332 (both from
  // memory of R pnorm).
  EXPECT_NEAR(std::log(running.survival(std::exp(4 + .1 * 41))), -(845.1332 - 804.6084), 1e-3);
  EXPECT_EQ(running.cdf(running.elapsed_days), 0);
  EXPECT_NEAR(mixture.cdf(55) + mixture.survival(55), 1, 1e-15);
}

TEST(LogScore, IsMinusTheLogOfDensityOrMass) {
  const LogNormalMixture one{{1}, {4}, {.3}};
  const Law law(4, .3);
  EXPECT_NEAR(log_score(one, 60, 60), -std::log(pdf(law, 60.)), 1e-12);
  EXPECT_NEAR(log_score(one, 60, 67), -std::log(cdf(law, 67.) - cdf(law, 60.)), 1e-12);
  EXPECT_NEAR(log_score(one, 60, nan_value), -std::log(cdf(complement(law, 60.))), 1e-12);
  EXPECT_NEAR(log_score(one, 0, 60), -std::log(cdf(law, 60.)), 1e-12);
}

TEST(LogScore, OfARunningStadiumIsConditional) {
  const LogNormalMixture running{{1}, {4}, {.3}, 50};
  const Law law(4, .3);
  const double beyond = cdf(complement(law, 50.));
  EXPECT_NEAR(log_score(running, 60, 60), -std::log(pdf(law, 60.) / beyond), 1e-12);
  EXPECT_NEAR(log_score(running, 60, nan_value), -std::log(cdf(complement(law, 60.)) / beyond), 1e-12);
}

// By hand: level .8 gives 2 / .2 = 10 a day outside.
TEST(IntervalScore, AddsTenDaysForADayOutsideAnEightyPercentBand) {
  EXPECT_DOUBLE_EQ(interval_score(55, 50, 60, .8), 10);
  EXPECT_NEAR(interval_score(62, 50, 60, .8), 30, 1e-12);
  EXPECT_NEAR(interval_score(49, 50, 60, .8), 20, 1e-12);
}

TEST(Pit, SpansTheRangeOfTheEvent) {
  const LogNormalMixture one{{1}, {4}, {.3}};
  const Pit exact = pit(one, std::exp(4.0), std::exp(4.0)), range = pit(one, 0, std::exp(4.0));
  EXPECT_NEAR(exact.low, .5, 1e-15);
  EXPECT_EQ(exact.low, exact.high);
  EXPECT_EQ(range.low, 0);
  EXPECT_NEAR(range.at(.5), .25, 1e-15);
  EXPECT_EQ(pit(one, 50, nan_value).high, 1);
}

TEST(Pit, HistogramSharesARangeOutOverItsCells) {
  const std::vector<Pit> pits{{.25, .75}, {.1, .1}};
  const std::vector<double> mass = pit_histogram(pits, 4);
  EXPECT_NEAR(mass[0], .5, 1e-15);
  EXPECT_NEAR(mass[1], .25, 1e-15);
  EXPECT_NEAR(mass[2], .25, 1e-15);
  EXPECT_NEAR(mass[3], 0, 1e-15);
}

// Weekly checks and a calibrated forecast: the mean share is the level. 4,000 events, standard error .006; the plain
// rule "the range touches the band" would give far more.
TEST(CoveredShare, IsTheLevelForACalibratedForecast) {
  const LogNormalMixture one{{1}, {4}, {.3}};
  const Law law(4, .3);
  const double lower = quantile(law, .1), upper = quantile(law, .9);
  numeric::RandomStream stream(11);
  const int n = 4000;
  double sum = 0;
  for (int i = 0; i < n; ++i) {
    const double y = quantile(law, stream.uniform()), low = 7 * std::floor(y / 7);
    sum += covered_share(one, low, low + 7, lower, upper);
  }
  EXPECT_NEAR(sum / n, .8, 4 * .0063);
}

TEST(CoveredShare, IsOneOrZeroForAnExactEvent) {
  const LogNormalMixture one{{1}, {4}, {.3}};
  EXPECT_EQ(covered_share(one, 55, 55, 50, 60), 1);
  EXPECT_EQ(covered_share(one, 61, 61, 50, 60), 0);
  EXPECT_EQ(covered_share(one, 61, 68, 50, 60), 0);
}

// By hand: values 1 1 0 0 in clusters a a b b: mean .5, deviations .5 .5 -.5 -.5; independent sqrt(1 / 12);
// clusters sums 1 and -1: sqrt(2 * 2) / 4 = .5.
TEST(ClusteredMean, CountsAnimalsNotRows) {
  const std::vector<double> values{1, 1, 0, 0};
  const std::vector<int> cluster{7, 7, 3, 3}, apart{1, 2, 3, 4};
  const ClusteredMean mean = clustered_mean(values, cluster);
  EXPECT_DOUBLE_EQ(mean.mean, .5);
  EXPECT_DOUBLE_EQ(mean.standard_error, std::sqrt(1. / 12));
  EXPECT_DOUBLE_EQ(mean.clustered_standard_error, .5);
  EXPECT_EQ(mean.n_clusters, 2u);
  EXPECT_DOUBLE_EQ(clustered_mean(values, apart).clustered_standard_error, std::sqrt(1. / 12));
}

// Orthant: 1/4 + asin(rho) / 2 pi. Independence: the product. Both exact.
TEST(BivariateNormal, MeetsItsKnownCases) {
  const auto Phi = [](double z) { return .5 * std::erfc(-z / std::sqrt(2.)); };
  for (double rho : {-.9, -.3, 0., .5, .99})
    EXPECT_NEAR(bivariate_normal_cdf(0, 0, rho), .25 + std::asin(rho) / (2 * std::acos(-1.)), 1e-15);
  for (double h : {-2., -.5, 0., 1.5})
    for (double k : {-1., 0., .7}) {
      EXPECT_NEAR(bivariate_normal_cdf(h, k, 0), Phi(h) * Phi(k), 1e-15) << h << " " << k;
      EXPECT_NEAR(bivariate_normal_cdf(h, k, .6) + bivariate_normal_cdf(h, -k, -.6), Phi(h), 1e-15) << h << " " << k;
    }
  EXPECT_EQ(bivariate_normal_cdf(-infinity, 1, .5), 0);
  EXPECT_NEAR(bivariate_normal_cdf(infinity, 1, .5), Phi(1), 1e-15);
}

TEST(Scores, RefuseBadArgumentsByName) {
  const auto message = [](const std::function<void()>& call) -> std::string {
    try {
      call();
    } catch (const std::invalid_argument& error) {
      return error.what();
    }
    return "";
  };
  EXPECT_NE(message([] { crps_lognormal(-1, 4, .3); }).find("y_days"), std::string::npos);
  EXPECT_NE(message([] { crps_lognormal(nan_value, 4, .3); }).find("y_days"), std::string::npos);
  EXPECT_NE(message([] { crps_lognormal(60, nan_value, .3); }).find("mean_log"), std::string::npos);
  EXPECT_NE(message([] { crps_lognormal(60, 4, 0); }).find("sd_log"), std::string::npos);
  EXPECT_NE(message([] { crps_lognormal_truncated(30, 4, .3, 40); }).find("elapsed_days"), std::string::npos);
  EXPECT_NE(message([] { crps_lognormal_mixture(30, {{}, {}, {}}); }).find("weight"), std::string::npos);
  EXPECT_NE(message([] { crps_lognormal_mixture(30, {{1}, {4, 4}, {.3}}); }).find("mean_log"), std::string::npos);
  EXPECT_NE(message([] { crps_lognormal_mixture(30, {{0}, {4}, {.3}}); }).find("weight"), std::string::npos);
  EXPECT_NE(message([] { interval_score(5, 1, 2, 1); }).find("level"), std::string::npos);
  EXPECT_NE(message([] { interval_score(5, 3, 2, .9); }).find("upper"), std::string::npos);
  EXPECT_NE(message([] { bivariate_normal_cdf(0, 0, 1); }).find("rho"), std::string::npos);
  EXPECT_NE(message([] {
              crps_from_cdf(
                  nan_value, [](double t) { return t; }, 0, 1);
            }).find("`y`"),
            std::string::npos);
  EXPECT_NE(message([] { pit({{1}, {4}, {.3}}, nan_value, 60); }).find("min_days"), std::string::npos);
  EXPECT_NE(message([] { covered_share({{1}, {4}, {.3}}, 50, 60, nan_value, 60); }).find("upper"), std::string::npos);
  const std::vector<double> values{1, nan_value};
  const std::vector<int> cluster{1, 2};
  EXPECT_NE(message([&] { clustered_mean(values, cluster); }).find("values"), std::string::npos);
}

}  // namespace
}  // namespace moltspan
