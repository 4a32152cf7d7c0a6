#include "moltspan/plots/plots.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numeric>

namespace moltspan {
namespace {

StadiaData stadia(const std::vector<StadiumBounds>& bounds, const std::vector<int>& animal = {}) {
  StadiaData data;
  data.bounds = bounds;
  data.covariates = Eigen::MatrixXd::Ones(static_cast<Eigen::Index>(bounds.size()), 1);
  data.coefficients = {{"Intercept", CoefficientRole::intercept}};
  data.groups[static_cast<int>(Level::animal)] = animal;
  return data;
}

StadiumBounds exact(double days) { return {days, days, 0, 0, 0}; }

/// Five animals of four stadia each whose effects are -0.4, -0.2, 0, 0.2, 0.4 on log days.
StadiaData five_animals() {
  std::vector<StadiumBounds> bounds;
  std::vector<int> animal;
  const double noise[] = {-0.12, 0.05, -0.03, 0.1};
  for (int a = 0; a < 5; ++a)
    for (double e : noise) {
      bounds.push_back(exact(60 * std::exp(0.2 * (a - 2) + e)));
      animal.push_back(a);
    }
  return stadia(bounds, animal);
}

TEST(CoxSnell, AreThoseOfTheFittedLaw) {
  // By hand: with log T = 4, sigma = s for three exact records at log T = 4 - s, 4, 4 + s (mean 4, ML sigma s
  // sqrt(2/3)).
  const StadiaData data =
      stadia({exact(std::exp(3.8)), exact(std::exp(4.0)), exact(std::exp(4.2)), {30, NAN, 0, 20, 0}});
  const StadiaFit fit = fit_stadia(data);
  const BoundedTimes r = cox_snell_residuals(fit, data);
  ASSERT_EQ(r.size(), 4u);
  for (std::size_t i = 0; i < 3; ++i) {
    const double z = (std::log(data.bounds[i].min_days) - fit.coefficients[0]) / fit.sigma;
    EXPECT_NEAR(r.min_days[i], -std::log(0.5 * std::erfc(z / std::sqrt(2))), 1e-12);  // rounding of erfc
    EXPECT_EQ(r.min_days[i], r.max_days[i]);
    EXPECT_EQ(r.entry_days[i], 0);
  }
  EXPECT_TRUE(std::isnan(r.max_days[3]));
  EXPECT_GT(r.entry_days[3], 0);
  EXPECT_GT(r.min_days[3], r.entry_days[3]);
}

TEST(CoxSnell, OfExactWeibullRecordsAddUpToTheirNumber) {
  // A law of maximum likelihood: with a free intercept the score in it is sum(r - 1) / sigma = 0 for the Weibull.
  const StadiaData data = stadia({exact(20), exact(31), exact(35), exact(48), exact(90), {55, NAN, 0, 0, 0}});
  StadiaOptions options;
  options.family = Family::weibull;
  const BoundedTimes r = cox_snell_residuals(fit_stadia(data, options), data);
  EXPECT_NEAR(std::accumulate(r.min_days.begin(), r.min_days.end(), 0.0), 5, 1e-5);  // stop of the optimizer
}

TEST(CoxSnell, FittedEffectsTakeTheSpreadBetweenAnimalsOut) {
  // Animals of +-0.4 on log days about noise of .1: averaged, the slowest animal's are all beyond the median residual
  // log 2, the fastest one's all before it; as fitted, they lie on both sides.
  const StadiaData data = five_animals();
  const StadiaFit fit = fit_stadia(data);
  const auto beyond_median = [](const BoundedTimes& r, int animal) {
    int n = 0;
    for (int k = 0; k < 4; ++k) n += r.min_days[static_cast<std::size_t>(4 * animal + k)] > std::log(2.0);
    return n;
  };
  const BoundedTimes averaged = cox_snell_residuals(fit, data, Effects::averaged);
  EXPECT_EQ(beyond_median(averaged, 0), 0);
  EXPECT_EQ(beyond_median(averaged, 4), 4);
  const BoundedTimes fitted = cox_snell_residuals(fit, data);
  for (int animal : {0, 2, 4}) {
    EXPECT_GT(beyond_median(fitted, animal), 0) << animal;
    EXPECT_LT(beyond_median(fitted, animal), 4) << animal;
  }
}

TEST(CoxSnell, RefusesAnotherTable) {
  const StadiaData data = five_animals();
  const StadiaFit fit = fit_stadia(data);
  EXPECT_THROW(cox_snell_residuals(fit, stadia({exact(3)})), std::invalid_argument);
  EXPECT_THROW(mean_survival(fit, stadia({exact(3)}), {1}), std::invalid_argument);
}

TEST(NormalScores, OfExactResidualsAreHazens) {
  // By hand: residual log 2 is the median, its score 0; positions (i - 1/2) / 3; Phi^-1(1/6) = -0.9674215661 (R qnorm,
  // from memory).
  const QuantilePairs pairs = normal_scores({{0.1, std::log(2.0), 2}, {0.1, std::log(2.0), 2}, {}, {}});
  ASSERT_EQ(pairs.expected.size(), 3u);
  EXPECT_NEAR(pairs.expected[0], -0.9674215661, 1e-8);
  EXPECT_NEAR(pairs.expected[1], 0, 1e-8);  // masses are found by iteration
  EXPECT_NEAR(pairs.low[1], 0, 1e-12);
  EXPECT_EQ(pairs.low, pairs.high);
}

TEST(NormalScores, LeaveOutTheIntervalWithoutEnd) {
  const QuantilePairs pairs = normal_scores({{0.1, 0.5, 2}, {0.2, 0.5, NAN}, {}, {}});
  ASSERT_EQ(pairs.expected.size(), 2u);
  EXPECT_LT(pairs.low[0], pairs.high[0]);
}

TEST(EffectCheck, StandardizesEffects) {
  const StadiaFit fit = fit_stadia(five_animals());
  const EffectCheck check = animal_effect_check(fit, 0.9);
  ASSERT_EQ(check.code, (std::vector<int>{0, 1, 2, 3, 4}));
  const double sd = fit.level_sds.at(0);
  for (std::size_t i = 0; i < 5; ++i) {
    EXPECT_NEAR(check.mean[i], -check.mean[4 - i], 0.02);  // the animals lie evenly about the middle one
    EXPECT_NEAR(check.standardized[i], check.mean[i] / std::sqrt(sd * sd - check.sd[i] * check.sd[i]), 1e-12);
    EXPECT_LT(check.lower[i], check.expected[i]);
    EXPECT_GT(check.upper[i], check.expected[i]);
  }
  EXPECT_NEAR(check.expected[2], 0, 1e-12);
  // Beta(1, 5): P(U <= u) = 1 - (1 - u)^5, so its 5 % quantile is 1 - 0.95^(1/5) = 0.0102062; Phi^-1 of it by erfc.
  EXPECT_NEAR(0.5 * std::erfc(-check.lower[0] / std::sqrt(2)), 1 - std::pow(0.95, 0.2), 1e-12);
  EXPECT_THROW(animal_effect_check(fit, 95), std::invalid_argument);
}

TEST(EffectCheck, BalancedEffectsAreShrunkenMeans) {
  // Normal theory: mode of u = n tau^2 / (n tau^2 + sigma^2) (mean of the animal - Intercept), sd^2 = tau^2 sigma^2 /
  // (n tau^2 + sigma^2) at given spreads; the mixture over spreads of five animals moves both a little: 10 % is our own
  // allowance.
  const StadiaData data = five_animals();
  const StadiaFit fit = fit_stadia(data);
  const double t2 = std::pow(fit.level_sds.at(0), 2), s2 = fit.sigma * fit.sigma, share = 4 * t2 / (4 * t2 + s2);
  const EffectCheck check = animal_effect_check(fit);
  EXPECT_NEAR(check.mean[4], share * 0.4, 0.1 * share * 0.4);
}

TEST(EffectCheck, IsEmptyWithoutEffects) {
  EXPECT_TRUE(animal_effect_check(fit_stadia(stadia({exact(20), exact(30), exact(40)}))).code.empty());
}

TEST(MeanSurvival, IsTheAverageOverRecords) {
  StadiaData data = stadia({exact(20), exact(31), exact(35), exact(48), exact(90)});
  const StadiaFit fit = fit_stadia(data);
  const auto all = mean_survival(fit, data, {0, 30, 60, 1e6});
  EXPECT_EQ(all[0], 1);
  EXPECT_GT(all[1], all[2]);
  EXPECT_LT(all[3], 1e-3);
  // without covariates every record has the same law
  EXPECT_NEAR(all[1], mixture_survival(Family::lognormal, predict_stadia(fit, data.covariates.topRows(1), {}), 0, 30),
              1e-12);
}

TEST(PriorPosterior, DensitiesHoldAllMass) {
  StadiaOptions options;
  options.method = Method::bayes;
  const StadiaFit fit = fit_stadia(five_animals(), options);
  for (const char* name : {"Intercept", "sigma", "animal_sd"}) {
    const PriorPosterior found = prior_posterior(fit, name, 4000);
    const double step = found.at[1] - found.at[0];
    const auto mass = [&](const std::vector<double>& density) {
      return step * std::accumulate(density.begin(), density.end(), 0.0);
    };
    EXPECT_NEAR(mass(found.prior), 1, 0.01) << name;  // what lies beyond 3.5 sds, and the sum's step
    EXPECT_NEAR(mass(found.posterior), 1, 0.01) << name;
  }
  EXPECT_THROW(prior_posterior(fit, "nothing"), std::invalid_argument);
}

TEST(PriorPosterior, MaximumLikelihoodHasNoPrior) {
  EXPECT_TRUE(std::isnan(prior_posterior(fit_stadia(five_animals()), "Intercept").prior[0]));
}

TEST(ChanceByDay, OfAUniformIsFlat) {
  const auto chances = chance_by_day({0.01, 0.2, 0.4, 0.6, 0.8, 0.99}, {1, 20, 40, 60, 80, 99}, 0, 120);
  EXPECT_NEAR(std::accumulate(chances.begin(), chances.end(), 0.0), 0.98, 1e-12);
  EXPECT_NEAR(chances[50], 0.01, 1e-12);
  EXPECT_EQ(chances[0], 0);
  EXPECT_EQ(chances[110], 0);
  EXPECT_THROW(chance_by_day({0.1, 0.5, 0.9}, {1, 2, 3}, 0, 5), std::invalid_argument);
  EXPECT_THROW(chance_by_day({0.1, 0.5, 0.4, 0.9}, {1, 2, 3, 4}, 0, 5), std::invalid_argument);
}

TEST(WeightedDensities, AreNormalOnTheLogScale) {
  const Eigen::VectorXd one = Eigen::VectorXd::Ones(1);
  const auto found = weighted_densities(0.5 * one, 0 * one, 2 * one, {1, std::exp(2.0)});
  EXPECT_NEAR(found(0, 0), 0.5 * 0.3989422804014327 / 2, 1e-12);  // 1 / sqrt(2 pi)
  EXPECT_NEAR(found(0, 1), found(0, 0) * std::exp(-0.5), 1e-12);
}

}  // namespace
}  // namespace moltspan
