#include "intervals/chain.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "moltspan/law/families.hpp"

namespace moltspan {
namespace {

const double nan = std::numeric_limits<double>::quiet_NaN();

/// Two stadia between weekly looks and the running one: molts in [0, 7), [21, 28), [49, 56), no third one by day 66.
StadiaData weekly_chain() {
  StadiaData data;
  data.bounds = {{14, 28, 7, 0, 7}, {21, 35, 7, 0, 7}, {10, nan, 7, 0, 0}};
  data.follows = {-1, 0, 1};
  return data;
}

double ratio(const StadiaData& data, Family family, double sigma, const std::vector<double>& eta) {
  return SharedDates(data).log_ratio(
      family, [&](std::size_t i) { return eta[i]; }, [&](std::size_t) { return std::log(sigma); });
}

/// The same by the midpoint rule in three dimensions, 12 cells a day, written out for the dates of `weekly_chain`.
template <typename Law>
double by_cubes(double sigma, const std::vector<double>& eta) {
  const int n = 7 * 12;
  const double h = 1.0 / 12;
  const auto f = [&](double t, double mean) {
    return std::exp(Law::log_density((std::log(t) - mean) / sigma)) / (sigma * t);
  };
  const auto still = [&](double t) { return std::exp(Law::log_survival((std::log(t) - eta[2]) / sigma)); };
  double joint = 0, first = 0, second = 0, third = 0;
  for (int i = 0; i < n; ++i) {
    const double a = (i + 0.5) * h;
    third += still(66 - 49 - a) * h / 7;
    for (int j = 0; j < n; ++j) {
      const double b = 21 + (j + 0.5) * h, opening = f(b - a, eta[0]) * h * h / 7;
      first += opening;
      second += f(49 + (i + 0.5) * h - b, eta[1]) * h * h / 7;
      for (int k = 0; k < n; ++k) {
        const double c = 49 + (k + 0.5) * h;
        joint += opening * f(c - b, eta[1]) * still(66 - c) * h;
      }
    }
  }
  return std::log(joint) - std::log(first) - std::log(second) - std::log(third);
}

/// Tolerance: both grids err by their step squared; cells of half a day by 4e-4 here.
TEST(SharedDates, RatioIsThatOfTheTripleIntegral) {
  const std::vector<double> eta{3.1, 3.3, 3.2};
  for (double sigma : {0.08, 0.2, 0.5}) {
    EXPECT_NEAR(ratio(weekly_chain(), Family::lognormal, sigma, eta), by_cubes<NormalLaw>(sigma, eta), 6e-4);
    EXPECT_NEAR(ratio(weekly_chain(), Family::weibull, sigma, eta), by_cubes<GumbelMinLaw>(sigma, eta), 6e-4);
    EXPECT_NEAR(ratio(weekly_chain(), Family::loglogistic, sigma, eta), by_cubes<LogisticLaw>(sigma, eta),
                6e-4);
  }
}

TEST(SharedDates, NothingIsSharedByLongStadiaKnownToTheDay) {
  StadiaData data = weekly_chain();
  data.bounds = {{40, 42, 1, 0, 1}, {50, 52, 1, 0, 1}, {10, nan, 1, 0, 0}};
  EXPECT_FALSE(SharedDates(data).any());
}

TEST(SharedDates, ChainsEndWhereMoltsMayHideOrRangesDoNotMeet) {
  StadiaData data = weekly_chain();
  data.follows = {-1, -1, -1};
  EXPECT_FALSE(SharedDates(data).any());
  data = weekly_chain();
  data.hidden_log_weights.assign(3, {0, -INFINITY, -INFINITY});
  EXPECT_DOUBLE_EQ(ratio(data, Family::lognormal, 0.2, {3.1, 3.3, 3.2}),
                   ratio(weekly_chain(), Family::lognormal, 0.2, {3.1, 3.3, 3.2}));
  data.hidden_log_weights[1] = {-0.1, -2.4, -6};
  EXPECT_FALSE(SharedDates(data).any());
  data = weekly_chain();
  data.bounds[2].start_range_days = 3;
  data.bounds[1].end_range_days = 7;
  const double two = ratio(data, Family::lognormal, 0.2, {3.1, 3.3, 3.2});
  EXPECT_NE(two, ratio(weekly_chain(), Family::lognormal, 0.2, {3.1, 3.3, 3.2}));
  data.bounds.pop_back();
  data.follows.pop_back();
  EXPECT_DOUBLE_EQ(two, ratio(data, Family::lognormal, 0.2, {3.1, 3.3, 3.2}));
}

/// Far from the mode densities underflow; the search must go on.
TEST(SharedDates, StaysANumberFarFromTheMode) {
  for (double sigma : {0.001, 0.01, 5.0})
    for (double mean : {-5.0, 3.0, 12.0})
      EXPECT_TRUE(std::isfinite(ratio(weekly_chain(), Family::lognormal, sigma, {mean, 3.3, mean}))) << sigma << mean;
}

}  // namespace
}  // namespace moltspan
