#include "moltspan/intervals/intervals.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <stdexcept>
#include <string>
#include <vector>

namespace moltspan {
namespace {

StadiaData table(const std::vector<StadiumBounds>& bounds) {
  StadiaData data;
  data.bounds = bounds;
  data.covariates = Eigen::MatrixXd::Ones(static_cast<Eigen::Index>(bounds.size()), 1);
  data.coefficients = {{"Intercept", CoefficientRole::intercept}};
  return data;
}

TEST(FitStadia, ExactLogNormalLengthsHaveTheirClosedForm) {
  const std::vector<double> days = {31, 44, 52, 39, 61, 47};
  std::vector<StadiumBounds> bounds;
  double sum = 0, squares = 0;
  for (double d : days) {
    bounds.push_back({d, d});
    sum += std::log(d);
    squares += std::log(d) * std::log(d);
  }
  const double n = static_cast<double>(days.size()), mean = sum / n, variance = squares / n - mean * mean;
  const StadiaFit fit = fit_stadia(table(bounds));
  EXPECT_NEAR(fit.coefficients[0], mean, 1e-7);
  EXPECT_NEAR(fit.sigma, std::sqrt(variance), 1e-7);
  EXPECT_NEAR(fit.coefficient_errors[0], std::sqrt(variance / n), 1e-7);
  EXPECT_NEAR(fit.sigma_error, std::sqrt(variance / (2 * n)), 1e-7);
  EXPECT_NEAR(fit.log_likelihood, -n / 2 * (std::log(2 * M_PI * variance) + 1) - sum, 1e-10);
}

TEST(FitStadia, CountsWhatItWasGiven) {
  const StadiaFit fit = fit_stadia(table({{30, 30}, {20, 35}, {0, 40}, {25, NAN}, {33, 50, 7}, {41, 44, 0, 12}}));
  EXPECT_EQ(fit.n_records, 6u);
  EXPECT_EQ(fit.n_exact, 1u);
  EXPECT_EQ(fit.n_interval, 3u);
  EXPECT_EQ(fit.n_left, 1u);
  EXPECT_EQ(fit.n_running, 1u);
  EXPECT_EQ(fit.n_doubly, 1u);
  EXPECT_EQ(fit.n_truncated, 1u);
  EXPECT_EQ(fit.running_rows, std::vector<int>{3});
}

TEST(FitStadia, FaultyRowsAreNamed) {
  const auto message = [](const StadiaData& data) -> std::string {
    try {
      fit_stadia(data);
    } catch (const std::invalid_argument& error) {
      return error.what();
    }
    return "";
  };
  EXPECT_NE(message(table({{30, 30}, {40, 39}, {50, 50}})).find("row 1, max_days = 39"), std::string::npos);
  EXPECT_NE(message(table({{30, 30}, {40, 40}, {NAN, 50}})).find("row 2, min_days"), std::string::npos);
  StadiaData holed = table({{30, 30}, {40, 40}, {50, 50}});
  holed.covariates(1, 0) = NAN;
  EXPECT_NE(message(holed).find("row 1, Intercept"), std::string::npos);
}

TEST(Mixtures, OnePointIsTheLawItself) {
  PredictorMixture mixture;
  mixture.weights = Eigen::VectorXd::Ones(1);
  mixture.log_sigma = Eigen::VectorXd::Constant(1, std::log(0.2));
  mixture.mean = Eigen::MatrixXd::Constant(1, 1, 4.0);
  mixture.variance = Eigen::MatrixXd::Constant(1, 1, 1e-14);
  const Eigen::VectorXd p = Eigen::VectorXd::LinSpaced(9, 0.1, 0.9);
  for (Family family : {Family::lognormal, Family::weibull, Family::loglogistic}) {
    const Eigen::MatrixXd quantiles = mixture_quantiles(family, mixture, p);
    const Eigen::VectorXd after = conditional_quantiles(family, mixture, 0, 50, p);
    const double at_50 = mixture_survival(family, mixture, 0, 50);
    for (Eigen::Index i = 0; i < p.size(); ++i) {
      const auto survival = [&](double t) {
        return std::exp(stadium_term(family, {t, NAN}, 4.0, std::log(0.2)).value);
      };
      EXPECT_NEAR(survival(quantiles(0, i)), 1 - p[i], 1e-6);  // root finding in log t
      EXPECT_NEAR(survival(after[i]) / at_50, 1 - p[i], 1e-6);
      EXPECT_GT(after[i], 50);
    }
  }
}

}  // namespace
}  // namespace moltspan
