#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/signs/signs.hpp"

#include <gtest/gtest.h>

#include <boost/math/distributions/lognormal.hpp>
#include <cmath>
#include <memory>

#include "intervals/next_molt_law.hpp"
#include "forecast/signs.hpp"
#include "moltspan/forecast/forecast.hpp"
#include "moltspan/simulate/simulate.hpp"

namespace moltspan {
namespace {

constexpr SignParameters plain{0.6, 0.001, 10, 0.5, 0};

SignRecord shown_on(double day, double from, double until) { return {true, day, from, until, 0, day - from, 1}; }
SignRecord none(double from, double until) { return {false, 0, from, until, 0, until - from, 1}; }

// The formula in the header, with density and distribution function of another library.
TEST(SignLikelihood, IsTheFormula) {
  const boost::math::lognormal lag(std::log(10.0), 0.5);
  const double before = 1 - cdf(lag, 40.0);
  EXPECT_NEAR(sign_likelihood(shown_on(30, 0, 35), plain, 0, 40),
              0.6 * pdf(lag, 10.0) + 0.001 * (0.4 + 0.6 * (cdf(lag, 10.0) + before)), 1e-14);
  EXPECT_NEAR(sign_likelihood(none(0, 35), plain, 0, 40), 0.4 + 0.6 * (cdf(lag, 5.0) + before), 1e-14);
  EXPECT_NEAR(sign_likelihood(shown_on(30, 0, 35), plain, 0, 40, 0.25, false),
              0.00025 * (0.4 + 0.6 * (cdf(lag, 10.0) + before)), 1e-16);
}

// Given the molt, a first sign on some day or none by the molt is certain: with false alarms drawn as a Poisson process
// the density of the first is exp(-rate s) times the formula.
TEST(SignLikelihood, AddsUpToOne) {
  for (double rate : {0.0, 0.002, 0.05}) {
    const SignParameters p{0.6, rate, 10, 0.5, 0};
    const double molt = 40;
    double sum = std::exp(-rate * molt) * sign_likelihood(none(0, molt), p, 0, molt);
    const double step = 0.002;
    for (double s = step / 2; s < molt; s += step)
      sum += step * std::exp(-rate * s) * sign_likelihood(shown_on(s, 0, molt), p, 0, molt);
    // At rate 0 a lag over 40 days is counted with "none", else with the alarms as well: exact but for the midpoint
    // rule.
    EXPECT_NEAR(sum, 1, 1e-5) << rate;
  }
}

TEST(SignLikelihood, LagsGrowWithSize) {
  const SignParameters p{0.6, 0.001, 10, 0.5, 0.5};
  EXPECT_NEAR(p.median_lag_days(std::log(4.0)), 20, 1e-12);  // 80 mm: 10 days x 4^.5
}

SignTimeline timeline(std::vector<double> refused, std::vector<double> meals) {
  SignTimeline t;
  for (double day : refused) t.signs.push_back({day, Sign::refused});
  t.meals = std::move(meals);
  return t;
}

TEST(SignRecord, RepeatedRefusalsAreOneSign) {
  const SignRecord r = sign_record(timeline({10, 14, 18}, {2, 6}), Sign::refused, 0, 20);
  EXPECT_TRUE(r.shown);
  EXPECT_EQ(r.first_day, 10);
  EXPECT_EQ(r.ended, 0);
  EXPECT_EQ(r.alarm_days, 10);
}

TEST(SignRecord, AMealEndsARefusal) {
  const SignRecord r = sign_record(timeline({4, 10, 14}, {7}), Sign::refused, 0, 20);
  EXPECT_EQ(r.first_day, 10);
  EXPECT_EQ(r.ended, 1);
  EXPECT_EQ(r.alarm_days, 4 + 3);
  EXPECT_FALSE(sign_record(timeline({4}, {7}), Sign::refused, 0, 20).shown);
}

TEST(SignRecord, AMealWeakensADarkAbdomen) {
  SignTimeline t{{{4, Sign::darkened}}, {7}, {}};
  EXPECT_TRUE(sign_record(t, Sign::darkened, 0, 20).shown);
  EXPECT_EQ(sign_record(t, Sign::darkened, 0, 20).weight, 0.5);  // shared/priors.toml, an assumption
  t.meals.clear();
  EXPECT_EQ(sign_record(t, Sign::darkened, 0, 20).weight, 1);
}

TEST(SignRecord, AfterMatingFastingCountsHalf) {
  SignTimeline t{{{14, Sign::refused}, {14, Sign::darkened}}, {}, {10}};
  EXPECT_EQ(sign_record(t, Sign::refused, 0, 20).weight, 0.5);
  EXPECT_EQ(sign_record(t, Sign::darkened, 0, 20).weight, 1);
}

TEST(SignAlarms, ABaldPatchShowsTheDarkSkin) {
  Animal animal;
  animal.hazards = {true, true, false, false, false};
  EXPECT_LT(sign_alarm_factor(Sign::darkened, animal), 1);
  EXPECT_EQ(sign_alarm_factor(Sign::refused, animal), 1);
  animal.hazards = {};
  EXPECT_EQ(sign_alarm_factor(Sign::darkened, animal), 1);
}

// A base law of which everything is known: exponential with mean 50 days from day 1 on.
class Exponential final : public NextMoltLaw {
 public:
  Exponential() { first_day_ = 1; }
  double survival(double x) const override { return x <= 1 ? 1 : std::exp(-(x - 1) / 50); }
};

// Times exp(-(x - 1) / 25) it is exponential with mean 50 / 3.
TEST(ReweightedLaw, ExponentialTiltIsExponential) {
  const Exponential base;
  const ReweightedLaw law(
      base, {{[&](double x) { return base.survival(x); }, [](double x) { return std::exp(-(x - 1) / 25); }}});
  EXPECT_NEAR(law.total(), 1.0 / 3, 3e-5);  // a mean a cell: errs by the square of its width, 2.5 % of the way
  for (double p : {0.025, 0.1, 0.5, 0.9, 0.975})
    EXPECT_NEAR(law.quantile(p, 1) / (1 - 50.0 / 3 * std::log1p(-p)), 1, 2e-4) << p;  // cells of 2.5 % of the way
}

TEST(ReweightedLaw, NoEvidenceChangesNothing) {
  const Exponential base;
  const ReweightedLaw law(base, {{[&](double x) { return base.survival(x); }, [](double) { return 0.3; }}});
  for (double x : {1.5, 10.0, 80.0})
    EXPECT_NEAR(law.survival(x), base.survival(x), 2e-7);  // what lies beyond the cells
}

// Two branches are their mixture.
TEST(ReweightedLaw, BranchesAddUp) {
  const Exponential base;
  const auto half = [&](double x) { return 0.5 * base.survival(x); };
  const auto fast = [](double x) { return 0.5 * (x <= 1 ? 1 : std::exp(-(x - 1) / 10)); };
  const auto one = [](double) { return 1.0; };
  const ReweightedLaw law(base, {{half, one}, {fast, one}});
  EXPECT_NEAR(law.mass(0), 0.5, 1e-6);
  for (double x : {2.0, 10.0, 80.0}) EXPECT_NEAR(law.survival(x), half(x) + fast(x), 1e-3);  // shape within a cell
}

SimulationOptions signed_options() {
  SimulationOptions o;
  o.n_animals = 150;
  o.study_days = 1000;
  o.darkened_chance = 0.6;
  o.sign_lag_days = 14;
  o.false_signs_per_year = 0.4;
  o.exact_sizes = true;
  o.reading_chance = 1;
  return o;
}

// Simulated truth within 4 posterior sds; the sds seen over seeds are .03, .08, .04 and .15.
TEST(FitSigns, FindsWhatWasSimulated) {
  const auto made = simulate_collection(signed_options(), 5);
  const CollectionFit fit = fit_collection(std::make_shared<const Collection>(make_collection(made.raw)));
  const SignModel& dark = fit.signs[static_cast<std::size_t>(Sign::darkened)];
  ASSERT_GT(dark.closed, 300);
  EXPECT_TRUE(dark.absence_counts);
  EXPECT_NEAR(dark.center.noted, 0.6, 0.12);
  EXPECT_NEAR(std::log(dark.center.lag_days / 14), 0, 0.32);
  EXPECT_NEAR(dark.center.lag_log_sd, 0.5, 0.16);
  EXPECT_NEAR(std::log(dark.center.alarms_per_day * 365.25 / 0.4), 0, 0.6);
  double total = 0;
  for (const auto& [weight, parameters] : dark.points) total += weight;
  EXPECT_NEAR(total, 1, 1e-12);
  EXPECT_FALSE(fit.signs[static_cast<std::size_t>(Sign::sealed_in)].recorded);
}

}  // namespace
}  // namespace moltspan
