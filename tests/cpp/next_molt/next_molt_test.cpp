#include "moltspan/next_molt/next_molt.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

using namespace std::chrono_literals;

namespace moltspan {
namespace {

Date day(int year, unsigned month, unsigned date) {
  return std::chrono::year(year) / std::chrono::month(month) / std::chrono::day(date);
}

MoltHistory steady() {
  MoltHistory animal;
  for (int i = 0; i < 6; ++i) animal.molts.push_back(day(2025, 1, 1) + std::chrono::days(60 * i));
  animal.watched_until = animal.molts.back().latest + std::chrono::days(20);
  return animal;
}

TEST(NextMolt, OfAnAnimalThatMoltsEverySixtyDays) {
  const MoltForecast forecast = next_molt(steady());
  const Date expected = steady().molts.back().latest + std::chrono::days(60);
  EXPECT_LE(std::abs((forecast.median - expected).count()), 2);
  ASSERT_EQ(forecast.bands.size(), 3u);
  for (std::size_t i = 0; i < 3; ++i) {
    EXPECT_LE(forecast.bands[i].first, forecast.median);
    EXPECT_LE(forecast.median, forecast.bands[i].last);
    if (i == 0) continue;
    EXPECT_LE(forecast.bands[i].first, forecast.bands[i - 1].first);
    EXPECT_GE(forecast.bands[i].last, forecast.bands[i - 1].last);
  }
  EXPECT_GT(forecast.surprise, 0.95);
}

TEST(NextMolt, IsNeverOnADayThatWasWatched) {
  MoltHistory overdue = steady();
  overdue.watched_until = overdue.molts.back().latest + std::chrono::days(150);
  const MoltForecast forecast = next_molt(overdue);
  EXPECT_GT(forecast.bands[2].first, overdue.watched_until);
  EXPECT_LT(forecast.surprise, 0.05);
}

TEST(NextMolt, MovesWithTheDates) {
  MoltHistory later = steady();
  for (DatedMolt& molt : later.molts) molt = DatedMolt(molt.earliest + 1000 * std::chrono::days(1), molt.latest + 1000 * std::chrono::days(1));
  later.watched_until += std::chrono::days(1000);
  EXPECT_EQ(next_molt(later).median, next_molt(steady()).median + std::chrono::days(1000));
}

TEST(NextMolt, OfAnAnimalWithoutAMoltIsThatOfARandomMoment) {
  // By hand: log-normal with parameters that the prior states; here only what must hold of such a wait.
  MoltHistory newcomer;
  newcomer.watched_from = newcomer.watched_until = day(2026, 3, 1);
  const MoltForecast forecast = next_molt(newcomer), kin = next_molt({newcomer, steady()}, 0);
  EXPECT_GT(forecast.median, newcomer.watched_until);
  EXPECT_LT((kin.bands[2].last - kin.bands[2].first).count(), (forecast.bands[2].last - forecast.bands[2].first).count());
}

TEST(RandomMoment, OfAnExponentialStadiumIsTheSameExponential) {
  // Weibull of shape 1 (sigma = 1): no memory, so that what is left has the law of the whole. 24 nodes a panel: 1e-6.
  const RandomMoment<GumbelMinLaw> rest({{1, std::log(50), 0, 1}}, 30);
  for (const double ahead : {5.0, 40.0, 120.0}) EXPECT_NEAR(rest.survival(ahead), std::exp(-ahead / 50), 1e-6);
  EXPECT_NEAR(rest.quantiles_days(Eigen::VectorXd::Constant(1, 0.5))[0], 50 * std::numbers::ln2, 1e-4);
}

TEST(NextMolt, RefusesHistoriesOutOfOrder) {
  MoltHistory wrong = steady();
  std::swap(wrong.molts[1], wrong.molts[2]);
  EXPECT_THROW(next_molt(wrong), std::invalid_argument);
  wrong = steady();
  wrong.watched_until = wrong.molts.back().latest - std::chrono::days(1);
  EXPECT_THROW(next_molt(wrong), std::invalid_argument);
  wrong = steady();
  wrong.leg_span_mm.assign(9, 20);
  EXPECT_THROW(next_molt(wrong), std::invalid_argument);
}

TEST(StadiumBetween, CountsADayAsSomeMomentInIt) {
  const StadiumBounds exact = stadium_between(day(2026, 1, 1), day(2026, 1, 11));
  EXPECT_EQ(exact.min_days, 9);
  EXPECT_EQ(exact.max_days, 11);
  EXPECT_EQ(exact.start_range_days, 1);
  const StadiumBounds range = stadium_between({day(2026, 1, 1), day(2026, 1, 3)}, {day(2026, 2, 1), day(2026, 2, 5)});
  EXPECT_EQ(range.min_days, 28);
  EXPECT_EQ(range.max_days, 36);
  EXPECT_EQ(range.start_range_days, 3);
  EXPECT_EQ(range.end_range_days, 5);
  EXPECT_EQ(stadium_since(day(2026, 1, 1), day(2026, 1, 20)).min_days, 19);
}

}  // namespace
}  // namespace moltspan
