#include "calibration/pits.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <memory>

#include "intervals/posterior.hpp"
#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/philox.hpp"
#include "moltspan/simulate/simulate.hpp"
#include "calibration/recalibration.hpp"
#include "stadia_book.hpp"

// Leave-one-out transforms: two records against dense Gaussian algebra, uniformity on simulated collections whose model
// is the fit's.
namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

CollectionFit fit_of(Collection collection, CollectionOptions options = {}) {
  return fit_collection(std::make_shared<const Collection>(std::move(collection)), options);
}

/// Rows of all predictors in the latent variables, node by node.
MatrixXd dense_design(const StadiaModel& model, std::size_t records) {
  std::vector<Index> offset;
  Index size = 0;
  for (const auto& node : model.tree.nodes) {
    offset.push_back(size);
    size += node.dim;
  }
  MatrixXd design = MatrixXd::Zero(static_cast<Index>(records), size);
  for (std::size_t i = 0; i < records; ++i) {
    const Predictor& p = model.predictors[i];
    std::size_t k = 0;
    for (int node = p.node; node >= 0; node = model.tree.nodes[static_cast<std::size_t>(node)].parent)
      for (int d = 0; d < model.tree.nodes[static_cast<std::size_t>(node)].dim; ++d)
        design(static_cast<Index>(i), offset[static_cast<std::size_t>(node)] + d) = p.coefficients[k++];
  }
  return design;
}

TEST(LeaveOneOutPits, OfTwoStadiaAreThoseOfDenseAlgebra) {
  Book book;
  for (const char* molt : {"2025-01-01", "2025-03-02", "2025-06-10"}) book.row(Event::molt, molt);  // 60 and 100 days
  CollectionOptions options;
  options.as_of = day("2025-06-10");  // the third stadium has no length: nothing to tell
  options.mix_families = false;
  options.hidden_molts = false;
  const CollectionFit fit = fit_of(book.collection, options);
  const auto pits = leave_one_out_pits(fit);
  ASSERT_EQ(pits.size(), 2u);

  const StadiaModel& model = fit.stadia.posterior->get().model();
  const auto& values = fit.stadia.estimate.values;
  const VectorXd hyper = values.tail(values.size() - fit.stadia.coefficients.size());
  const MatrixXd design = dense_design(model, 2);
  VectorXd mean(design.cols()), precision(design.cols());
  model.latent_prior(hyper, mean, precision);
  const MatrixXd cov = design * precision.cwiseInverse().asDiagonal() * design.transpose();
  const VectorXd prior = design * mean, y = (VectorXd(2) << std::log(60.0), std::log(100.0)).finished();
  for (Index i = 0; i < 2; ++i) {
    const Index j = 1 - i;
    const double own = std::pow(std::exp(model.record_log_sigma(static_cast<std::size_t>(i), hyper)), 2),
                 other = std::pow(std::exp(model.record_log_sigma(static_cast<std::size_t>(j), hyper)), 2);
    const double gain = cov(i, j) / (cov(j, j) + other);
    const double at = prior[i] + gain * (y[j] - prior[j]), variance = cov(i, i) - gain * cov(i, j);
    const RecordPit& pit = pits[static_cast<std::size_t>(i)];
    EXPECT_EQ(pit.row, i);
    EXPECT_NEAR(pit.mean, at, 1e-8);
    EXPECT_NEAR(pit.variance, variance, 1e-8);
    const double days = std::exp(y[i]);
    // Both dates are known to the day: the length lies half a day either side.
    EXPECT_NEAR(pit.pit.low, numeric::Phi((std::log(days - 0.5) - at) / std::sqrt(variance + own)), 1e-8);
    EXPECT_NEAR(pit.pit.high, numeric::Phi((std::log(days + 0.5) - at) / std::sqrt(variance + own)), 1e-8);
    EXPECT_TRUE(pit.seen);
    EXPECT_EQ(pit.weight, 1);
  }
}

TEST(LeaveOneOutPits, OfARunningStadiumAreOpenAndOfALateEntryConditional) {
  Book book;
  for (const char* molt : {"2025-01-01", "2025-03-02", "2025-05-01"}) book.row(Event::molt, molt);
  CollectionOptions options;
  options.as_of = day("2025-06-10");
  const CollectionFit fit = fit_of(book.collection, options);
  const auto pits = leave_one_out_pits(fit);
  ASSERT_EQ(pits.size(), 3u);
  EXPECT_FALSE(pits[2].seen);
  EXPECT_EQ(pits[2].pit.high, 1);

  const MixedLength law(fit, {{1, std::log(60.0), 0.01, 0.2}});
  StadiumBounds bounds{70, 70, 1, 50, 1};
  const LengthChances chances = chances_of_length(law, bounds);
  const auto cdf = [](double days) { return numeric::Phi(std::log(days / 60) / std::sqrt(0.05)); };
  if (fit.families.size() == 1) {
    EXPECT_NEAR(chances.entered, cdf(50.5), 1e-12);
    EXPECT_NEAR(chances.given_entry().low, (cdf(69.5) - cdf(50.5)) / (1 - cdf(50.5)), 1e-9);
  }
  EXPECT_GT(chances.entered, 0);
  EXPECT_LT(chances.given_entry().low, chances.from);
}

TEST(LeaveOneOutPits, AreUniformWhereTheModelIsRight) {
  SimulationOptions options;
  options.n_animals = 150;
  double sum = 0, square = 0, weight = 0;
  for (std::uint64_t seed = 1; seed <= 4; ++seed) {
    const CollectionFit fit = fit_of(make_collection(simulate_collection(options, seed).raw));
    for (const RecordPit& one : leave_one_out_pits(fit)) {
      // A uniform u given that it lies between both ends.
      const double low = one.pit.low, high = one.pit.high;
      sum += one.weight * 0.5 * (low + high);
      square += one.weight * (low * low + low * high + high * high) / 3;
      weight += one.weight;
    }
  }
  ASSERT_GT(weight, 1000);
  // Some 2,000 transforms of animals that share kinds: .5 and 1/3 with errors of .007 each; three of them.
  EXPECT_NEAR(sum / weight, 0.5, 0.02);
  EXPECT_NEAR(square / weight, 1.0 / 3, 0.02);
}

TEST(Recalibration, ChangesTheLawOnTheNormalScaleAndKeepsTheMedianWithoutAShift) {
  Recalibration change;
  change.log_scale = std::log(1.5);
  // log T ~ N(log 60, .2^2) from the start: recalibrated N(log 60, .3^2).
  const auto plain = [] {
    return std::make_unique<RunningLaw>(Family::lognormal, std::vector<PredictiveComponent>{{1, std::log(60.0), 0.01, std::sqrt(0.03)}},
                                        std::vector<StartAge>{{1, 0.0}}, 1.0);
  };
  const RecalibratedLaw law(plain(), change);
  EXPECT_NEAR(law.quantile(0.5, law.first_day()), 60, 1e-6);
  EXPECT_NEAR(law.quantile(0.9, law.first_day()), 60 * std::exp(1.2815515655446 * 0.3), 1e-5);
  EXPECT_NEAR(law.survival(45), numeric::Phi(std::log(60.0 / 45) / 0.3), 1e-9);
  change.log_scale = 0;
  change.location = 0.5;
  const RecalibratedLaw later(plain(), change);
  EXPECT_NEAR(later.quantile(0.5, later.first_day()), 60 * std::exp(0.5 * 0.2), 1e-5);
}

TEST(Recalibration, FindsTheFactorThatPastForecastsMissedAndNoneWhereTheyHeld) {
  SimulationOptions options;
  options.n_animals = 40;
  const CollectionFit fit = fit_of(make_collection(simulate_collection(options, 1).raw));
  // 300 transforms at even steps of N(0, 1.6^2), one animal each in turn: told as N(0, 1).
  const auto past_with = [&](double sd) {
    std::vector<PastForecast> past;
    const int n = 300;
    for (int i = 0; i < n; ++i) {
      const double u = numeric::Phi(sd * numeric::normal_quantile(((i * 7) % n + 0.5) / n));
      past.push_back({i % static_cast<int>(fit.data.size()), i % 4, std::max(0.0, u - 1e-3), std::min(1.0, u + 1e-3)});
    }
    return past;
  };
  const Recalibration wide = learn_recalibration(fit, past_with(1.6)), right = learn_recalibration(fit, past_with(1));
  EXPECT_NEAR(wide.scale(), 1.6, 0.12);  // drawn to 1 by the prior and by the joined tails
  EXPECT_GT(wide.weight, 0.99);
  EXPECT_NEAR(right.scale(), 1, 0.01);
  EXPECT_LT(right.weight, 0.3);
  EXPECT_NEAR(right.held[1].mean, 0.8, 0.01);
}

}  // namespace
}  // namespace moltspan
