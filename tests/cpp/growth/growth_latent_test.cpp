// The growth model with latent sizes against dense algebra, and its laws.
#include "moltspan/growth/latent.hpp"

#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numeric>

#include "growth/latent_model.hpp"
#include "moltspan/numeric/normal.hpp"
#include "numeric/rounding_site.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

/// Invented readings: two measures, one instar without a reading, one step over two molts, two taxa of animals.
GrowthData example(double unit_mm = 1, double step_mm = 0) {
  const double reference = 20 / unit_mm;
  GrowthData data;
  data.measures = {{"leg_span", 0.06, 0.35, -0.05}, {"carapace", 0.02, 0.35, 0}};
  data.parameters = {{"log_leg_span_per_carapace", 1.3, 0.2, 0.1}};
  const std::vector<std::vector<double>> leg = {
      {12, 14.5, 20, 24.5}, {9, 0, 15.5, 19}, {21, 26, 33, 45}, {14, 18, 22, 30}, {10, 13, 17.5, 21}};
  for (int animal = 0; animal < 5; ++animal) {
    GrowthAnimal own;
    own.molts = {1, animal == 3 ? 2.0 : 1.0, 1};
    data.animals.push_back(own);
    for (int instar = 0; instar < 4; ++instar) {
      const double mm = leg[static_cast<std::size_t>(animal)][static_cast<std::size_t>(instar)];
      if (mm == 0) continue;
      const double read = step_mm > 0 ? step_mm * std::round(mm / step_mm) : mm;
      GrowthReading reading{animal, instar, 0, std::log(read / unit_mm / reference), 0, 0};
      if (step_mm > 0) {
        reading.lower = (read - step_mm / 2) / unit_mm / reference;
        reading.upper = (read + step_mm / 2) / unit_mm / reference;
      }
      data.readings.push_back(reading);
      if (instar % 2 == 0) data.readings.push_back({animal, instar, 1, std::log(mm / unit_mm / reference) - 1.2, 0, 0});
    }
  }
  data.columns.setZero(static_cast<Index>(data.readings.size()), 1);
  for (std::size_t i = 0; i < data.readings.size(); ++i)
    if (data.readings[i].measure == 1) data.columns(static_cast<Index>(i), 0) = -1;
  data.groups[static_cast<std::size_t>(Level::taxon)] = {0, 0, 1, 1, 1};
  data.groups[static_cast<std::size_t>(Level::animal)] = {0, 1, 2, 3, 4};
  return data;
}

GrowthModelOptions options_of(GrowthForm form) {
  GrowthModelOptions options;
  options.form = form;
  options.threads = 1;
  return options;
}

/// All unknowns of the example in one vector: g and the parameter at the root, their deviations by taxon, that of g by
/// animal, first sizes, steps. Prior variances and what a latent size is made of follow from the definition.
struct Dense {
  VectorXd mean, sd;  ///< of independent unknowns
  MatrixXd size;      ///< animals x instars rows: sizes as sums of unknowns
  MatrixXd growth;    ///< g of each animal
  MatrixXd parameter;
};

Dense dense_of(const GrowthModel& model, const GrowthNumbers& numbers) {
  const GrowthData& data = model.data();
  const int animals = 5, instars = 4, root = 0, of_taxon = 2, of_animal = 6, first = 11, steps = 16, n = 31;
  Dense d{VectorXd::Zero(n), VectorXd::Zero(n), MatrixXd::Zero(animals * instars, n), MatrixXd::Zero(animals, n),
          MatrixXd::Zero(animals, n)};
  const PriorTable priors("growth", {});
  d.mean[root] = priors.of("log_ratio").mean;
  d.sd[root] = priors.of("log_ratio").sd;
  d.mean[root + 1] = 1.3;
  d.sd[root + 1] = 0.2;
  for (int t = 0; t < 2; ++t) {
    d.sd[of_taxon + t] = std::sqrt(numbers.blur(0, 0));
    d.sd[of_taxon + 2 + t] = 0.1;
  }
  for (int a = 0; a < animals; ++a) {
    const int taxon = data.groups[static_cast<std::size_t>(Level::taxon)][static_cast<std::size_t>(a)];
    d.sd[of_animal + a] = std::sqrt(numbers.blur(1, 0));
    d.mean[first + a] = model.first_size(a).mean;
    d.sd[first + a] = 1 / std::sqrt(model.first_size(a).precision);
    d.growth(a, root) = d.growth(a, of_taxon + taxon) = d.growth(a, of_animal + a) = 1;
    d.parameter(a, root + 1) = d.parameter(a, of_taxon + 2 + taxon) = 1;
    d.size(a * instars, first + a) = 1;
    for (int k = 1; k < instars; ++k) {
      d.size.row(a * instars + k) = d.size.row(a * instars + k - 1);
      // A step over m molts is m steps of one, each with its own spread.
      double spread = 0;
      for (int molt = 0;
           molt < static_cast<int>(data.animals[static_cast<std::size_t>(a)].molts[static_cast<std::size_t>(k) - 1]);
           ++molt) {
        d.size.row(a * instars + k) *= 1 + numbers.decline;
        d.size.row(a * instars + k) += d.growth.row(a);
        spread = spread * std::pow(1 + numbers.decline, 2) + numbers.process_variance;
      }
      d.size(a * instars + k, steps + a * 3 + k - 1) = 1;
      d.sd[steps + a * 3 + k - 1] = std::sqrt(spread);
    }
  }
  return d;
}

void expect_dense(GrowthForm form, const VectorXd& hyper, bool alike_at_first = false) {
  const GrowthData data = example();
  const bool declining = form == GrowthForm::declining;
  GrowthModelOptions options = options_of(form);
  options.alike_at_first = alike_at_first;
  const GrowthModel model(data, options, declining);
  GrowthPosterior posterior(model);
  ASSERT_TRUE(posterior.solve(hyper));
  const GrowthNumbers numbers = model.numbers(hyper);
  const Dense d = dense_of(model, numbers);
  const auto n = static_cast<Index>(data.readings.size());
  MatrixXd read(n, d.mean.size());
  VectorXd y(n), error(n);
  for (Index i = 0; i < n; ++i) {
    const GrowthReading& r = data.readings[static_cast<std::size_t>(i)];
    read.row(i) = d.size.row(r.animal * 4 + r.instar) + data.columns(i, 0) * d.parameter.row(r.animal);
    y[i] = r.log_value - data.measures[static_cast<std::size_t>(r.measure)].bias;
    error[i] = numbers.reading_variance[static_cast<std::size_t>(r.measure)];
  }
  const MatrixXd prior = d.sd.cwiseAbs2().asDiagonal();
  MatrixXd v = read * prior * read.transpose();
  v.diagonal() += error;
  const Eigen::LDLT<MatrixXd> solver(v);
  const VectorXd rest = y - read * d.mean;
  const double log_marginal = -0.5 * (static_cast<double>(n) * std::log(2 * M_PI) +
                                      solver.vectorD().array().log().sum() + rest.dot(solver.solve(rest)));
  // A first size that is flat over 100 log units leaves 1e-4 of the readings' information to the dense sum: 1e-7.
  EXPECT_NEAR(posterior.log_marginal(), log_marginal, 2e-6);
  const VectorXd unknowns = d.mean + prior * read.transpose() * solver.solve(rest), mean = d.size * unknowns;
  const MatrixXd left = prior - prior * read.transpose() * solver.solve(read * prior);
  for (int place = 0; place < posterior.n_places(); ++place) {
    EXPECT_NEAR(posterior.size_mean(place), mean[place], 1e-7);
    EXPECT_NEAR(posterior.size_variance(place), d.size.row(place) * left * d.size.row(place).transpose(), 1e-8);
    EXPECT_NEAR(posterior.size_growth_covariance(place), d.size.row(place) * left * d.growth.row(place / 4).transpose(),
                1e-8);
    EXPECT_GT(posterior.own_variance(place), 0);
    EXPECT_LT(posterior.own_variance(place), posterior.size_variance(place));
  }
  for (int animal = 0; animal < 5; ++animal) {
    const Index own = 11 - 5 + animal;  // its deviation among the unknowns
    const double spread = std::sqrt(numbers.blur(1, 0) + left(own, own));
    EXPECT_NEAR(posterior.chance_above(model.groups().node_of_record[static_cast<std::size_t>(animal)]),
                numeric::Phi(unknowns[own] / spread), 1e-6);
  }
}

TEST(GrowthLatent, MeetsDenseAlgebraWithAConstantRatio) {
  expect_dense(
      GrowthForm::constant,
      (VectorXd(5) << std::log(0.04), std::log(0.06), std::log(0.02), std::log(0.03), std::log(0.02)).finished());
}

TEST(GrowthLatent, MeetsDenseAlgebraWithADecliningRatio) {
  expect_dense(GrowthForm::declining,
               (VectorXd(6) << std::log(0.05), std::log(0.05), std::log(0.03), std::log(0.05), std::log(0.01), -0.08)
                   .finished());
}

TEST(GrowthLatent, MeetsDenseAlgebraWhereAnimalsBeginAtAboutOneSize) {
  expect_dense(
      GrowthForm::constant,
      (VectorXd(5) << std::log(0.04), std::log(0.06), std::log(0.02), std::log(0.03), std::log(0.02)).finished(), true);
}

/// Animals of one reading each, in mm, read to 5 mm.
GrowthData read_once(const std::vector<double>& mm) {
  GrowthData data;
  data.measures = {{"leg_span", 0.06, 0.35, -0.05}};
  for (std::size_t i = 0; i < mm.size(); ++i) {
    data.animals.push_back({});
    data.groups[static_cast<std::size_t>(Level::animal)].push_back(static_cast<int>(i));
    data.readings.push_back(
        {static_cast<int>(i), 0, 0, std::log(mm[i] / 20), std::max(mm[i] - 2.5, 1.25) / 20, (mm[i] + 2.5) / 20});
  }
  data.columns.resize(static_cast<Index>(mm.size()), 0);
  return data;
}

/// By hand: place and spread of Student's law solve its weighted equations, the usual spread counting as four animals.
TEST(GrowthLatent, FirstSizesFollowStudentsLawOfTheReadings) {
  GrowthModelOptions options = options_of(GrowthForm::constant);
  options.alike_at_first = true;
  const std::vector<double> mm{5, 10, 5, 15, 10, 5, 120};
  const GrowthData data = read_once(mm);
  const GrowthModel model(data, options, false);
  const double n = 7, mean = model.first_size(0).mean;
  const auto at = [&](int i) { return std::log(mm[static_cast<std::size_t>(i)] / 20) + 0.05 - mean; };
  double variance = 0.5, weights = 0, sum = 0;
  for (int round = 0; round < 100; ++round) {
    double squares = 4 * 0.25;
    weights = sum = 0;
    for (int i = 0; i < 7; ++i) {
      const double w = 5 / (4 + at(i) * at(i) / variance);
      weights += w;
      sum += w * at(i);
      squares += w * at(i) * at(i);
    }
    variance = squares / (n + 4);
  }
  EXPECT_NEAR(sum / weights, 0, 1e-4);  // 20 rounds of reweighting
  for (int i = 0; i < 7; ++i)
    EXPECT_NEAR(model.first_size(i).precision, 5 / (4 + at(i) * at(i) / variance) / (variance * (1 + 1 / n)), 1e-3);
  EXPECT_LT(model.first_size(6).precision, 0.6 * model.first_size(1).precision);  // the grown one is hardly drawn in
}

/// Readings of 5 mm may be 2.5 or 7.5: among animals of 10 they are likelier the larger ones. A size that is read
/// well is left where it is.
TEST(GrowthLatent, SlingsReadInWideStepsAreDrawnToTheOthers) {
  const GrowthData data = read_once({5, 10, 5, 15, 10, 5, 120});
  GrowthModelOptions options = options_of(GrowthForm::constant);
  const GrowthModelFit flat = fit_growth_model(data, options);
  options.alike_at_first = true;
  const GrowthModelFit alike = fit_growth_model(data, options);
  EXPECT_GT(alike.sizes[0][0].mean, flat.sizes[0][0].mean + 0.05);
  EXPECT_LT(alike.sizes[0][0].variance, flat.sizes[0][0].variance);
  EXPECT_NEAR(alike.sizes[6][0].mean, flat.sizes[6][0].mean, 0.02);
}

/// The variance of a size given g and the parameters: dense, with those as good as known.
TEST(GrowthLatent, OwnVarianceIsThatGivenGrowth) {
  const GrowthData data = example();
  GrowthModelOptions options = options_of(GrowthForm::constant);
  options.priors = {{"log_ratio", {Prior::Kind::normal, 0.25, 1e-6}}};
  GrowthData known = data;
  known.parameters[0].sd = known.parameters[0].taxon_sd = 1e-6;
  const VectorXd wide =
      (VectorXd(5) << std::log(0.04), std::log(0.06), std::log(0.02), std::log(0.03), std::log(0.02)).finished();
  const VectorXd tight = (VectorXd(5) << std::log(0.04), std::log(0.06), std::log(0.02), -14, -14).finished();
  const GrowthModel free_model(data, options_of(GrowthForm::constant), false), known_model(known, options, false);
  GrowthPosterior free_ratio(free_model), known_ratio(known_model);
  ASSERT_TRUE(free_ratio.solve(wide) && known_ratio.solve(tight));
  for (int place = 0; place < free_ratio.n_places(); ++place)
    EXPECT_NEAR(free_ratio.own_variance(place), known_ratio.size_variance(place), 1e-8);
}

/// Log marginal at hyper plus a step of one of them.
double log_marginal_at(const GrowthModel& model, VectorXd hyper, Index which, double step) {
  GrowthPosterior posterior(model);
  hyper[which] += step;
  EXPECT_TRUE(posterior.solve(hyper));
  return posterior.log_marginal();
}

TEST(GrowthLatent, LogMarginalIsSmoothInTheSpreadsWithRounding) {
  // The search differentiates by quotients: those of two step lengths have to agree, or expectation propagation has
  // stopped too early. Truncation is step^2 x third derivative (about 10): 1e-5.
  const GrowthData data = example(1, 5);
  const GrowthModel model(data, options_of(GrowthForm::constant), false);
  const VectorXd hyper =
      (VectorXd(5) << std::log(0.04), std::log(0.06), std::log(0.02), std::log(0.03), std::log(0.02)).finished();
  for (Index k = 0; k < hyper.size(); ++k) {
    const auto quotient = [&](double h) {
      return (log_marginal_at(model, hyper, k, h) - log_marginal_at(model, hyper, k, -h)) / (2 * h);
    };
    EXPECT_NEAR(quotient(1e-3), quotient(2e-3), 1e-4) << "spread " << k;
  }
}

TEST(RoundingSite, DerivativesAreThoseOfTheLogMass) {
  const double inf = std::numeric_limits<double>::infinity();
  for (const auto& [lower, upper] :
       {std::pair(0.1, 0.4), std::pair(-0.2, -0.19), std::pair(2.0, 2.3), std::pair(-inf, 0.3), std::pair(-3.0, -2.5)})
    for (double mean : {-0.3, 0.0, 0.25, 1.0}) {
      const double sd = 0.3, h = 1e-4;
      const auto at = [&, low = lower, high = upper](double m) { return interval_mass(low, high, m, sd); };
      const IntervalMass mass = at(mean);
      // Central differences: h^2 times the next derivatives but one (under 1e4 at sd .3).
      EXPECT_NEAR(mass.slope, (at(mean + h).log_mass - at(mean - h).log_mass) / (2 * h),
                  1e-5 * (1 + std::abs(mass.slope)));
      EXPECT_NEAR(mass.curvature, (at(mean + h).slope - at(mean - h).slope) / (2 * h),
                  1e-5 * (1 + std::abs(mass.curvature)));
      EXPECT_LE(mass.curvature, 0);
    }
}

TEST(RoundingSite, GivesTheMomentsOfTheInterval) {
  // By hand: N(0, 1) cut to its right half has mean sqrt(2 / pi) and variance 1 - 2 / pi, read without error.
  const Cavity cavity{0, 1, true};
  const IntervalMass mass = interval_mass(0, std::numeric_limits<double>::infinity(), 0, 1);
  EXPECT_NEAR(mass.log_mass, std::log(0.5), 1e-15);
  const RoundingSite site = matched_site(cavity, mass);
  const double variance = 1 / (1 + site.precision);
  EXPECT_NEAR(variance, 1 - 2 / M_PI, 1e-14);
  EXPECT_NEAR(variance * site.pull, std::sqrt(2 / M_PI), 1e-14);
}

TEST(GrowthLatent, InchesAreTheSame) {
  const GrowthModelFit mm = fit_growth_model(example(1, 5), options_of(GrowthForm::constant)),
                       inches = fit_growth_model(example(25.4, 5), options_of(GrowthForm::constant));
  for (int animal = 0; animal < 5; ++animal) {
    const PredictorMixture a = size_after(mm, animal, 2), b = size_after(inches, animal, 2);
    // Sizes over the reference differ by the last digit, which the search carries on.
    EXPECT_NEAR(a.weights.dot(a.mean.col(1)), b.weights.dot(b.mean.col(1)), 1e-7);
  }
}

TEST(GrowthLatent, OrderOfReadingsAndAnimalsDoesNotMatter) {
  const GrowthData data = example(1, 5);
  GrowthData turned;
  turned.measures = data.measures;
  turned.parameters = data.parameters;
  std::vector<Index> rows(data.readings.size());
  std::iota(rows.begin(), rows.end(), Index{0});
  std::sort(rows.begin(), rows.end(), [&](Index a, Index b) {  // animals and the readings of each the other way round
    const auto& first = data.readings[static_cast<std::size_t>(a)];
    const auto& second = data.readings[static_cast<std::size_t>(b)];
    return first.animal != second.animal ? first.animal > second.animal : a > b;
  });
  for (Index row : rows) {
    turned.readings.push_back(data.readings[static_cast<std::size_t>(row)]);
    turned.readings.back().animal = 4 - turned.readings.back().animal;
  }
  turned.columns = data.columns(rows, Eigen::all);
  turned.animals.assign(data.animals.rbegin(), data.animals.rend());
  for (std::size_t level = 0; level < data.groups.size(); ++level)
    turned.groups[level].assign(data.groups[level].rbegin(), data.groups[level].rend());
  for (int& code : turned.groups[static_cast<std::size_t>(Level::animal)]) code += 7;  // and renamed
  const GrowthModelFit a = fit_growth_model(data, options_of(GrowthForm::constant)),
                       b = fit_growth_model(turned, options_of(GrowthForm::constant));
  // Expectation propagation stops at 1e-5 of an sd (some .05).
  EXPECT_NEAR(a.log_evidence, b.log_evidence, 1e-4);
  for (int animal = 0; animal < 5; ++animal) {
    const PredictorMixture one = size_after(a, animal, 1), other = size_after(b, 4 - animal, 1);
    EXPECT_NEAR(one.weights.dot(one.mean.col(0)), other.weights.dot(other.mean.col(0)), 1e-5);
  }
}

}  // namespace
}  // namespace moltspan
