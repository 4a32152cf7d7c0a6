#include <gtest/gtest.h>

#include <cmath>

#include "moltspan/intervals/intervals.hpp"

namespace moltspan {
namespace {

/// Three animals of two taxa, animals that differ.
StadiaFit three_animals() {
  StadiaData data;
  data.bounds = {{50, 50}, {60, 60}, {44, 48}, {90, 90}, {84, 95}, {100, NAN}, {70, 70}, {66, 66}};
  data.covariates = Eigen::MatrixXd::Ones(8, 1);
  data.coefficients = {{"Intercept", CoefficientRole::intercept}};
  data.groups[static_cast<int>(Level::taxon)] = {0, 0, 0, 1, 1, 1, 1, 1};
  data.groups[static_cast<int>(Level::animal)] = {0, 0, 0, 1, 1, 1, 2, 2};
  StadiaOptions options;
  options.method = Method::bayes;
  return fit_stadia(data, options);
}

using Members = std::array<std::vector<int>, n_levels>;

Members members(const std::vector<int>& taxa, const std::vector<int>& animals) {
  Members result;
  result[static_cast<int>(Level::taxon)] = taxa;
  result[static_cast<int>(Level::animal)] = animals;
  return result;
}

TEST(PredictStadia, RowsOfOneCallAreThoseOfACallEach) {
  const StadiaFit fit = three_animals();
  const std::vector<int> taxa = {0, 1, new_member_code, left_out_code, 1}, animals = {0, 2, new_member_code, left_out_code, left_out_code};
  const PredictorMixture all = predict_stadia(fit, Eigen::MatrixXd::Ones(5, 1), members(taxa, animals));
  for (Eigen::Index row = 0; row < 5; ++row) {
    const PredictorMixture one = predict_stadia(fit, Eigen::MatrixXd::Ones(1, 1), members({taxa[row]}, {animals[row]}));
    EXPECT_EQ(all.mean.col(row), one.mean.col(0)) << row;
    EXPECT_EQ(all.variance.col(row), one.variance.col(0)) << row;
  }
}

TEST(PredictStadia, AMemberLeftOutIsALevelLeftOut) {
  const StadiaFit fit = three_animals();
  const Eigen::MatrixXd row = Eigen::MatrixXd::Ones(1, 1);
  const PredictorMixture without = predict_stadia(fit, row, members({1}, {}));
  const PredictorMixture left_out = predict_stadia(fit, row, members({1}, {left_out_code}));
  EXPECT_EQ(left_out.mean, without.mean);
  EXPECT_EQ(left_out.variance, without.variance);
  const PredictorMixture added = predict_stadia(fit, row, members({1}, {new_member_code}));
  EXPECT_EQ(added.mean, without.mean);
  const Eigen::VectorXd more = (added.variance - without.variance).col(0);
  EXPECT_GE(more.minCoeff(), 0);  // 0 at points without weight, which are not solved
  EXPECT_GT(added.weights.dot(more), 0);
}

TEST(PredictStadia, TheMedianLengthHasItsClosedForm) {
  PredictorMixture mixture;
  mixture.weights = Eigen::VectorXd::Ones(1);
  mixture.log_sigma = Eigen::VectorXd::Constant(1, std::log(0.2));
  mixture.mean = Eigen::MatrixXd::Constant(1, 1, 4.0);
  mixture.variance = Eigen::MatrixXd::Constant(1, 1, 0.01);
  const Eigen::VectorXd middle = Eigen::VectorXd::Constant(1, 0.5);
  // exp(eta + sigma w), w the median of W: 0, log log 2, 0. Roots are found to 2^-34 of log t.
  EXPECT_NEAR(median_quantiles(Family::lognormal, mixture, middle)(0, 0), std::exp(4.0), 1e-7);
  EXPECT_NEAR(median_quantiles(Family::weibull, mixture, middle)(0, 0), std::exp(4 + 0.2 * std::log(std::log(2.0))), 1e-7);
  EXPECT_NEAR(median_quantiles(Family::loglogistic, mixture, middle)(0, 0), std::exp(4.0), 1e-7);
}

}  // namespace
}  // namespace moltspan
