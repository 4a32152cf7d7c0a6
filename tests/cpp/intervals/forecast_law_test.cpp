#include "intervals/next_molt_law.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "moltspan/numeric/quadrature.hpp"

namespace moltspan {
namespace {

const std::vector<PredictiveComponent> one_point{{1, 3.5, 0.04, 0.2}};
constexpr Family families[] = {Family::lognormal, Family::weibull, Family::loglogistic};

/// Mean and sd of log T by integrals of P(log T > x), on panels.
std::pair<double, double> log_moments(Family family, const std::vector<PredictiveComponent>& points) {
  const auto& rule = numeric::gauss_legendre(6);
  double mean = -10, square = 100;
  for (double left = -10; left < 20; left += 0.05)
    for (Eigen::Index i = 0; i < rule.nodes.size(); ++i) {
      const double x = left + 0.025 * (1 + rule.nodes[i]);
      double beyond = 0;
      for (const PredictiveComponent& p : points) beyond += p.weight * survival_of_log(family, p, x);
      mean += 0.025 * rule.weights[i] * beyond;
      square += 0.025 * rule.weights[i] * 2 * x * beyond;
    }
  return {mean, std::sqrt(square - mean * mean)};
}

TEST(InFamily, KeepsMeanAndSdOfLogLength) {
  for (Family from : families)
    for (Family to : families) {
      const auto old = log_moments(from, one_point), now = log_moments(to, in_family(one_point, from, to));
      EXPECT_NEAR(old.first, now.first, 1e-6);
      EXPECT_NEAR(old.second, now.second, 1e-6);
    }
}

/// Points joined in three keep the mixture's moments exactly; the law of the same family moves by little.
TEST(InFamily, JoinsManyPoints) {
  std::vector<PredictiveComponent> points;
  for (int k = 0; k < 40; ++k) points.push_back({1.0 / 40, 3.4 + 0.004 * k, 0.02 + 0.0005 * k, 0.15 + 0.003 * (k % 7)});
  const std::vector<PredictiveComponent> few = in_family(points, Family::lognormal, Family::lognormal);
  EXPECT_EQ(few.size(), 3u);
  const auto many = log_moments(Family::lognormal, points), joined = log_moments(Family::lognormal, few);
  EXPECT_NEAR(many.first, joined.first, 1e-6);
  EXPECT_NEAR(many.second, joined.second, 1e-6);
}

TEST(MixedLaw, IsTheWeightedSumOfItsParts) {
  const std::vector<StartAge> starts{{0.5, 20}, {0.5, 24}};
  std::vector<MixedLaw::Part> parts;
  for (Family family : families)
    parts.emplace_back(family == Family::weibull ? 0.5 : 0.25,
                       std::make_unique<RunningLaw>(family, in_family(one_point, Family::lognormal, family), starts, 1));
  std::vector<const NextMoltLaw*> laws;
  for (const auto& part : parts) laws.push_back(part.second.get());
  const MixedLaw mixed(std::move(parts));
  EXPECT_DOUBLE_EQ(mixed.first_day(), 1);
  EXPECT_NEAR(mixed.survival(1), 1, 1e-12);
  for (double x : {2.0, 10.0, 40.0})
    EXPECT_NEAR(mixed.survival(x),
                0.25 * laws[0]->survival(x) + 0.5 * laws[1]->survival(x) + 0.25 * laws[2]->survival(x), 1e-14);
  EXPECT_NEAR(mixed.survival(mixed.quantile(0.3, 1)), 0.7, 1e-6);
}

}  // namespace
}  // namespace moltspan
