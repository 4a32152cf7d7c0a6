#include "moltspan/instars/instars.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <stdexcept>

#include "moltspan/instars/impl/model.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

/// Animals of n instars of equal weight, ratio exp(step), in one to three traits that share part of their spread.
InstarSizes simulated(int animals, int n, double step, double sd, int traits = 1, std::uint64_t seed = 1) {
  numeric::RandomStream random(seed, {9, 9, 9});
  InstarSizes sizes{MatrixXd(animals, traits), {}};
  for (int i = 0; i < animals; ++i) {
    const int k = std::min(n - 1, int(random.uniform() * n));
    const double shared = 0.5 * sd * random.normal();
    for (int j = 0; j < traits; ++j)
      sizes.sizes_mm(i, j) = std::exp(1 + 0.3 * j + (step + 0.05 * j) * k + shared + 0.8 * sd * random.normal());
  }
  return sizes;
}

InstarSizes one_trait(std::initializer_list<double> values, std::vector<int> known = {}) {
  InstarSizes sizes{MatrixXd(Index(values.size()), 1), std::move(known)};
  Index i = 0;
  for (const double value : values) sizes.sizes_mm(i++, 0) = value;
  return sizes;
}

struct Shape {
  Spacing spacing;
  Spread spread;
  Covariance covariance;
  int traits;
  double step_mm;
  bool known;
};

class Derivatives : public testing::TestWithParam<Shape> {};

/// Law: gradient and Hessian are difference quotients. 2e-6 of their size: central differences with h = 1e-5 lose h^2
/// times third derivatives of some 1e4.
TEST_P(Derivatives, AreDifferenceQuotients) {
  const Shape shape = GetParam();
  InstarSizes sizes = simulated(40, 3, 0.25, 0.08, shape.traits);
  if (shape.known) sizes.known.assign(40, instar_not_known), sizes.known[3] = 2, sizes.known[7] = 3;
  InstarOptions options;
  options.spacing = shape.spacing, options.spread = shape.spread, options.covariance = shape.covariance;
  if (shape.step_mm > 0) {
    options.reading_step_mm.assign(std::size_t(shape.traits), shape.step_mm);
    for (double& size : sizes.sizes_mm.reshaped()) size = shape.step_mm * std::round(size / shape.step_mm);
  }
  const instars::Sample sample = instars::make_sample(sizes, options.reading_step_mm);
  const instars::Structure s = instars::make_structure(3, 1, options, shape.traits);
  instars::Model model = instars::find_best(sample, 3, options, nullptr).maxima.front();
  VectorXd at = instars::parameters_of(s, model);
  for (Index p = 0; p < at.size(); ++p)
    at[p] += 0.03 * std::sin(double(p + 1));  // off the maximum, where all derivatives live
  model = instars::model_of(s, model, at);
  at = instars::parameters_of(s, model);
  const instars::Slopes exact = instars::slopes(sample, s, model);
  const double h = 1e-5;
  for (Index p = 0; p < at.size(); ++p) {
    VectorXd up = at, down = at;
    up[p] += h, down[p] -= h;
    const auto above = instars::slopes(sample, s, instars::model_of(s, model, up));
    const auto below = instars::slopes(sample, s, instars::model_of(s, model, down));
    EXPECT_NEAR(exact.gradient[p], (above.log_likelihood - below.log_likelihood) / (2 * h),
                2e-6 * (50 + std::abs(exact.gradient[p])));
    const VectorXd row = (above.gradient - below.gradient) / (2 * h);
    for (Index q = 0; q < at.size(); ++q)
      EXPECT_NEAR(exact.hessian(p, q), row[q], 2e-6 * (500 + std::abs(row[q]))) << p << " " << q;
  }
}

INSTANTIATE_TEST_SUITE_P(Shapes, Derivatives,
                         testing::Values(Shape{Spacing::dyar, Spread::equal, Covariance::full, 1, 0, false},
                                         Shape{Spacing::declining, Spread::linear, Covariance::full, 1, 0, true},
                                         Shape{Spacing::free, Spread::free, Covariance::full, 1, 0, false},
                                         Shape{Spacing::dyar, Spread::equal, Covariance::full, 1, 0.1, true},
                                         Shape{Spacing::dyar, Spread::equal, Covariance::full, 3, 0, true},
                                         Shape{Spacing::free, Spread::free, Covariance::full, 2, 0, false},
                                         Shape{Spacing::dyar, Spread::linear, Covariance::diagonal, 2, 0.1, false}));

// By hand: one instar is one normal law of log size.
// The quick way of even components gives the numbers of the general one: sizes between, on and far outside the means,
// a component without weight, means so near that all matter and so far that one does.
TEST(Instars, EvenComponentsHaveTheExpectationOfAny) {
  const InstarSizes sizes = one_trait({0.3, 1, 2, 2.2, 2.24, 2.5, 3.1, 4, 7.9, 8, 25});
  const instars::Sample sample = instars::make_sample(sizes, {});
  const instars::Structure structure = instars::make_structure(7, 1, {}, 1);
  ASSERT_TRUE(instars::may_be_even(sample, structure));
  for (const double step_in_sd : {0.3, 4.5, 9.0, 24.0}) {
    instars::Model model;
    const double sd = 0.25 / step_in_sd;
    model.mean = Eigen::VectorXd::LinSpaced(7, -0.7, 0.8);
    model.root.assign(7, Eigen::MatrixXd::Constant(1, 1, 1 / sd));
    model.weight = Eigen::VectorXd::LinSpaced(7, 0.05, 0.2);
    model.weight[2] = 0;
    model.weight /= model.weight.sum();
    instars::Moments quick;
    const auto value = instars::even_expectation(sample, model, quick);
    if (!value) {  // a size whose nearest component has no weight and the others are far: left to the general way
      EXPECT_GE(step_in_sd, 9);
      continue;
    }
    Eigen::MatrixXd share;
    // 1e-12, as sums are taken in another order and the factors carry some rounding each
    EXPECT_NEAR(*value, expectation(sample, structure, model, share), 1e-12 * std::abs(*value));
    const instars::Moments any = moments_of(sample, model, share);
    EXPECT_LT((quick.count - any.count).cwiseAbs().maxCoeff(), 1e-12);
    EXPECT_LT((quick.sum - any.sum).cwiseAbs().maxCoeff(), 1e-12);
    for (std::size_t k = 0; k < 7; ++k) EXPECT_NEAR(quick.product[k](0, 0), any.product[k](0, 0), 1e-12);
  }
}

TEST(Instars, OneInstarIsOneNormalLaw) {
  const InstarFit fit = fit_instars(one_trait({std::exp(1.0), std::exp(2.0), std::exp(3.0), std::exp(6.0)}), 1);
  const double variance = (4 + 1 + 0 + 9) / 4.0;
  EXPECT_NEAR(fit.mean_log(0, 0), 3, 1e-12);
  EXPECT_NEAR(fit.sd_log(0, 0), std::sqrt(variance), 1e-12);
  const double expected = -2 * (std::log(2 * 3.14159265358979323846 * variance) + 1);
  EXPECT_NEAR(fit.log_likelihood, expected, 1e-12);
  EXPECT_NEAR(fit.bic, 2 * std::log(4.0) - 2 * expected, 1e-12);
}

// Law: with every instar known, Dyar's line is the least-squares line of log size on instar. Points (1, 0), (2, 1),
// (3, 1), (3, 3): mean 2.25 and 1.25, slope 2.75 / 2.75, so that the line is k - 1.
TEST(Instars, AllKnownIsTheLeastSquaresLine) {
  const InstarFit fit = fit_instars(one_trait({1, std::exp(1.0), std::exp(1.0), std::exp(3.0)}, {1, 2, 3, 3}), 3);
  const double b = 1, a = -1;
  EXPECT_NEAR(fit.log_ratio[0], b, 1e-10);
  EXPECT_NEAR(fit.mean_log(0, 0), a + b, 1e-10);
  const double squares =
      std::pow(a + b, 2) + std::pow(1 - a - 2 * b, 2) + std::pow(1 - a - 3 * b, 2) + std::pow(3 - a - 3 * b, 2);
  EXPECT_NEAR(fit.sd_log(0, 0), std::sqrt(squares / 4), 1e-10);
  EXPECT_NEAR(fit.weights[2], 0.5, 1e-12);
  EXPECT_TRUE(fit.converged);
}

// By hand: two equal components switch at the geometric mean, and Phi(-distance / 2 sd) of either is put wrong.
TEST(Instars, TwoEqualInstarsSwitchAtTheGeometricMean) {
  InstarFit fit;
  fit.n_instars = 2, fit.weights = Eigen::Vector2d(0.5, 0.5);
  fit.mean_log = Eigen::Vector2d(std::log(4.0), std::log(5.0));
  fit.covariance_log.assign(2, MatrixXd::Constant(1, 1, 0.01));
  const auto ranges = instars::size_ranges(fit, 0);
  ASSERT_EQ(ranges.size(), 2u);
  EXPECT_NEAR(ranges[0].upper_mm, std::sqrt(20.0), 1e-12);
  EXPECT_EQ(ranges[1].upper_mm, std::numeric_limits<double>::infinity());
  EXPECT_NEAR(instars::misclassification(fit).overall, numeric::Phi(-0.5 * std::log(1.25) / 0.1), 1e-14);
}

// A wide component is the most probable one on both sides of a narrow one.
TEST(Instars, WideInstarHasTwoRanges) {
  InstarFit fit;
  fit.n_instars = 2, fit.weights = Eigen::Vector2d(0.5, 0.5);
  fit.mean_log = Eigen::Vector2d(0, 0.01);
  fit.covariance_log = {MatrixXd::Constant(1, 1, 0.01), MatrixXd::Constant(1, 1, 0.25)};
  const auto ranges = instars::size_ranges(fit, 0);
  ASSERT_EQ(ranges.size(), 3u);
  EXPECT_EQ(ranges[0].instar, 2);
  EXPECT_EQ(ranges[1].instar, 1);
  EXPECT_EQ(ranges[2].instar, 2);
}

// The exact projection against drawing: the same mixture, once bent by a hair so that it is drawn.
TEST(Instars, MisclassificationOnTheLineMeetsDrawing) {
  InstarFit fit;
  fit.n_instars = 3, fit.weights = Eigen::Vector3d(0.5, 0.3, 0.2);
  fit.mean_log = MatrixXd(3, 2);
  fit.mean_log << 0, 0, 0.2, 0.3, 0.4, 0.6;
  MatrixXd covariance(2, 2);
  covariance << 0.01, 0.004, 0.004, 0.02;
  fit.covariance_log.assign(3, covariance);
  const Misclassification exact = instars::misclassification(fit);
  fit.mean_log(1, 0) += 1e-6;
  const Misclassification drawn = instars::misclassification(fit);
  EXPECT_EQ(exact.standard_error, 0);
  ASSERT_GT(drawn.standard_error, 0);
  EXPECT_NEAR(exact.overall, drawn.overall, 4 * drawn.standard_error);
}

// Laws: order of rows, unit of size.
TEST(Instars, OrderAndUnitDoNotMatter) {
  const InstarSizes sizes = simulated(150, 5, 0.22, 0.05, 2);
  InstarSizes other{sizes.sizes_mm.colwise().reverse() / 25.4, {}};
  const InstarMixture a = instar_mixture(sizes), b = instar_mixture(other);
  EXPECT_EQ(a.best.n_instars, b.best.n_instars);
  EXPECT_NEAR(a.best.log_likelihood, b.best.log_likelihood, 1e-8);
  EXPECT_NEAR(a.best.log_ratio[1], b.best.log_ratio[1], 1e-7);
  EXPECT_NEAR((a.posterior - b.posterior.colwise().reverse()).cwiseAbs().maxCoeff(), 0, 1e-6);
}

// Law: weights of rows are counts of animals; the sample written twice has twice the log-likelihood.
TEST(Instars, SampleTwiceIsTwiceTheLogLikelihood) {
  const InstarSizes sizes = simulated(80, 4, 0.25, 0.05);
  InstarSizes twice{MatrixXd(160, 1), {}};
  twice.sizes_mm << sizes.sizes_mm, sizes.sizes_mm;
  const InstarFit one = fit_instars(sizes, 4), two = fit_instars(twice, 4);
  EXPECT_NEAR(two.log_likelihood, 2 * one.log_likelihood, 1e-8);
  EXPECT_NEAR(two.log_ratio_error[0], one.log_ratio_error[0] / std::sqrt(2.0), 1e-6);
}

// A step that is fine against the spread gives the density times the step: to second order in step / sd, h^2 / (24
// s^2).
TEST(Instars, FineStepsAreDensities) {
  InstarSizes sizes = simulated(100, 3, 0.3, 0.05);
  const double step = 1e-4;
  for (double& size : sizes.sizes_mm.reshaped()) size = step * std::round(size / step);
  InstarOptions options;
  options.reading_step_mm = {step};
  const InstarFit exact = fit_instars(sizes, 3), stepped = fit_instars(sizes, 3, options);
  const double widths = (step / sizes.sizes_mm.array()).log().sum();
  EXPECT_NEAR(stepped.log_likelihood, exact.log_likelihood + widths, 1e-4);
  EXPECT_NEAR(stepped.sd_log(0, 0), exact.sd_log(0, 0), 1e-6);
}

// Known animals move the numbers: instars 4 and 6 known, so that the sample's first instar follows.
TEST(Instars, KnownInstarsSetTheFirst) {
  InstarSizes sizes = simulated(120, 4, 0.25, 0.04);
  sizes.known.assign(120, instar_not_known);
  for (Index i = 0; i < 120; ++i) {  // sizes lie about exp(1 + .25 k)
    const int k = int(std::lround((std::log(sizes.sizes_mm(i, 0)) - 1) / 0.25));
    if (i < 10) sizes.known[std::size_t(i)] = 3 + k;
  }
  const InstarMixture result = instar_mixture(sizes);
  EXPECT_EQ(result.best.n_instars, 4);
  EXPECT_EQ(result.best.first_instar, 3);
  EXPECT_EQ(result.instar[0], sizes.known[0]);
}

// The same draws with any number of threads.
TEST(Instars, BootstrapDoesNotDependOnThreads) {
  InstarOptions options;
  options.bootstrap = 19;
  options.threads = 1;
  const InstarSizes sizes = simulated(60, 3, 0.25, 0.05);
  const InstarMixture one = instar_mixture(sizes, options);
  options.threads = 3;
  const InstarMixture three = instar_mixture(sizes, options);
  ASSERT_EQ(one.tests.size(), 2u);
  for (std::size_t i = 0; i < 2; ++i) EXPECT_EQ(one.tests[i].p_value, three.tests[i].p_value);
}

std::string trouble(const InstarSizes& sizes, InstarOptions options = {}) {
  try {
    instar_mixture(sizes, options);
  } catch (const std::invalid_argument& error) {
    return error.what();
  }
  return "";
}

TEST(Instars, FaultyArgumentsAreNamed) {
  EXPECT_NE(trouble(one_trait({})).find("empty"), std::string::npos);
  for (const double bad :
       {0.0, -1.0, std::numeric_limits<double>::quiet_NaN(), std::numeric_limits<double>::infinity()})
    EXPECT_NE(trouble(one_trait({3, 4, bad})).find("row 2"), std::string::npos) << bad;
  InstarOptions options;
  options.n_instars = 4;
  EXPECT_NE(trouble(one_trait({3, 4, 4}), options).find("2 different sizes"), std::string::npos);
  EXPECT_NE(trouble(one_trait({3, 4, 5}, {1, -3, -1})).find("row 1"), std::string::npos);
  EXPECT_NE(trouble(one_trait({3, 4, 5}, {1})).find("1 entries"), std::string::npos);
  options = {};
  options.reading_step_mm = {-1};
  EXPECT_NE(trouble(one_trait({3, 4, 5}), options).find("reading_step_mm"), std::string::npos);
  options = {};
  options.n_instars = 2;
  EXPECT_NE(trouble(one_trait({3, 4, 5, 6}, {1, 4, -1, -1}), options).find("1 to 4"), std::string::npos);
}

TEST(Instars, TinyAndFlatSamplesAreAnswered) {
  for (const InstarSizes& sizes : {one_trait({5}), one_trait({5, 5, 5, 5})}) {
    const InstarMixture result = instar_mixture(sizes);
    EXPECT_EQ(result.best.n_instars, 1);
    EXPECT_NEAR(std::exp(result.best.mean_log(0, 0)), 5, 1e-9);
    ASSERT_FALSE(result.health.empty());
    EXPECT_TRUE(std::any_of(result.health.begin(), result.health.end(),
                            [](const auto& note) { return note.topic == "no_spread"; }));
  }
  const InstarMixture few = instar_mixture(one_trait({2, 2.1, 4}));
  EXPECT_FALSE(few.health.empty());
}

}  // namespace
}  // namespace moltspan
