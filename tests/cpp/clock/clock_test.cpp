#include "clock/clock.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

#include "clock/temperatures.hpp"

namespace moltspan {
namespace {

constexpr double year = 365.25;

std::shared_ptr<const ClockTable> seasonal(double amplitude, Day first = 18000, int days = 3000) {
  std::vector<double> rates;
  for (int i = 0; i < days; ++i)
    rates.push_back(std::exp(amplitude * std::cos(2 * std::numbers::pi * (first + i + 0.5) / year)));
  return std::make_shared<ClockTable>(first, rates);
}

TEST(YearlyCourse, HasTheMeanOfItsValues) {
  const YearlyCourse course{0.3, -0.7};
  double sum = 0;
  for (int i = 0; i < 1000; ++i) sum += course.at(18100 + 0.123 * (i + 0.5));
  EXPECT_NEAR(course.mean(18100, 18223), sum / 1000, 1e-6);
  EXPECT_NEAR(course.mean(18100, 18100 + year), 0, 1e-12);
  EXPECT_NEAR(course.at(course.top_day_of_year()), course.amplitude(), 1e-12);
}

TEST(ClockTable, InverseGivesTheMoment) {
  const auto table = seasonal(0.4);
  for (double moment = 17000; moment < 40000; moment += 97.3)
    EXPECT_NEAR(table->moment_of(table->units_by(moment)), moment, 1e-7) << moment;
}

TEST(ClockTable, RepeatsItsLastFourYears) {
  const auto table = seasonal(0.4);
  for (double moment = 20800; moment < 23000; moment += 13.7)
    EXPECT_NEAR(table->units_by(moment + 1461) - table->units_by(moment), table->units_by(20900) - table->units_by(20900 - 1461),
                1e-8)
        << moment;
}

TEST(StadiumClock, WithoutATableIsTheCalendar) {
  const StadiumClock clock;
  EXPECT_EQ(clock.units(18000.25, 18017.75), 17.5);
  EXPECT_EQ(clock.after(18000.25, 17.5), 18017.75);
  const ClockAhead ahead;
  EXPECT_EQ(ahead.units(12.345), 12.345);
  EXPECT_EQ(ahead.days(-12.345), -12.345);
}

// Law of degree-days: at twice the rate a stadium takes half of the days, whichever part of it is warm.
TEST(StadiumClock, AddsWarmAndColdDays) {
  const std::vector<TemperatureSpan> spans{{18000, 18040, 20}, {18040, 18100, 30}};
  const TemperatureCourse course(spans, {}, 0, 25);
  EXPECT_FALSE(course.constant());
  const double warmth = -std::log(2.0) / 10;  // twice as fast at 30 as at 20 C
  std::vector<double> rates;
  for (double c : course.by_day(18000, 18000 + 1600)) rates.push_back(std::exp(-warmth * (c - 20)));
  const StadiumClock clock(std::make_shared<ClockTable>(18000, rates), 1);
  EXPECT_NEAR(clock.units(18000, 18040), 40, 1e-9);
  EXPECT_NEAR(clock.units(18040, 18050), 20, 1e-9);
  EXPECT_NEAR(clock.after(18020, 60), 18060, 1e-9);
  EXPECT_NEAR(clock.units(19000, 19001), 2, 1e-9);  // the last temperature stays
}

// Change of variables: the density of calendar days is that of clock days times the rate at the end.
TEST(ClockedLaw, DensityIsThatOfClockDaysTimesTheRate) {
  const std::vector<PredictiveComponent> points{{1, 4.5, 0.02, 0.25}};
  const std::vector<StartAge> starts{{1, 20}};
  const auto table = seasonal(0.3);
  const ClockAhead clock(StadiumClock(table, 1), 18400);
  const RunningLaw base(Family::lognormal, points, starts, clock.units(1));
  const ClockedLaw law(std::make_unique<RunningLaw>(Family::lognormal, points, starts, clock.units(1)), clock, 1);
  EXPECT_EQ(law.first_day(), 1);
  EXPECT_NEAR(law.survival(1), 1, 1e-12);
  for (double x : {10.5, 60.5, 150.5}) {
    const double h = 1e-3, u = clock.units(x);
    const double density = (law.survival(x - h) - law.survival(x + h)) / (2 * h),
                 of_units = (base.survival(u - h) - base.survival(u + h)) / (2 * h);
    EXPECT_NEAR(density, of_units * table->rate_at(18400 + x), 1e-6 * of_units) << x;
  }
  const double median = law.quantile(0.5, 1);
  EXPECT_NEAR(clock.units(median), base.quantile(0.5, base.first_day()), 1e-4);
}

StadiaTable monthly_rows(double amplitude_c, int months, double move_c = 0) {
  StadiaTable table;
  table.animals.resize(1);
  for (int i = 0; i < months; ++i) {
    const Day from = 18000 + 30 * i;
    const double noise = 0.2 * ((7 * i) % 5 - 2) / 2;
    table.animals[0].temperatures.push_back(
        {from, from + 30,
         24 + YearlyCourse{0, amplitude_c}.mean(from, from + 30) + noise + (i >= months / 2 ? move_c : 0.0)});
  }
  return table;
}

TEST(LearnTemperatures, FindsTheCourseOfTheYear) {
  const auto found = learn_temperatures(monthly_rows(3, 24));
  EXPECT_TRUE(found.vary);
  EXPECT_NEAR(found.course.sine, 3, 0.35);
  EXPECT_NEAR(found.course.cosine, 0, 0.35);
}

TEST(LearnTemperatures, AMoveIsNoCourse) {
  const auto found = learn_temperatures(monthly_rows(0, 24, 5));
  EXPECT_LT(found.course.amplitude(), 0.35);
  const auto both = learn_temperatures(monthly_rows(3, 24, 5));
  EXPECT_NEAR(both.course.amplitude(), 3, 0.5);
}

TEST(LearnTemperatures, HalfAYearTellsNothing) {
  EXPECT_TRUE(learn_temperatures(monthly_rows(3, 6)).course.flat());
}

TEST(TemperatureCourse, KeepsTheMeansOfItsRows) {
  const auto table = monthly_rows(3, 24);
  const auto& spans = table.animals[0].temperatures;
  const TemperatureCourse course(spans, {0, 3}, 0, 25);
  const auto by_day = course.by_day(18000, 18720);
  double sum = 0;
  for (int i = 300; i < 330; ++i) sum += by_day[static_cast<std::size_t>(i)];
  EXPECT_NEAR(sum / 30, spans[10].mean_c, 0.01);
}

}  // namespace
}  // namespace moltspan
