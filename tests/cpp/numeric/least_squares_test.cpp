#include "moltspan/numeric/least_squares.hpp"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <stdexcept>

#include "moltspan/numeric/robust.hpp"
#include "optimise/nonlinear_least_squares.hpp"
#include "reference_csv.hpp"

namespace moltspan::numeric {
namespace {

using namespace optimise;


using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

MatrixXd with_constant(const MatrixXd& columns) {
  MatrixXd design(columns.rows(), columns.cols() + 1);
  design << VectorXd::Ones(columns.rows()), columns;
  return design;
}

// Outside truth: NIST StRD (tests/reference/nist_strd/SOURCE.md). 9 digits are asked of linear fits, 8 of nonlinear
// ones: what is left of double precision after the conditioning of the problem.

TEST(LeastSquares, NorrisToItsCertifiedDigits) {
  const MatrixXd data = reference_numbers("nist_strd/norris.csv");
  const LinearFit fit = least_squares(with_constant(data.col(0)), data.col(1));
  EXPECT_GT(matching_digits(fit.coefficients[0], -0.262323073774029), 9);
  EXPECT_GT(matching_digits(fit.coefficients[1], 1.00211681802045), 9);
  EXPECT_GT(matching_digits(fit.standard_error(0), 0.232818234301152), 9);
  EXPECT_GT(matching_digits(fit.standard_error(1), 0.429796848199937e-3), 9);
  EXPECT_GT(matching_digits(fit.residual_sd, 0.884796396144373), 9);
  EXPECT_GT(matching_digits(fit.r_squared, 0.999993745883712), 9);
  EXPECT_GT(matching_digits(fit.residual_sum_of_squares, 26.6173985294224), 9);
}

TEST(LeastSquares, LongleyToItsCertifiedDigits) {
  const MatrixXd data = reference_numbers("nist_strd/longley.csv");
  const LinearFit fit = least_squares(with_constant(data.rightCols(6)), data.col(0));
  constexpr std::array estimate = {-3482258.63459582, 15.0618722713733,    -0.0358191792925910, -2.02022980381683,
                                   -1.03322686717359, -0.0511041056535807, 1829.15146461355};
  constexpr std::array error = {890420.383607373,  84.9149257747669,  0.0334910077722432, 0.488399681651699,
                                0.214274163161675, 0.226073200069370, 455.478499142212};
  for (std::size_t j = 0; j < estimate.size(); ++j) {
    EXPECT_GT(matching_digits(fit.coefficients[static_cast<Index>(j)], estimate[j]), 9) << j;
    EXPECT_GT(matching_digits(fit.standard_error(static_cast<Index>(j)), error[j]), 9) << j;
  }
  EXPECT_GT(matching_digits(fit.residual_sd, 304.854073561965), 9);
  EXPECT_GT(matching_digits(fit.r_squared, 0.995479004577296), 9);
  EXPECT_GT(matching_digits(fit.residual_sum_of_squares, 836424.055505915), 9);
}

TEST(LeastSquares, MisraFromBothCertifiedStarts) {
  const MatrixXd data = reference_numbers("nist_strd/misra1a.csv");
  const ResidualFunction residual = [&](Index row, const VectorXd& b, VectorXd* gradient) {
    const double x = data(row, 0);
    if (gradient != nullptr) *gradient << std::expm1(-b[1] * x), -b[0] * x * std::exp(-b[1] * x);
    return data(row, 1) + b[0] * std::expm1(-b[1] * x);
  };
  for (const VectorXd& start : {VectorXd{{500, 1e-4}}, VectorXd{{250, 5e-4}}}) {
    const NonlinearFit fit = nonlinear_least_squares(residual, data.rows(), start);
    EXPECT_TRUE(fit.converged);
    EXPECT_GT(matching_digits(fit.parameters[0], 2.3894212918e+02), 8);
    EXPECT_GT(matching_digits(fit.parameters[1], 5.5015643181e-04), 8);
    EXPECT_GT(matching_digits(fit.residual_sum_of_squares, 1.2455138894e-01), 8);
    EXPECT_GT(matching_digits(fit.residual_sd, 1.0187876330e-01), 8);
    EXPECT_GT(matching_digits(fit.residual_sd * std::sqrt(fit.unscaled_covariance(0, 0)), 2.7070075241e+00), 8);
    EXPECT_GT(matching_digits(fit.residual_sd * std::sqrt(fit.unscaled_covariance(1, 1)), 7.2668688436e-06), 8);
  }
}

std::vector<double> pairs_about(double middle, double low, double high) {
  std::vector<double> values = {middle};
  for (int i = 0; i < 500; ++i) values.insert(values.end(), {low, high});
  return values;
}

TEST(MeanSd, NumAccToItsCertifiedDigits) {
  const MeanSd first = mean_sd(std::array{10000001.0, 10000003.0, 10000002.0});
  EXPECT_EQ(first.mean, 10000002);
  EXPECT_EQ(first.sd, 1);
  const MeanSd second = mean_sd(pairs_about(1.2, 1.1, 1.3));
  EXPECT_GT(matching_digits(second.mean, 1.2), 13);
  EXPECT_GT(matching_digits(second.sd, 0.1), 13);
  const MeanSd third = mean_sd(pairs_about(1000000.2, 1000000.1, 1000000.3));
  EXPECT_GT(matching_digits(third.mean, 1000000.2), 13);
  EXPECT_GT(matching_digits(third.sd, 0.1), 9);
  const MeanSd fourth = mean_sd(pairs_about(10000000.2, 10000000.1, 10000000.3));
  EXPECT_GT(matching_digits(fourth.mean, 10000000.2), 13);
  EXPECT_GT(matching_digits(fourth.sd, 0.1), 8);  // 10000000.1 as a double is off by 1e-9: no program reaches 9
}

// The sds of the doubles that those decimals become, in exact rationals (Python's fractions).
TEST(MeanSd, LosesNothingBeyondTheRoundingOfItsInput) {
  EXPECT_GT(matching_digits(mean_sd(pairs_about(1000000.2, 1000000.1, 1000000.3)).sd, 0.100000000034924596548097368071),
            13);
  EXPECT_GT(
      matching_digits(mean_sd(pairs_about(10000000.2, 10000000.1, 10000000.3)).sd, 0.100000000558793544773619585565),
      13);
}

// By hand.

TEST(LeastSquares, LineThroughFourPointsByHand) {
  // x 0 1 2 3, y 1 3 2 4: means 1.5 and 2.5, Sxx 5, Sxy 4: slope .8, intercept 1.3; residuals -.3 .9 -.9 .3: RSS 1.8.
  const LinearFit fit = least_squares(with_constant(VectorXd{{0, 1, 2, 3}}), VectorXd{{1, 3, 2, 4}});
  EXPECT_NEAR(fit.coefficients[0], 1.3, 1e-15);
  EXPECT_NEAR(fit.coefficients[1], 0.8, 1e-15);
  EXPECT_NEAR(fit.residual_sum_of_squares, 1.8, 1e-15);
  EXPECT_NEAR(fit.residual_sd, std::sqrt(0.9), 1e-15);
  EXPECT_NEAR(fit.unscaled_covariance(1, 1), 0.2, 1e-15);
  EXPECT_NEAR(fit.unscaled_covariance(0, 1), -0.3, 1e-15);
  EXPECT_NEAR(fit.leverage_root(Eigen::RowVector2d(1, 1.5)), 0.5, 1e-15);  // 1 / sqrt n at the mean
  EXPECT_NEAR(fit.r_squared, 1 - 1.8 / 5, 1e-15);
  EXPECT_EQ(fit.residual_df, 2);
}

TEST(LeastSquares, DependentColumnsLowerTheRank) {
  const MatrixXd design = with_constant(VectorXd::Constant(4, 3.3));
  const LinearFit fit = least_squares(design, VectorXd{{1, 2, 3, 6}});
  EXPECT_EQ(fit.rank, 1);
  EXPECT_FALSE(fit.determined());
  EXPECT_TRUE(fit.coefficients.array().isNaN().all());
  EXPECT_NEAR(fit.fitted[0], 3, 1e-14);  // the mean
  EXPECT_EQ(fit.residual_df, 3);
  EXPECT_TRUE(std::isnan(mean_sd(std::array{4.0}).sd));
}

// Outside truth: R 4.2.2, MASS 7.3-58.2, rlm(stack.loss ~ ., stackloss, acc = 1e-14, maxit = 2000); see
// tests/reference/growth_lines/robust.R. `acc` leaves some 1e-9.
TEST(HuberFit, StackLossAsTheReferenceSoftware) {
  const MatrixXd data = reference_numbers("growth_lines/stackloss.csv");
  const MatrixXd answer = reference_numbers("growth_lines/stackloss_huber.csv");  // estimate, error; last row the scale
  const RobustFit fit = huber_fit(with_constant(data.leftCols(3)), data.col(3));
  EXPECT_TRUE(fit.converged);
  for (Index j = 0; j < 4; ++j) {
    EXPECT_NEAR(fit.coefficients[j] / answer(j, 0), 1, 1e-8) << j;
    EXPECT_NEAR(std::sqrt(fit.covariance(j, j)) / answer(j, 1), 1, 1e-8) << j;
  }
  EXPECT_NEAR(fit.scale / answer(4, 0), 1, 1e-8);
}

// Laws.

TEST(LeastSquares, WeightsAreReplicatedRows) {
  const MatrixXd once = with_constant(VectorXd{{1, 2, 3, 5}});
  const VectorXd y{{0.3, 1.1, 0.9, 2.2}}, weights{{1, 2, 0, 3}};
  MatrixXd often(6, 2);
  often << once.row(0), once.row(1), once.row(1), once.row(3), once.row(3), once.row(3);
  const LinearFit weighted = least_squares(once, y, weights);
  const LinearFit replicated = least_squares(often, VectorXd{{0.3, 1.1, 1.1, 2.2, 2.2, 2.2}});
  EXPECT_TRUE(weighted.coefficients.isApprox(replicated.coefficients, 1e-14));
  EXPECT_TRUE(weighted.unscaled_covariance.isApprox(replicated.unscaled_covariance, 1e-14));
  EXPECT_NEAR(weighted.residual_sum_of_squares, replicated.residual_sum_of_squares, 1e-14);
  EXPECT_NEAR(weighted.r_squared, replicated.r_squared, 1e-14);
  EXPECT_EQ(weighted.residual_df, 1);  // three rows that count, not six: weights say how exact a row is
}

TEST(LeastSquares, NamesWhatIsWrong) {
  const MatrixXd design = with_constant(VectorXd{{1, 2}});
  EXPECT_THROW(least_squares(design, VectorXd{{1, 2, 3}}), std::invalid_argument);
  EXPECT_THROW(least_squares(design, VectorXd{{1, 2}}, VectorXd{{1, -1}}), std::invalid_argument);
  EXPECT_THROW(mean_sd({}), std::invalid_argument);
  try {
    least_squares(design, VectorXd{{1, std::nan("")}});
    FAIL();
  } catch (const std::invalid_argument& trouble) {
    EXPECT_NE(std::string(trouble.what()).find("row 1"), std::string::npos) << trouble.what();
  }
}

}  // namespace
}  // namespace moltspan::numeric
