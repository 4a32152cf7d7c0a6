#include "moltspan/growth/growth.hpp"

#include <gtest/gtest.h>

#include <Eigen/LU>
#include <cmath>

#include "growth/chart.hpp"
#include "growth/predict.hpp"
#include "growth/profile.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

/// Lopsided: group g has 1 + g % 4 rows, every third group a cohort of its own with two others.
MixedData lopsided(int groups, bool cohorts, std::uint64_t seed = 1) {
  numeric::RandomStream random(seed);
  MixedData data;
  std::vector<std::array<double, 3>> rows;
  for (int g = 0; g < groups; ++g) {
    const double start = random.normal(), slope = 0.3 * random.normal();
    for (int i = 0; i <= 1 + g % 4; ++i) {
      const double k = i + 0.1 * random.normal();
      rows.push_back({k, 1 + 0.5 * k + start + slope * k + 0.4 * random.normal(), random.normal()});
      data.groups.push_back(g);
      if (cohorts) data.outer_groups.push_back(g / 3);
    }
  }
  const auto n = static_cast<Eigen::Index>(rows.size());
  data.y.resize(n);
  data.x.resize(n, 3);
  for (Eigen::Index i = 0; i < n; ++i) {
    const auto& row = rows[static_cast<std::size_t>(i)];
    data.y[i] = row[1];
    data.x.row(i) << 1, row[0], row[2];
  }
  data.z = data.x.leftCols(2);
  data.coefficients = {"Intercept", "k", "other"};
  data.effects = {"Intercept", "k"};
  return data;
}

/// The whole covariance matrix of the rows, sigma = 1, the definition.
MatrixXd dense_covariance(const MixedData& data, const MatrixXd& psi, double outer) {
  const Eigen::Index n = data.y.size();
  MatrixXd v = MatrixXd::Identity(n, n);
  for (Eigen::Index i = 0; i < n; ++i)
    for (Eigen::Index j = 0; j < n; ++j) {
      const auto a = static_cast<std::size_t>(i), b = static_cast<std::size_t>(j);
      if (data.groups[a] == data.groups[b]) v(i, j) += data.z.row(i).dot(psi * data.z.row(j).transpose());
      if (!data.outer_groups.empty() && data.outer_groups[a] == data.outer_groups[b]) v(i, j) += outer;
    }
  return v;
}

double dense_log_likelihood(const MixedData& data, const MatrixXd& psi, double outer, bool reml) {
  const MatrixXd v = dense_covariance(data, psi, outer), inverse = v.inverse();
  const MatrixXd information = data.x.transpose() * inverse * data.x;
  const VectorXd left = data.y - data.x * information.inverse() * data.x.transpose() * inverse * data.y;
  const double n = static_cast<double>(data.y.size() - (reml ? data.x.cols() : 0));
  double deviance = std::log(v.determinant()) + n * (1 + std::log(2 * EIGEN_PI * left.dot(inverse * left) / n));
  if (reml) deviance += std::log(information.determinant());
  return -0.5 * deviance;
}

class Definition : public testing::TestWithParam<std::tuple<bool, MixedMethod>> {};

// Law: block algebra is the dense definition. 60 rows lose some five digits in a dense inverse.
TEST_P(Definition, LogLikelihood) {
  const auto [cohorts, method] = GetParam();
  const MixedData data = lopsided(15, cohorts);
  const MixedFit fit = fit_mixed_model(data, {method, true});
  MatrixXd psi(2, 2);
  psi << 2.0, 0.3, 0.3, 0.5;
  for (double outer : {0.0, 0.7}) {
    if (!cohorts && outer > 0) continue;
    EXPECT_NEAR(mixed_log_likelihood(fit, psi, outer),
                dense_log_likelihood(data, psi, outer, method == MixedMethod::reml), 1e-9);
  }
  const MatrixXd best = fit.effect_covariance / (fit.sigma * fit.sigma);
  const double outer = std::pow(fit.outer_sd / fit.sigma, 2);
  EXPECT_NEAR(fit.log_likelihood, dense_log_likelihood(data, best, outer, method == MixedMethod::reml), 1e-9);
  EXPECT_TRUE(fit.converged);
}

// Law: derivatives equal difference quotients; central differences of step 1e-5 err by about 1e-9 of the third
// derivative.
TEST_P(Definition, Derivatives) {
  const auto [cohorts, method] = GetParam();
  const MixedBlocks blocks(lopsided(15, cohorts), true);
  const MixedSearch search(blocks, true);
  VectorXd at(search.size());
  at.head(3) << 1.1, -0.4, 0.6;
  if (cohorts) at[3] = 0.8;
  const MixedCriterion middle = mixed_criterion(blocks, search, at, method);
  for (int i = 0; i < search.size(); ++i) {
    VectorXd up = at, down = at;
    up[i] += 1e-5;
    down[i] -= 1e-5;
    const MixedCriterion above = mixed_criterion(blocks, search, up, method),
                         below = mixed_criterion(blocks, search, down, method);
    EXPECT_NEAR(middle.deviance.gradient[i], (above.deviance.value - below.deviance.value) / 2e-5, 1e-5);
    for (int j = 0; j < search.size(); ++j)
      EXPECT_NEAR(middle.deviance.hessian(i, j), (above.deviance.gradient[j] - below.deviance.gradient[j]) / 2e-5,
                  1e-4);
  }
}

INSTANTIATE_TEST_SUITE_P(Growth, Definition,
                         testing::Combine(testing::Bool(), testing::Values(MixedMethod::ml, MixedMethod::reml)));

// Law: best linear unbiased prediction and its error by dense algebra (Henderson 1975), for a known and a new group.
TEST(Growth, PredictionErrorIsThatOfDenseAlgebra) {
  for (bool cohorts : {false, true}) {
    const MixedData data = lopsided(15, cohorts);
    const MixedFit fit = fit_mixed_model(data, {MixedMethod::reml, true});
    const MatrixXd psi = fit.effect_covariance / (fit.sigma * fit.sigma);
    const double outer = std::pow(fit.outer_sd / fit.sigma, 2);
    const MatrixXd inverse = dense_covariance(data, psi, outer).inverse();
    const MatrixXd errors = (data.x.transpose() * inverse * data.x).inverse();
    MixedRows rows;
    rows.x = (MatrixXd(2, 3) << 1, 6, 0.5, 1, 6, 0.5).finished();
    rows.z = rows.x.leftCols(2);
    rows.groups = {4, -1};
    const VectorXd x = rows.x.row(0).transpose(), z = rows.z.row(0).transpose();
    VectorXd covariance = VectorXd::Zero(data.y.size());
    for (Eigen::Index i = 0; i < data.y.size(); ++i) {
      const auto row = static_cast<std::size_t>(i);
      if (data.groups[row] == 4) covariance[i] += z.dot(psi * data.z.row(i).transpose());
      if (cohorts && data.outer_groups[row] == 4 / 3) covariance[i] += outer;
    }
    const VectorXd left = x - data.x.transpose() * inverse * covariance;
    const double center = x.dot(fit.beta) + covariance.dot(inverse * (data.y - data.x * fit.beta));
    const double variance =
        z.dot(psi * z) + (cohorts ? outer : 0) - covariance.dot(inverse * covariance) + left.dot(errors * left);
    const SpreadPoint point = fitted_point(fit);
    const auto known = predictor_moments(*fit.blocks, point, mixed_row(fit, rows, 0));
    const auto fresh = predictor_moments(*fit.blocks, point, mixed_row(fit, rows, 1));
    EXPECT_NEAR(known.center, center, 1e-9);
    EXPECT_NEAR(known.variance, variance, 1e-9);
    EXPECT_NEAR(known.extra, 0, 0);
    EXPECT_NEAR(fresh.center, x.dot(fit.beta), 1e-9);
    EXPECT_NEAR(fresh.variance, x.dot(errors * x), 1e-9);
    EXPECT_NEAR(fresh.extra, z.dot(psi * z) + (cohorts ? outer : 0), 1e-9);
  }
}

// By hand: two groups a pair of which differ by 4 with scatter +-1, one between them. Balanced one-way analysis of
// variance: means 1, 3, 5; between mean square 2 * 4 = 8, within 2; variance between (8 - 2) / 2 = 3.
TEST(Growth, BalancedOneWayByHand) {
  MixedData data;
  data.y = (VectorXd(6) << 0, 2, 2, 4, 4, 6).finished();
  data.x = data.z = MatrixXd::Ones(6, 1);
  data.coefficients = data.effects = {"Intercept"};
  data.groups = {0, 0, 1, 1, 2, 2};
  const MixedFit fit = fit_mixed_model(data, {MixedMethod::reml, true});
  EXPECT_NEAR(fit.beta[0], 3, 1e-12);
  EXPECT_NEAR(fit.sigma * fit.sigma, 2, 1e-8);
  EXPECT_NEAR(fit.effect_covariance(0, 0), 3, 1e-7);
  EXPECT_NEAR(fit.covariance(0, 0), 8.0 / 6, 1e-8);
  for (auto degrees : {MixedDegrees::satterthwaite, MixedDegrees::kenward_roger})
    EXPECT_NEAR(contrast_intervals(fit, MatrixXd::Ones(1, 1), 0.95, degrees).degrees_of_freedom[0], 2,
                1e-6);  // groups - 1
}

// By hand: without its truncation at 0 the posterior of Box & Tiao gives the mean the t of groups - 1 degrees of
// freedom; with a spread as large as here (F = 900 on 9 df) the truncation cuts off nothing that shows.
TEST(Growth, BandOfTheMeanIsTheExactT) {
  MixedData data;
  data.y.resize(20);
  for (int i = 0; i < 20; ++i) {
    data.groups.push_back(i / 2);
    data.y[i] = std::sin(3.7 * (i / 2)) + (i % 2 ? 0.02 : -0.02) * (1 + 0.1 * (i / 2 % 3));
  }
  data.x = data.z = MatrixXd::Ones(20, 1);
  data.coefficients = data.effects = {"Intercept"};
  const MixedFit fit = fit_mixed_model(data, {MixedMethod::reml, true});
  MixedRows rows;
  rows.x = rows.z = MatrixXd::Ones(1, 1);
  const MixedBands bands = predict_mixed(fit, rows, 0.9);
  const MixedIntervals exact = contrast_intervals(fit, MatrixXd::Ones(1, 1), 0.9);
  EXPECT_NEAR(bands.mean_upper[0] - bands.mean_lower[0], exact.upper[0] - exact.lower[0],
              2e-4 * (exact.upper[0] - exact.lower[0]));
}

TEST(Growth, FaultsAreNamed) {
  const auto message = [](MixedData data) {
    try {
      fit_mixed_model(std::move(data));
    } catch (const std::invalid_argument& fault) {
      return std::string(fault.what());
    }
    return std::string();
  };
  MixedData data = lopsided(5, false);
  data.y[3] = NAN;
  EXPECT_NE(message(data).find("row 3"), std::string::npos);
  data = lopsided(5, false);
  data.x(2, 1) = INFINITY;
  EXPECT_NE(message(data).find("row 2, k"), std::string::npos);
  data = lopsided(5, false);
  data.x.col(2) = 2 * data.x.col(1);
  EXPECT_NE(message(data).find("column other"), std::string::npos);
  data = lopsided(5, true);
  data.outer_groups[0] = 1;
  EXPECT_NE(message(data).find("two different cohorts"), std::string::npos);
  EXPECT_NE(message(MixedData{}).find("no rows"), std::string::npos);
}

}  // namespace
}  // namespace moltspan
