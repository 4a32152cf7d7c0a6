#include "moltspan/posterior/posterior.hpp"

#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <boost/math/special_functions/digamma.hpp>
#include <boost/math/special_functions/trigamma.hpp>
#include <cmath>
#include <vector>

// The engine against dense algebra that knows no tree, and its integrals against closed forms.
namespace moltspan {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

/// Numbers between -1 and 1 without a pattern that the algebra could profit from.
double scattered(int k) { return std::sin(12.9898 * k + 4.1414 * k * k); }

/// Root of 2 variables, 2 nodes below it, 2 leaves below each; Gaussian terms of width 1 and 2 on every node.
class GaussianModel final : public LatentModel {
 public:
  static constexpr int n_variables = 8;
  std::vector<double> observed;
  MatrixXd rows = MatrixXd(0, n_variables);  ///< the design, dense, in the order of the variables
  double prior_sd = 0.7;

  GaussianModel() {
    tree.nodes = {{-1, 2}, {0, 1}, {0, 1}, {1, 1}, {1, 1}, {2, 1}, {2, 1}};
    for (int node : {0, 1, 2, 3, 4, 5, 6, 3, 5}) add_term(node, node % 2 ? 2 : 1);
  }

  void latent_prior(const VectorXd&, VectorXd& mean, VectorXd& precision) const override {
    mean = VectorXd::LinSpaced(n_variables, -0.5, 0.6);
    precision = VectorXd::Constant(n_variables, 1 / (prior_sd * prior_sd));
  }

  /// Normal with mean eta and sd exp(hyper[0]); two predictors with correlation 1/2.
  TermResult term(std::size_t index, const double* eta, const VectorXd& hyper) const override {
    const int width = terms[index].width, first = terms[index].first_predictor;
    const MatrixXd precision = covariance(width, hyper).inverse();
    VectorXd rest(width);
    for (int i = 0; i < width; ++i) rest[i] = observed[static_cast<std::size_t>(first + i)] - eta[i];
    TermResult result;
    result.value =
        -0.5 * rest.dot(precision * rest) + 0.5 * std::log(precision.determinant()) - 0.5 * width * std::log(2 * M_PI);
    const VectorXd gradient = precision * rest;
    for (int i = 0; i < width; ++i) {
      result.gradient[static_cast<std::size_t>(i)] = gradient[i];
      for (int j = 0; j < width; ++j) result.hessian[static_cast<std::size_t>(i * width + j)] = -precision(i, j);
    }
    return result;
  }
  double log_hyper_prior(const VectorXd& hyper) const override { return -0.5 * hyper.squaredNorm(); }

  static MatrixXd covariance(int width, const VectorXd& hyper) {
    MatrixXd matrix = MatrixXd::Constant(width, width, 0.5);
    matrix.diagonal().setOnes();
    return matrix * std::exp(2 * hyper[0]);
  }

  /// Covariance of all observations given the latent variables.
  MatrixXd noise(const VectorXd& hyper) const {
    MatrixXd matrix = MatrixXd::Zero(rows.rows(), rows.rows());
    for (const TermPlace& place : terms)
      matrix.block(place.first_predictor, place.first_predictor, place.width, place.width) =
          covariance(place.width, hyper);
    return matrix;
  }

 private:
  void add_term(int node, int width) {
    terms.push_back({static_cast<int>(predictors.size()), width});
    for (int k = 0; k < width; ++k) add_predictor(node);
  }

  void add_predictor(int node) {
    const std::vector<int> offsets = {0, 2, 3, 4, 5, 6, 7};
    Predictor predictor;
    predictor.node = node;
    const auto row = static_cast<int>(predictors.size());
    predictor.offset = 0.1 * row;
    rows.conservativeResize(row + 1, Eigen::NoChange);
    rows.row(row).setZero();
    for (int at = node; at >= 0; at = tree.nodes[static_cast<std::size_t>(at)].parent)
      for (int i = 0; i < tree.nodes[static_cast<std::size_t>(at)].dim; ++i) {
        predictor.coefficients.push_back(scattered(10 * row + 3 * at + i + 1));
        rows(row, offsets[static_cast<std::size_t>(at)] + i) = predictor.coefficients.back();
      }
    predictors.push_back(predictor);
    observed.push_back(2 * scattered(row + 77));
  }
};

struct DenseAnswer {
  VectorXd mode;
  MatrixXd covariance;
  double log_marginal = 0;
};

DenseAnswer dense_answer(const GaussianModel& model, const VectorXd& hyper) {
  VectorXd mean, precision, rest(model.rows.rows());
  model.latent_prior(hyper, mean, precision);
  for (Eigen::Index i = 0; i < rest.size(); ++i) {
    const auto k = static_cast<std::size_t>(i);
    rest[i] = model.observed[k] - model.predictors[k].offset;
  }
  rest -= model.rows * mean;
  const MatrixXd noise = model.noise(hyper), prior = precision.cwiseInverse().asDiagonal();
  const MatrixXd total = noise + model.rows * prior * model.rows.transpose();
  const MatrixXd inverse = (prior.inverse() + model.rows.transpose() * noise.inverse() * model.rows).inverse();
  DenseAnswer answer;
  answer.covariance = inverse;
  answer.mode = mean + inverse * model.rows.transpose() * noise.inverse() * rest;
  answer.log_marginal = -0.5 * rest.dot(total.inverse() * rest) - 0.5 * std::log(total.determinant()) -
                        0.5 * static_cast<double>(rest.size()) * std::log(2 * M_PI);
  return answer;
}

class Posterior : public testing::TestWithParam<double> {};

// All is Gaussian, so that Laplace is exact: rounding alone is left (condition numbers of some 1e3).
TEST_P(Posterior, OfATreeOfThreeLevelsIsThatOfDenseAlgebra) {
  const GaussianModel model;
  const VectorXd hyper = VectorXd::Constant(1, GetParam());
  const DenseAnswer dense = dense_answer(model, hyper);
  ConditionalPosterior posterior(model);
  ASSERT_TRUE(posterior.solve(hyper));
  EXPECT_TRUE(posterior.positive_definite());
  EXPECT_LT((posterior.mode() - dense.mode).cwiseAbs().maxCoeff(), 1e-10);
  EXPECT_NEAR(posterior.log_marginal(), dense.log_marginal, 1e-9);
  EXPECT_LE(posterior.iterations(), 3);  // one step of Newton, and those that see that it was enough
}

TEST_P(Posterior, CovariancesAlongAPathAreBlocksOfTheDenseOne) {
  const GaussianModel model;
  const VectorXd hyper = VectorXd::Constant(1, GetParam());
  const MatrixXd dense = dense_answer(model, hyper).covariance;
  ConditionalPosterior posterior(model);
  ASSERT_TRUE(posterior.solve(hyper));
  // Variables of (node, parent, root) of each leaf and of the root.
  const std::vector<std::pair<int, std::vector<int>>> paths = {{0, {0, 1}},       {1, {2, 0, 1}},    {3, {4, 2, 0, 1}},
                                                               {4, {5, 2, 0, 1}}, {5, {6, 3, 0, 1}}, {6, {7, 3, 0, 1}}};
  for (const auto& [node, variables] : paths)
    EXPECT_LT((posterior.path_covariance(node) - MatrixXd(dense(variables, variables))).cwiseAbs().maxCoeff(), 1e-11)
        << node;
}

TEST_P(Posterior, MomentsOfPredictorsAreThoseOfTheDensePosterior) {
  const GaussianModel model;
  const VectorXd hyper = VectorXd::Constant(1, GetParam());
  const DenseAnswer dense = dense_answer(model, hyper);
  ConditionalPosterior posterior(model);
  ASSERT_TRUE(posterior.solve(hyper));
  for (std::size_t i = 0; i < model.predictors.size(); ++i) {
    const VectorXd row = model.rows.row(static_cast<Eigen::Index>(i)).transpose();
    const auto [mean, variance] = posterior.predictor_moments(model.predictors[i]);
    EXPECT_NEAR(mean, model.predictors[i].offset + row.dot(dense.mode), 1e-9);
    EXPECT_NEAR(variance, row.dot(dense.covariance * row), 1e-10);
    EXPECT_NEAR(posterior.predictor_mode(model.predictors[i]), mean, 1e-12);
  }
}

INSTANTIATE_TEST_SUITE_P(NoiseLevels, Posterior, testing::Values(-2.0, -0.5, 0.3));

TEST(ConditionalPosterior, ForgetsTheHyperparametersBefore) {
  const GaussianModel model;
  ConditionalPosterior posterior(model), fresh(model);
  posterior.solve(VectorXd::Constant(1, 1.0));
  posterior.path_covariance(3);
  posterior.solve(VectorXd::Constant(1, -0.5));
  fresh.solve(VectorXd::Constant(1, -0.5));
  EXPECT_NEAR(posterior.log_marginal(), fresh.log_marginal(), 1e-9);
  EXPECT_LT((posterior.path_covariance(3) - fresh.path_covariance(3)).cwiseAbs().maxCoeff(), 1e-11);
  EXPECT_EQ(posterior.hyper()[0], -0.5);
}

TEST(ConditionalPosterior, SymmetricTermsShiftNoMean) {
  const GaussianModel model;
  ConditionalPosterior posterior(model);
  ASSERT_TRUE(posterior.solve(VectorXd::Constant(1, -0.5)));
  posterior.correct_means();
  const VectorXd mode = posterior.mode();
  for (std::size_t i = 0; i < model.terms.size(); ++i) EXPECT_NEAR(posterior.own_shift(i), 0, 1e-6);
  EXPECT_LT((posterior.node_mean(0) - mode.head(2)).cwiseAbs().maxCoeff(), 1e-6);  // third derivative by differences
}

/// One latent variable with a standard normal prior, and one term of it.
class OneLatent : public LatentModel {
 public:
  OneLatent() {
    tree.nodes = {{-1, 1}};
    predictors = {{0, 0, {1}}};
    terms = {{0, 1}};
  }
  void latent_prior(const VectorXd&, VectorXd& mean, VectorXd& precision) const override {
    mean = VectorXd::Zero(1);
    precision = VectorXd::Ones(1);
  }
};

/// One latent variable, one Poisson count: eta = log of the mean. Not Gaussian, known by quadrature.
class CountModel final : public OneLatent {
 public:
  double count;
  explicit CountModel(double n) : count(n) {}
  TermResult term(std::size_t, const double* eta, const VectorXd&) const override {
    const double e = std::exp(eta[0]);
    return {count * eta[0] - e - std::lgamma(count + 1), {count - e}, {-e}};
  }
  double log_hyper_prior(const VectorXd&) const override { return 0; }
};

TEST(ConditionalPosterior, SkewTermsShiftTheMeanTowardsTheTrueOne) {
  for (double count : {0.0, 2.0, 12.0}) {
    const CountModel model(count);
    ConditionalPosterior posterior(model);
    ASSERT_TRUE(posterior.solve(VectorXd::Zero(1)));
    double mass = 0, first = 0;  // trapezoid sum over a smooth density: exact to rounding
    for (double x = -10; x < 10; x += 0.01) {
      const double p = std::exp(count * x - std::exp(x) - 0.5 * x * x);
      mass += p;
      first += p * x;
    }
    const double truth = first / mass, mode = posterior.mode()[0];
    EXPECT_NEAR(count - std::exp(mode) - mode, 0, 5e-6);  // the score: Newton stops at a gain of some 1e-12
    posterior.correct_means();
    const double corrected = posterior.node_mean(0)[0];
    EXPECT_LT(std::abs(corrected - truth), 0.35 * std::abs(mode - truth)) << count;  // second order is left
    EXPECT_NEAR(posterior.log_marginal(), std::log(mass * 0.01 / std::sqrt(2 * M_PI)) - std::lgamma(count + 1), 0.03);
  }
}

/// Nothing but hyperparameters: exp(hyper[i]) is Gamma(shape[i], 1), the first two mixed by a shear that keeps volumes.
class GammaHyper final : public OneLatent {
 public:
  VectorXd shape;
  double shear;
  explicit GammaHyper(VectorXd a, double s) : shape(std::move(a)), shear(s) {}
  /// Standard normal likelihood at 0: its marginal is N(0; 0, 2).
  TermResult term(std::size_t, const double* eta, const VectorXd&) const override {
    return {-0.5 * eta[0] * eta[0] - 0.5 * std::log(2 * M_PI), {-eta[0]}, {-1}};
  }
  VectorXd unmixed(const VectorXd& hyper) const {
    VectorXd x = hyper;
    if (x.size() > 1) x[1] -= shear * x[0];
    return x;
  }
  double log_hyper_prior(const VectorXd& hyper) const override {
    const VectorXd x = unmixed(hyper);
    double sum = 0;
    for (Eigen::Index i = 0; i < x.size(); ++i) sum += shape[i] * x[i] - std::exp(x[i]) - std::lgamma(shape[i]);
    return sum;
  }
};

struct GridCase {
  int dim;
  double enough_points;
  double evidence, mean, variance;  ///< tolerances: of log evidence, of means in sds, of variances (relative)
};

/// Moments of the hyperparameters, the shear taken out, against those of log Gamma(a): digamma(a), trigamma(a).
void expect_moments(const HyperPosterior& result, const GammaHyper& model, const GridCase& wanted) {
  for (int i = 0; i < wanted.dim; ++i) {
    const double mean = boost::math::digamma(model.shape[i]), sd = std::sqrt(boost::math::trigamma(model.shape[i]));
    double first = 0, second = 0;
    for (Eigen::Index k = 0; k < result.points.rows(); ++k) {
      const double x = model.unmixed(result.points.row(k).transpose())[i];
      first += result.weights[k] * x;
      second += result.weights[k] * (x - mean) * (x - mean);
    }
    EXPECT_NEAR((first - mean) / sd, 0, wanted.mean) << i;
    EXPECT_NEAR(second / (sd * sd), 1, wanted.variance) << i;
  }
}

class Integration : public testing::TestWithParam<GridCase> {};

// The evidence is 1, all is closed. On a grid the trapezoid sum of these smooth, mildly skew densities errs by 1e-5 or
// so, and exp(-9) of the height is cut off. A lattice of 70 effective points would give a mean to .12 sd if its points
// were random; being spread out they do two to three times better. With 3000 the error must shrink accordingly.
TEST_P(Integration, MeetsTheClosedFormOfLogGammas) {
  const GridCase& wanted = GetParam();
  const GammaHyper model(VectorXd::LinSpaced(wanted.dim, 6, 9), 0.8);
  HyperOptions options;
  options.enough_points = wanted.enough_points;
  options.max_points = 16384;
  std::size_t announced = 0, visited = 0;
  const HyperPosterior result = integrate_hyperparameters(
      model, VectorXd::Constant(wanted.dim, 1.0), options, [&](std::size_t n) { announced = n; },
      [&](std::size_t, const ConditionalPosterior&) { ++visited; });
  EXPECT_TRUE(result.converged);
  EXPECT_EQ(visited, announced);
  EXPECT_EQ(static_cast<std::size_t>(result.points.rows()), announced);
  EXPECT_NEAR(result.weights.sum(), 1, 1e-12);
  EXPECT_EQ(result.failed_points, 0);
  EXPECT_NEAR(result.log_evidence, -0.5 * std::log(4 * M_PI), wanted.evidence);
  expect_moments(result, model, wanted);
}

INSTANTIATE_TEST_SUITE_P(Dimensions, Integration,
                         testing::Values(GridCase{1, 70, 1e-3, 1e-3, 1e-2}, GridCase{2, 70, 1e-3, 2e-3, 1e-2},
                                         GridCase{3, 70, 0.05, 0.06, 0.12}, GridCase{4, 70, 0.08, 0.08, 0.15},
                                         GridCase{3, 3000, 0.005, 0.006, 0.015}, GridCase{4, 3000, 0.01, 0.01, 0.03}));

TEST(HyperIntegration, OfTheNoiseOfAGaussianModelMeetsASumOverDenseMarginals) {
  const GaussianModel model;
  double sum = 0;  // trapezoid sum of a smooth density that vanishes at both ends
  for (double x = -6; x <= 4; x += 0.01) {
    const VectorXd hyper = VectorXd::Constant(1, x);
    sum += 0.01 * std::exp(dense_answer(model, hyper).log_marginal + model.log_hyper_prior(hyper));
  }
  const HyperPosterior result = integrate_hyperparameters(
      model, VectorXd::Zero(1), {}, [](std::size_t) {}, [](std::size_t, const ConditionalPosterior&) {});
  EXPECT_NEAR(result.log_evidence, std::log(sum), 2e-3);  // exp(-9) of the height is cut off on each side
}

TEST(HyperIntegration, GivesTheSameAnswerEveryTimeAndOnTwoThreads) {
  const GammaHyper model(VectorXd::LinSpaced(3, 6, 9), 0.8);
  const auto run = [&](int threads) {
    HyperOptions options;
    options.threads = threads;
    return integrate_hyperparameters(
        model, VectorXd::Ones(3), options, [](std::size_t) {}, [](std::size_t, const ConditionalPosterior&) {});
  };
  const HyperPosterior one = run(1), again = run(1), two = run(2);
  EXPECT_EQ(one.log_evidence, again.log_evidence);
  EXPECT_EQ(one.log_evidence, two.log_evidence);
  EXPECT_TRUE(one.weights == two.weights);
  EXPECT_TRUE(one.points == two.points);
}

TEST(HyperIntegration, FindsTheMassOfAFunnelFarFromItsMode) {
  // By hand: v ~ N(0, 1), three x | v ~ N(0, exp(v)); the mode lies at v = -1.5, with 7 % of the mass beyond.
  const Objective funnel = [](const VectorXd& at) {
    const double v = at[0];
    return -0.5 * (v * v + 3 * v + std::exp(-v) * at.tail(3).squaredNorm() + 4 * std::log(2 * M_PI));
  };
  HyperOptions options;
  options.max_points = 4096;
  options.enough_points = 1000;
  options.recentre = true;
  const auto solver = [&funnel]() -> PointSolver {
    return [&](std::size_t, const VectorXd& at) { return funnel(at); };
  };
  const HyperPosterior result =
      integrate_hyperparameters(funnel, solver, VectorXd::Constant(4, 0.1), options, [](std::size_t) {});
  EXPECT_GT(result.effective_points, 300);
  const double mean = result.weights.dot(result.points.col(0));
  EXPECT_NEAR(result.log_evidence, 0, 0.1);
  EXPECT_NEAR(mean, 0, 0.1);
  EXPECT_NEAR(result.weights.dot(result.points.col(0).cwiseAbs2()) - mean * mean, 1, 0.15);
}

TEST(Maximise, FindsTheTopOfACurvedRidge) {
  // Rosenbrock's valley upside down: the top is at (1, 1).
  const Objective ridge = [](const VectorXd& x) {
    return -100 * std::pow(x[1] - x[0] * x[0], 2) - std::pow(1 - x[0], 2);
  };
  const Maximum top = maximise(ridge, VectorXd::Constant(2, -1.0));
  EXPECT_TRUE(top.converged);
  EXPECT_NEAR(top.x[0], 1, 1e-3);
  EXPECT_NEAR(top.value, 0, 1e-6);
  const MatrixXd hessian = difference_hessian(ridge, VectorXd::Ones(2), 1e-3);
  EXPECT_NEAR(hessian(0, 0), -802, 1e-2);  // 1200 x^2 - 400 y + 2, by hand; step^2 times the fourth derivative
  EXPECT_NEAR(hessian(0, 1), 400, 1e-2);
  EXPECT_NEAR(hessian(1, 1), -200, 1e-2);
}

}  // namespace
}  // namespace moltspan
