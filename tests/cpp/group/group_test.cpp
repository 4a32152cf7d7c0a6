#include "moltspan/group/group.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <stdexcept>

#include "moltspan/group/allometry.hpp"
#include "moltspan/group/temperature.hpp"

namespace moltspan {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;
constexpr double infinity = std::numeric_limits<double>::infinity();

TEST(Group, RatioOfTwoPairsByHand) {
  const std::vector before{10.0, 20.0}, after{12.0, 26.0};
  const RatioSummary ratio = growth_ratio(before, after, 0.95);
  EXPECT_NEAR(ratio.ratio.estimate, std::sqrt(1.2 * 1.3), 1e-14);
  // t(.975, 1) = 12.7062047 (table of Student's t), half range of the logs as standard error
  const double half = 12.70620473617471 * std::log(1.3 / 1.2) / 2;
  EXPECT_NEAR(std::log(ratio.ratio.upper), std::log(1.2 * 1.3) / 2 + half, 1e-12);
}

TEST(Group, UnknownInstarsPairBySteps) {
  const double nan = std::nan("");
  const std::vector<GroupReading> readings{
      {0, 7, 0, nan, 10}, {0, 7, 1, nan, 12}, {0, 7, 2, nan, 15}, {0, 8, 4, nan, 30}};
  const auto rows = instar_table(readings, 0.95);
  ASSERT_EQ(rows.size(), 1u);
  EXPECT_EQ(rows[0].size.n, 2);  // animals, not readings
  EXPECT_TRUE(std::isnan(rows[0].size.mean));
  EXPECT_EQ(rows[0].ratio.n, 1);
  EXPECT_NEAR(rows[0].ratio.ratio.estimate, std::sqrt(1.5), 1e-14);  // two molts, one animal
}

TEST(Group, InstarsAreCountedFromTheNearestStatedOne) {
  StadiaTable table;
  AnimalHistory history;
  history.molts.resize(4);
  history.molts[1].instar = 6, history.molts[2].instar = 8;  // one molt between went unseen
  for (int molts : {0, 2, 3, 4}) {
    SizeReading reading;
    reading.value = 10, reading.molts_before = molts;
    history.sizes.push_back(reading);
  }
  table.animals.push_back(history);
  const auto found = animal_readings(table);
  EXPECT_EQ(found[0].instar, 4);
  EXPECT_EQ(found[1].instar, 6);
  EXPECT_EQ(found[2].instar, 8);
  EXPECT_EQ(found[3].instar, 9);
}

TEST(Group, SexRatioOfOneAnimal) {
  const SexRatio one = sex_ratio({0, 1, 0, 0, 3});
  EXPECT_EQ(one.n, 1);
  EXPECT_NEAR(one.clopper_pearson.lower, 0.025, 1e-12);  // P(X >= 1) = p = .025
  EXPECT_EQ(one.clopper_pearson.upper, 1);
  EXPECT_NEAR(one.p_value, 1, 1e-15);
}

TEST(Group, ContrastsDoNotDependOnTheBase) {
  const VectorXd values = Eigen::Vector3d(0.1, 0.5, 0.9);
  MatrixXd covariance(3, 3);
  covariance << 0.04, 0.01, 0, 0.01, 0.05, 0.02, 0, 0.02, 0.06;
  MatrixXd pairs(3, 3), turned(3, 3);
  pairs << -1, 1, 0, -1, 0, 1, 0, -1, 1;
  turned = -pairs;
  const Contrasts a = contrasts(values, covariance, pairs, 0.95), b = contrasts(values, covariance, turned, 0.95);
  EXPECT_EQ(a.p_value, b.p_value);
  EXPECT_TRUE(a.lower.isApprox(-b.upper, 1e-14));
  EXPECT_NEAR(a.critical_value, b.critical_value, 1e-12);
  EXPECT_GE(a.critical_value, 1.959963984540054);
}

TEST(Group, FaultsAreNamed) {
  const std::vector<double> sizes{1, -2}, days{1, 2};
  try {
    growth_ratio(days, sizes, 0.95);
    FAIL();
  } catch (const std::invalid_argument& fault) {
    EXPECT_STREQ(fault.what(), "growth_ratio: `after` of row 1 is -2, but a size is positive; leave blanks out");
  }
  EXPECT_THROW(growth_ratio(days, days, 1.0), std::invalid_argument);
  EXPECT_THROW(sex_ratio({}, 0.5), std::invalid_argument);
  EXPECT_THROW(sex_ratio({1, 1, 0, 0, 0}, 0), std::invalid_argument);
  EXPECT_THROW(likelihood_ratio(0, 0, 0, 1), std::invalid_argument);
  EXPECT_THROW(adjust_holm(Eigen::Vector2d(0.5, 1.5)), std::invalid_argument);
  EXPECT_THROW(contrasts(Eigen::Vector2d(0, 1), MatrixXd::Zero(2, 2), MatrixXd::Identity(2, 2), 0.95),
               std::invalid_argument);
}

// every number swept over NaN, infinity and negative: a fault or a stated health, never a plain answer
TEST(GroupTemperature, BadNumbersNeverPass) {
  for (double bad : {std::nan(""), infinity, -infinity, -300.0}) {
    const std::vector<double> t{18, 22, bad, 30}, days{60, 40, 30, 20};
    EXPECT_THROW(thermal_sum_fit(t, days), std::invalid_argument) << bad;
    EXPECT_THROW(belehradek_fit(t, days), std::invalid_argument) << bad;
  }
  const std::vector<double> t{18, 22, 26, 30}, with_zero{60, 40, 0, 20}, blank{60, 40, std::nan(""), 20};
  EXPECT_THROW(thermal_sum_fit(t, with_zero), std::invalid_argument);
  EXPECT_EQ(thermal_sum_fit(t, blank).n_left_out, 1);
  EXPECT_THROW(q10(0, 1, 20, 30), std::invalid_argument);
  EXPECT_THROW(accumulate_development(std::vector{0.1, -0.1}, 1), std::invalid_argument);
}

TEST(GroupTemperature, RangeLimitsLeaveOutNothingUnsaid) {
  const std::vector<double> t{10, 18, 22, 26, 30, 34}, days{200, 60, 40, 30, 24, 30};
  const CurveFit fit = thermal_sum_fit(t, days, 15, 31);
  EXPECT_EQ(fit.n, 4);
  EXPECT_EQ(fit.n_left_out, 2);
  EXPECT_THROW(fit["optimum_c"], std::invalid_argument);
}

TEST(GroupTemperature, DevelopmentAddsUpOverAYearOfHours) {
  const std::vector<double> rates(24 * 365, 1.0 / 365);
  const Accumulated a = accumulate_development(rates, 1.0 / 24);
  EXPECT_NEAR(a.days, 365, 1e-9);
  EXPECT_NEAR(a.progress, 1, 1e-12);
}

TEST(GroupAllometry, PointsOnTheLineAreNoTest) {
  const std::vector<double> x{1, 2, 4, 1, 2, 4}, y{1, 4, 16, 2, 4, 8};
  const AllometryFit fit = allometry_fit(x, y, std::vector{0, 0, 0, 1, 1, 1}, LineMethod::sma);
  EXPECT_NEAR(fit.lines[0].slope.estimate, 2, 1e-14);
  EXPECT_NEAR(fit.lines[1].slope.estimate, 1, 1e-14);
  EXPECT_TRUE(std::isnan(fit.p_common));
  EXPECT_EQ(fit.health.front().state, HealthState::bad);
}

}  // namespace
}  // namespace moltspan
