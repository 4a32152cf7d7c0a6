#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/trajectory/trajectory.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <stdexcept>

#include "trajectory/draws.hpp"
#include "moltspan/forecast/forecast.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/philox.hpp"
#include "stadia_book.hpp"

// Courses of life: cases by hand, laws, and agreement of the first molt with the exact forecast.
namespace moltspan {
namespace {

const Day as_of = day("2026-06-01");

DayRange ago(int days_ago) { return {as_of - days_ago, as_of - days_ago}; }

void molts(Book& book, std::initializer_list<int> days_ago, double mm = 20) {
  for (const int days : days_ago) {
    book.row(Event::molt, ago(days));
    book.row(Event::leg_span, ago(days), mm);
  }
}

CollectionFit fitted(const Book& book, CollectionOptions options = {}) {
  options.as_of = as_of;
  options.growth_model = false;  // the cases by hand go on at the usual ratio
  return fit_collection(std::make_shared<const Collection>(book.collection), options);
}

/// Three animals: known stadia, a start known to two weeks with signs on record, and no molt at all.
Book three() {
  Book book;
  molts(book, {310, 250, 190, 130, 70, 30});
  book.animal("A2");
  book.row(Event::molt, ago(160));
  book.row(Event::molt, {as_of - 70, as_of - 56});
  book.row(Event::ate, ago(20));
  book.row(Event::darkened, ago(6));
  book.animal("A3").acquired = as_of - 30;
  book.row(Event::ate, ago(20));
  return book;
}

CollectionOptions sure_of_sixty_days() {
  CollectionOptions options;
  options.priors = {{"Intercept", {Prior::Kind::normal, std::log(60), 1e-6}},
                    {"log_size", {Prior::Kind::normal, 0, 1e-6}},
                    {"sigma", {Prior::Kind::half_normal, 0, 1e-4}}};
  for (const char* level : {"animal_sd", "cohort_sd", "taxon_sd", "genus_sd"})
    options.priors.push_back({level, {Prior::Kind::half_normal, 0, 1e-6}});
  return options;
}

// The loops.

TEST(TrajectoryVectors, UniformsAreThoseOfPhilox) {
  double one[37], two[37];
  vectors::uniforms(0x123456789abcdefULL, 5, 7, 11, 13, 37, one, two);
  for (std::uint32_t i = 0; i < 37; ++i) {
    const auto words = numeric::Philox4x32::block({5 + i, 7, 11, 13}, {0x89abcdefu, 0x01234567u});
    const auto uniform = [](std::uint32_t low, std::uint32_t high) {
      return (static_cast<double>(((std::uint64_t{high} << 32) | low) >> 12) + 0.5) * 0x1p-52;
    };
    EXPECT_EQ(one[i], uniform(words[0], words[1]));
    EXPECT_EQ(two[i], uniform(words[2], words[3]));
  }
}

TEST(TrajectoryVectors, ExponentialsAndQuantilesAreThoseOfTheLibrary) {
  std::vector<double> x, p, e(4001), z(4001);
  for (int i = 0; i < 4001; ++i) {
    x.push_back(-50 + i * 0.025);
    p.push_back((i + 0.5) / 4001);
  }
  vectors::exponentials(x.data(), 4001, e.data());
  vectors::normal_quantiles(p.data(), 4001, z.data());
  for (std::size_t i = 0; i < 4001; ++i) {
    EXPECT_NEAR(e[i] / std::exp(x[i]), 1, 5e-16) << x[i];  // two units of the last digit
    EXPECT_NEAR(z[i], numeric::normal_quantile(p[i]), 1e-15 * std::max(1.0, std::abs(z[i])));
  }
  double nothing = std::nan(""), result = 0;
  vectors::exponentials(&nothing, 1, &result);
  EXPECT_TRUE(std::isnan(result));
}

TEST(TrajectoryVectors, AliasTableKeepsItsShares) {
  const std::vector<double> weights = {1, 0, 5, 2.5, 1.5};
  const AliasTable table(weights);
  std::vector<int> counts(5);
  const int n = 100000;  // an even comb of uniforms: each share within one tooth a slot
  for (int i = 0; i < n; ++i) ++counts[static_cast<std::size_t>(table.pick((i + 0.5) / n))];
  for (std::size_t i = 0; i < 5; ++i) EXPECT_NEAR(counts[i] / double(n), weights[i] / 10, 1e-4) << i;
}

// By hand.

TEST(TrajectoryByHand, WithoutAnySpreadEveryMoltIsSixtyDaysAndThirtyPercentOn) {
  Book book;
  molts(book, {10}, 20);
  TrajectoryOptions options;
  options.molts = 4;
  options.draws = 50;
  options.growth_ratio = 1.3;
  options.growth_log_sd = 0;
  const Trajectories t = draw_trajectories(fitted(book, sure_of_sixty_days()), {}, options);
  ASSERT_EQ(t.animals.size(), 1u);
  for (int d = 0; d < 50; ++d)
    for (int k = 0; k < 4; ++k) {
      // The molt was 10 days before the as_of day and half a day on; .1 day a stadium: what sigma's prior (1e-4)
      // leaves.
      EXPECT_NEAR(t.dates_of(0)[d * 4 + k], 60 * (k + 1) - 10 + 0.5, 0.1 * (k + 1));
      EXPECT_NEAR(t.sizes_of(0)[d * 4 + k] / t.start_leg_span_mm[static_cast<std::size_t>(d)], std::pow(1.3, k + 1),
                  1e-12);
    }
}

/// One component: log T = m + eta + sigma W, first molt of age 0 not conditioned on anything.
TrajectoryPlan plain_plan(double eta_sd, double sigma) {
  TrajectoryPlan plan;
  const double spread = std::hypot(eta_sd, sigma);
  for (int i = 0; i < TrajectoryPlan::z_nodes; ++i)
    plan.day_of_z.push_back(std::exp(
        4 + spread * (-TrajectoryPlan::z_limit + 2 * TrajectoryPlan::z_limit * i / (TrajectoryPlan::z_nodes - 1))));
  const double gain = eta_sd * eta_sd / (spread * spread);
  plan.components = {{4, gain, std::sqrt(gain) * sigma, sigma, spread, 4, 0, 0}};
  for (int i = 0; i < TrajectoryPlan::n_cells; ++i) plan.component_of_cell.emplace_back(std::vector<double>{1});
  plan.starts = {{1, 0}};
  plan.any_component = plan.growth_point = AliasTable({1.0});
  plan.growth = {{}};
  return plan;
}

TEST(TrajectoryLaw, StadiaOfOneAnimalShareItsPredictor) {
  const TrajectoryPlan plan = plain_plan(0.2, 0.1);
  TrajectoryOptions options;
  options.molts = 3;
  options.draws = 40000;
  std::vector<double> dates(120000), sizes(120000), start(40000), end(40000);
  draw_courses(plan, options, dates.data(), sizes.data(), start.data(), end.data());
  double mean = 0, square = 0, cross[2] = {0, 0};
  std::vector<double> logs[3];
  for (std::size_t d = 0; d < 40000; ++d)
    for (std::size_t k = 0; k < 3; ++k)
      logs[k].push_back(std::log(dates[d * 3 + k] - (k ? dates[d * 3 + k - 1] : 0)) - 4);
  for (std::size_t d = 0; d < 40000; ++d) {
    mean += logs[2][d] / 40000;
    square += logs[2][d] * logs[2][d] / 40000;
    cross[0] += logs[0][d] * logs[1][d] / 40000;
    cross[1] += logs[1][d] * logs[2][d] / 40000;
  }
  // Variance .05, covariance .04; standard errors .0011, .00035 and .0003 with 40,000 draws: four of them.
  EXPECT_NEAR(mean, 0, 0.0045);
  EXPECT_NEAR(square, 0.05, 0.0015);
  EXPECT_NEAR(cross[0], 0.04, 0.0013);
  EXPECT_NEAR(cross[1], 0.04, 0.0013);
}

TEST(TrajectoryLaw, StadiaGrowByTheExponentAndThoseThatStopStop) {
  TrajectoryPlan plan = plain_plan(0, 1e-9);
  plan.exponent = 0.8;
  plan.growth[0].log_ratio = std::log(1.5);
  plan.adult_log_ratio = std::log(1.1);
  plan.adult_log_size = std::log(2);  // 40 mm: after two molts from 20 mm
  TrajectoryOptions options;
  options.molts = 4;
  options.draws = 10;
  std::vector<double> dates(40), sizes(40), start(10), end(10);
  for (const double stops : {0.0, 1.0}) {
    plan.stop_chance = stops;
    draw_courses(plan, options, dates.data(), sizes.data(), start.data(), end.data());
    const double t = std::exp(4);
    EXPECT_NEAR(start[3], 20, 1e-12);
    EXPECT_NEAR(sizes[12], 30, 1e-12);
    EXPECT_NEAR(sizes[13], 45, 1e-12);
    EXPECT_NEAR(dates[13] / (t + t * std::pow(1.5, 0.8)), 1, 1e-6);
    EXPECT_EQ(std::isnan(dates[14]), stops == 1);
    EXPECT_EQ(std::isnan(sizes[15]), stops == 1);
    if (stops == 0) {
      EXPECT_NEAR(sizes[14], 67.5, 1e-12);  // nothing is known of an end of growth: it grows on
      EXPECT_NEAR((dates[14] - dates[13]) / (t * std::pow(2.25, 0.8)), 1, 1e-6);
    }
  }
}

/// Two points of the growth model: the size after two molts has the mean and variance of their mixture.
TEST(TrajectoryLaw, SizesAreThoseOfTheGrowthModelsPoints) {
  TrajectoryPlan plan = plain_plan(0, 0.1);
  plan.size_sd = 0.1;
  plan.components[0].size_sd = 0.1;
  plan.growth = {{0.3, 0.02, 0.08, 0.25, -0.01, 0.02, 0.04, 0}, {0.7, -0.01, 0.12, 0.30, 0.02, 0.01, 0.06, -0.1}};
  plan.growth_point = AliasTable({0.3, 0.7});
  constexpr std::size_t draws = 100000;
  TrajectoryOptions options;
  options.molts = 2;
  options.draws = draws;
  std::vector<double> dates(2 * draws), sizes(2 * draws), start(draws), end(draws);
  draw_courses(plan, options, dates.data(), sizes.data(), start.data(), end.data());
  double mean = 0, square = 0;
  for (std::size_t d = 0; d < draws; ++d) {
    const double x = std::log(sizes[2 * d + 1] / 20);
    mean += x / draws;
    square += x * x / draws;
  }
  // x2 = f (f x0 + g + e1) + g + e2 with f = 1 + decline; x0 = m + s z, g = r + gain z + ratio_sd z'.
  double want = 0, wanted_square = 0;
  for (const GrowthDraw& p : plan.growth) {
    const double f = 1 + p.decline, m = f * f * p.size_mean + (1 + f) * p.log_ratio,
                 of_z = f * f * p.size_sd + (1 + f) * p.ratio_gain, of_ratio = (1 + f) * p.ratio_sd;
    want += p.weight * m;
    wanted_square += p.weight * (m * m + of_z * of_z + of_ratio * of_ratio + (1 + f * f) * p.molt_sd * p.molt_sd);
  }
  const double sd = std::sqrt(wanted_square - want * want);
  EXPECT_NEAR(mean, want, 4 * sd / std::sqrt(draws));
  EXPECT_NEAR(std::sqrt(square - mean * mean) / sd, 1, 4 / std::sqrt(2.0 * draws));
}

/// Draws that have molted unseen begin one molt further, and their next stadium owes nothing to the long time before.
TEST(TrajectoryLaw, AnUnseenMoltMakesItOneMoltLarger) {
  TrajectoryPlan plan = plain_plan(0.2, 0.1);
  for (double& day : plan.day_of_z) day *= 3;  // late by far
  plan.exponent = 0.8;
  plan.growth[0].log_ratio = std::log(1.5);
  constexpr std::size_t draws = 20000;
  TrajectoryOptions options;
  options.molts = 2;
  options.draws = draws;
  std::vector<double> dates(2 * draws), sizes(2 * draws), start(draws), end(draws);
  for (const double missed : {0.0, 0.25, 1.0}) {
    plan.missed_chance = missed;
    draw_courses(plan, options, dates.data(), sizes.data(), start.data(), end.data());
    double larger = 0, log_length = 0;
    for (std::size_t d = 0; d < draws; ++d) {
      ASSERT_TRUE(std::abs(start[d] - 20) < 1e-9 || std::abs(start[d] - 30) < 1e-9);
      EXPECT_NEAR(sizes[2 * d] / start[d], 1.5, 1e-9);
      larger += start[d] > 25;
      log_length += std::log(dates[2 * d + 1] - dates[2 * d]) / draws;
    }
    EXPECT_NEAR(larger / draws, missed, 4 * std::sqrt(missed * (1 - missed) / draws));
    // Mean log length of the second stadium: 4 + .8 log 1.5 x (molts since the size of the record) + gain log 3.
    const double gain = 0.8, late = 4 + 0.8 * std::log(1.5) + gain * std::log(3.0), unseen = 4 + 1.6 * std::log(1.5);
    EXPECT_NEAR(log_length, (1 - missed) * late + missed * unseen, 0.012);  // 4 sd / sqrt(draws), sd at most .4
  }
}

// The exact forecast.

TEST(TrajectoryForecast, FirstMoltAgreesWithTheForecast) {
  for (const Family family : {Family::lognormal, Family::weibull, Family::loglogistic}) {
    CollectionOptions of_fit;
    of_fit.family = family;
    const CollectionFit fit = fitted(three(), of_fit);
    const auto exact = forecast(fit);
    TrajectoryOptions options;
    options.molts = 2;
    options.draws = 20000;
    const Trajectories t = draw_trajectories(fit, {}, options);
    ASSERT_EQ(t.animals.size(), 3u);
    for (std::size_t a = 0; a < 3; ++a)
      for (std::size_t q = 0; q < std::size(standard_quantiles); ++q) {
        const double p = standard_quantiles[q];
        double below = 0;
        for (int d = 0; d < options.draws; ++d) below += t.dates_of(a)[d * 2] <= exact[a].quantile_days[q];
        // Four binomial standard errors.
        EXPECT_NEAR(below / options.draws, p, 4 * std::sqrt(p * (1 - p) / options.draws))
            << t.animals[a].id << " " << p;
      }
  }
}

/// The second molt against plain rejection from the same posterior: the predictor's law given that the first stadium
/// outlasts what was watched.
TEST(TrajectoryForecast, SecondStadiumHasTheLawThatRejectionGives) {
  Book book;
  molts(book, {310, 250, 190, 130, 70}, 20);
  CollectionOptions plain;
  plain.hidden_molts = false;  // the law drawn below knows of none
  const CollectionFit fit = fitted(book, plain);
  TrajectoryOptions options;
  options.molts = 2;
  options.draws = 40000;
  options.growth_ratio = 1;
  options.growth_log_sd = 0;
  const Trajectories t = draw_trajectories(fit, {}, options);
  const PredictorMixture points = running_predictors(fit.stadia);
  numeric::RandomStream random(3);
  double sum = 0, kept = 0, total_weight = 0;
  for (int i = 0; i < 60000; ++i) {
    // Points by weight over their survival, as the running stadium is in the weight already; survival by rejection.
    const auto k = static_cast<Eigen::Index>(random.uniform() * static_cast<double>(points.weights.size()));
    const double sigma = std::exp(points.log_sigma[k]),
                 v = points.variance(k, 0) + fit.data.extra_variance[fit.animals[0].running_row];
    const double survival = 1 - numeric::Phi((std::log(70.5) - points.mean(k, 0)) / std::hypot(sigma, std::sqrt(v)));
    const double eta = points.mean(k, 0) + std::sqrt(v) * random.normal();
    const double first = eta + sigma * random.normal(), second = eta + sigma * random.normal();
    if (first < std::log(70.5)) continue;
    const double weight = points.weights[k] / survival;
    sum += weight * second;
    total_weight += weight;
    ++kept;
  }
  double mean = 0;
  for (int d = 0; d < options.draws; ++d)
    mean += std::log(t.dates_of(0)[2 * d + 1] - t.dates_of(0)[2 * d]) / options.draws;
  // Sd of log T about .2; unequal weights leave some thousand draws of worth: four standard errors are about .015.
  EXPECT_GT(kept, 1000);
  EXPECT_NEAR(mean, sum / total_weight, 0.015);
}

// Laws.

bool same_bytes(const Trajectories& a, const Trajectories& b) {
  const std::size_t n = a.animals.size() * a.per_animal() * sizeof(double);
  return a.animals.size() == b.animals.size() && std::memcmp(a.dates_days.get(), b.dates_days.get(), n) == 0 &&
         std::memcmp(a.leg_span_mm.get(), b.leg_span_mm.get(), n) == 0;
}

TEST(TrajectoryLaw, SameBytesOnAnyNumberOfThreadsAndInAnyOrder) {
  const CollectionFit fit = fitted(three());
  TrajectoryOptions options;
  options.draws = 3000;
  options.threads = 1;
  const Trajectories one = draw_trajectories(fit, {}, options);
  for (const int threads : {2, 8}) {
    options.threads = threads;
    EXPECT_TRUE(same_bytes(one, draw_trajectories(fit, {}, options))) << threads;
  }
  const Trajectories turned = draw_trajectories(fit, {2, 1, 0}, options);
  const std::size_t bytes = one.per_animal() * sizeof(double);
  for (std::size_t a = 0; a < 3; ++a) {
    EXPECT_EQ(std::memcmp(one.dates_of(a), turned.dates_of(2 - a), bytes), 0);
    EXPECT_EQ(std::memcmp(one.sizes_of(a), turned.sizes_of(2 - a), bytes), 0);
  }
  options.seed = 2;
  EXPECT_FALSE(same_bytes(one, draw_trajectories(fit, {}, options)));
}

TEST(TrajectoryLaw, FirstPassagesFansAndDatesAgree) {
  const CollectionFit fit = fitted(three());
  TrajectoryOptions options;
  options.draws = 4000;
  const Trajectories t = draw_trajectories(fit, {0}, options);
  const FirstPassage near = t.first_passage(0, 1e-3), far = t.first_passage(0, 1e6), mid = t.first_passage(0, 40);
  EXPECT_EQ(near.chance_already, 1);
  EXPECT_EQ(far.chance, 0);
  EXPECT_TRUE(std::isinf(far.quantile_days(0.5)));
  const double day_mid = mid.quantile_days(0.5);
  // At the day by which 40 mm is reached with even odds the median leg span passes 40 mm: the same courses.
  EXPECT_LE(t.fan(0, {0.499}, {day_mid - 1e-6}).leg_span_mm[0], 40);
  EXPECT_GE(t.fan(0, {0.501}, {day_mid + 1e-6}).leg_span_mm[0], 40);
  const TrajectoryFan fan = t.fan(0, {0.1, 0.5, 0.9});
  ASSERT_EQ(fan.leg_span_mm.size(), 3 * fan.days.size());
  for (std::size_t i = 0; i < fan.days.size(); ++i) {
    EXPECT_LE(fan.leg_span_mm[3 * i], fan.leg_span_mm[3 * i + 1]);
    EXPECT_GE(fan.complete[i], 0.9 - 1e-3);
  }
}

TEST(TrajectoryLaw, AnimalsWithoutAForecastAreNamedAndWrongArgumentsRefused) {
  Book book = three();
  book.animal("A4");
  molts(book, {50});
  book.row(Event::died, ago(3));
  const CollectionFit fit = fitted(book);
  const Trajectories t = draw_trajectories(fit, {}, {});
  ASSERT_EQ(t.without.size(), 1u);
  EXPECT_EQ(t.without[0].id, "A4");
  EXPECT_NE(t.without[0].why_none.find("died"), std::string::npos);
  for (const auto& [molt_count, draws] : {std::pair{0, 10}, {101, 10}, {5, 0}}) {
    TrajectoryOptions options;
    options.molts = molt_count;
    options.draws = draws;
    EXPECT_THROW(draw_trajectories(fit, {}, options), std::invalid_argument);
  }
  EXPECT_THROW(draw_trajectories(fit, {9}, {}), std::invalid_argument);
  EXPECT_THROW(t.first_passage(0, -1), std::invalid_argument);
  EXPECT_THROW(t.fan(0, {1.5}), std::invalid_argument);
}

}  // namespace
}  // namespace moltspan
