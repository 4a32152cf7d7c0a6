#include "moltspan/intervals/hidden_molts.hpp"

#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <array>
#include <boost/math/distributions/lognormal.hpp>
#include <boost/math/quadrature/tanh_sinh.hpp>
#include <cmath>
#include <memory>
#include <tuple>
#include <vector>

#include "forecast/hidden.hpp"
#include "moltspan/forecast/forecast.hpp"

namespace moltspan {
namespace {

constexpr double never = -std::numeric_limits<double>::infinity();

/// Density of the sum of two log-normal stadia by convolution.
double convolved(double t, double eta, double sigma, double log_step) {
  const boost::math::lognormal first(eta, sigma), second(eta + log_step, sigma);
  boost::math::quadrature::tanh_sinh<double> rule;
  return rule.integrate([&](double u) { return pdf(first, u) * pdf(second, t - u); }, 0.0, t, 1e-10);
}

// Mean and variance of the sum are those of the log-normal that stands for it: exact.
TEST(StadiaSum, KeepsMeanAndVariance) {
  const double sigma = 0.3, step = 0.2;
  const StadiaSum sum = sum_of_stadia(Family::lognormal, 3, std::log(sigma), step);
  double mean = 0, variance = 0;
  for (int i = 0; i < 3; ++i) {
    const boost::math::lognormal stadium(4 + i * step, sigma);
    mean += boost::math::mean(stadium);
    variance += boost::math::variance(stadium);
  }
  const boost::math::lognormal all(4 + sum.shift, sum.log_sd);
  EXPECT_NEAR(boost::math::mean(all) / mean, 1, 1e-12);
  EXPECT_NEAR(boost::math::variance(all) / variance, 1, 1e-12);
  const StadiaSum one = sum_of_stadia(Family::lognormal, 1, std::log(sigma), step);
  EXPECT_NEAR(one.shift, 0, 1e-12);
  EXPECT_NEAR(one.log_sd, sigma, 1e-12);
}

// log-likelihood of a gap against exact convolution: averaged over gaps as they come (a tenth with a hidden molt) the
// difference stays under 1e-3 a record.
TEST(HiddenTerm, IsNearExactConvolution) {
  const double eta = std::log(80.0), sigma = 0.25, step = 0.2, p = 0.1;
  const HiddenWeights weights{std::log(1 - p), std::log(p), never};
  const boost::math::lognormal one(eta, sigma);
  double difference = 0, signed_difference = 0, mass = 0;
  const double width = 1;
  for (double t = 30; t < 420; t += width) {
    const double two = convolved(t, eta, sigma, step), density = (1 - p) * pdf(one, t) + p * two;
    const double value =
        hidden_term(Family::lognormal, {t, t, 0, 0}, eta, std::log(sigma), 0, weights, step, Truncation::conditional)
            .value;
    difference += width * density * std::abs(value - std::log(density));
    signed_difference += width * density * (value - std::log(density));
    mass += width * density;
  }
  EXPECT_NEAR(mass, 1, 1e-3);
  EXPECT_LT(std::abs(signed_difference), 1e-3);
  EXPECT_LT(difference, 2e-3);  // of either sign; the larger part lies in the tails of the sum
}

// Derivatives in the predictor against difference quotients, for every kind of record.
TEST(HiddenTerm, DerivativesAreExact) {
  const HiddenWeights weights{std::log(0.8), std::log(0.15), std::log(0.05)};
  const StadiumBounds records[] = {{150, 150, 0, 0}, {140, 155, 0, 0}, {140, 160, 7, 0, 13},
                                   {120, NAN, 0, 0}, {120, NAN, 7, 0}, {150, 150, 0, 60}};
  for (const Family family : {Family::lognormal, Family::weibull, Family::loglogistic})
    for (const StadiumBounds& b : records)
      for (double eta : {4.0, 4.6, 5.1}) {
        const auto at = [&](double x) {
          return hidden_term(family, b, x, std::log(0.2), 0.01, weights, 0.2, Truncation::conditional);
        };
        const double h = 1e-5;
        const StadiumTerm term = at(eta);
        // Rounding of the values over h, and the third derivative (up to some 1e3) times h^2.
        EXPECT_NEAR(term.d_eta, (at(eta + h).value - at(eta - h).value) / (2 * h), 1e-5 * (1 + std::abs(term.d_eta)));
        const double curve = (at(eta + h).d_eta - at(eta - h).d_eta) / (2 * h), close = 1e-4 * (1 + std::abs(curve));
        // Exact but where it is positive, and capped there.
        if (curve < 0) {
          EXPECT_NEAR(term.d_eta_eta, curve, close);
        }
        EXPECT_LT(term.d_eta_eta, curve + close);
      }
}

TEST(HiddenTerm, WithoutHiddenMoltsIsThePlainTerm) {
  const StadiumBounds b{140, 160, 7, 0, 13};
  const StadiumTerm plain = stadium_term(Family::lognormal, b, 4.9, std::log(0.2)),
                    term = hidden_term(Family::lognormal, b, 4.9, std::log(0.2), 0, {0, never, never}, 0.2,
                                       Truncation::conditional);
  EXPECT_EQ(term.value, plain.value);
  EXPECT_EQ(term.d_eta, plain.d_eta);
}

/// Distribution function of the sum of two or three log-normal stadia at `t`, by convolution on a grid; the third is
/// added to the density of two. Cell c holds what lies up to (c + (n + 1) / 2) step.
std::vector<double> convolved_cdf(double sigma, int n, double step, double top) {
  const auto cells = static_cast<std::size_t>(top / step);
  std::vector<double> one(cells), sum(cells), cdf(cells);
  const boost::math::lognormal law(0, sigma);
  for (std::size_t i = 0; i < cells; ++i) one[i] = pdf(law, (static_cast<double>(i) + 0.5) * step);
  sum = one;
  for (int k = 1; k < n; ++k) {
    std::vector<double> next(cells, 0.0);
    for (std::size_t i = 0; i < cells; ++i)
      for (std::size_t j = 0; i + j < cells; ++j) next[i + j] += step * sum[i] * one[j];
    sum = next;
  }
  double total = 0;
  for (std::size_t i = 0; i < cells; ++i) cdf[i] = total += step * sum[i];
  return cdf;
}

// Error of the distribution function at seven quantiles: exact convolution on a grid is the oracle (error of the grid
// about step^2 / 24 x curvature, under 1e-4). Fenton-Wilkinson was measured at .0003 to .0022 for sd .15 to .5 by a
// million draws; bounds: those plus the 5e-4 that such draws are uncertain by.
TEST(StadiaSum, DistributionIsThatOfConvolution) {
  const double step = 0.01;
  for (const auto& [sigma, n, most] : {std::tuple{0.15, 2, 8e-4},
                                       {0.15, 3, 1.2e-3},
                                       {0.3, 2, 1.3e-3},
                                       {0.3, 3, 1.1e-3},
                                       {0.5, 2, 2.2e-3},
                                       {0.5, 3, 2.7e-3}}) {
    const double top = sigma > 0.4 ? 20 : 10;
    const std::vector<double> exact = convolved_cdf(sigma, n, step, top);
    const StadiaSum sum = sum_of_stadia(Family::lognormal, n, std::log(sigma), 0);
    const boost::math::lognormal law(sum.shift, sum.log_sd);
    for (const double p : {0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975}) {
      const double t = quantile(law, p), at = t / step - 0.5 * n - 0.5;
      const auto cell = static_cast<std::size_t>(at);
      const double share = at - static_cast<double>(cell);
      EXPECT_NEAR(exact[cell] + share * (exact[cell + 1] - exact[cell]), p, most) << sigma << " " << n;
    }
  }
}

// Chances of hidden molts with an uncertain predictor against the sum over a fine grid of it.
TEST(HiddenShares, AreTheMeanOverThePredictor) {
  const HiddenWeights weights{std::log(0.9), std::log(0.09), std::log(0.01)};
  for (const StadiumBounds& b : {StadiumBounds{130, 130, 0, 0}, {120, 136, 8, 0, 9}, {125, NAN, 1, 0}}) {
    const double mean = 4.4, variance = 0.03, sigma = 0.25;
    std::array<double, 3> dense{};
    for (double z = -7; z < 7; z += 0.002)
      for (int j = 0; j < 3; ++j) {
        const StadiaSum sum = sum_of_stadia(Family::lognormal, j + 1, std::log(sigma), 0.2);
        const double eta = mean + std::sqrt(variance) * z + sum.shift;
        dense[static_cast<std::size_t>(j)] +=
            std::exp(weights[static_cast<std::size_t>(j)] - 0.5 * z * z +
                     stadium_term(Family::lognormal, b, eta, std::log(sum.log_sd)).value);
      }
    const HiddenWeights shares =
        hidden_shares(Family::lognormal, {{}, {{true, b, mean, variance, 0, weights, {}}}}, std::log(sigma), 0.2, {})
            .shares[0];
    const double total = dense[0] + dense[1] + dense[2];
    for (std::size_t j = 0; j < 3; ++j) EXPECT_NEAR(shares[j], dense[j] / total, 1e-3) << b.min_days;
  }
}

/// Log density of readings of a log size that grows by jump.log_ratio +- jump.log_sd a molt, given the first (by dense
/// algebra on their differences to it, the first size flat).
double log_density_of_sizes(const std::vector<LogSize>& read, const std::vector<double>& molts, const UsualJump& jump) {
  const auto n = static_cast<Eigen::Index>(read.size()) - 1;
  Eigen::VectorXd deviation(n);
  Eigen::MatrixXd covariance = Eigen::MatrixXd::Constant(n, n, read[0].variance);
  for (Eigen::Index i = 0; i < n; ++i) {
    double so_far = 0;
    for (Eigen::Index k = 0; k <= i; ++k) so_far += molts[static_cast<std::size_t>(k)];
    const LogSize& here = read[static_cast<std::size_t>(i) + 1];
    deviation[i] = here.mean - read[0].mean - so_far * jump.log_ratio;
    for (Eigen::Index k = i; k < n; ++k) {
      covariance(i, k) += so_far * jump.log_sd * jump.log_sd;
      if (k > i) covariance(k, i) = covariance(i, k);
    }
    covariance(i, i) += here.variance;
  }
  const Eigen::LDLT<Eigen::MatrixXd> solver(covariance);
  return -0.5 * (deviation.dot(solver.solve(deviation)) + solver.vectorD().array().log().sum() +
                 static_cast<double>(n) * std::log(2 * M_PI));
}

// Three gaps and a running stadium of one animal, lengths and sizes together: every combination of hidden molts over a
// dense grid of the animal's pace. What the paths leave out and the sparser grid stay under 1e-4.
TEST(HiddenShares, AnAnimalAsAWhole) {
  const double sigma = 0.25, step = 0.1;
  const UsualJump jump{0.26, 0.06};
  const std::vector<LogSize> read{{0.1, 0.01}, {0.42, 0.02}, {0.9, 0.01}, {1.15, 0.006}};
  const HiddenWeights chances = hidden_chances(0.1);
  HiddenAnimal animal{{read[0]}, {}};
  const std::vector<StadiumBounds> bounds{{75, 75, 0, 0}, {150, 150, 0, 0}, {80, 86, 0, 0}, {60, NAN, 0, 0}};
  for (std::size_t k = 0; k < bounds.size(); ++k) {
    const double mean = 4.3 + 0.02 * static_cast<double>(k);
    animal.records.push_back({true, bounds[k], mean, 0.03, 0.002, chances, {k < 3 ? read[k + 1] : LogSize{}}});
    animal.records.back().shift = {0.02, -0.03, -0.08};
    animal.records.back().next_shift = {-0.02, 0.03, 0.08};
  }
  std::vector<HiddenWeights> dense(4, HiddenWeights{});
  double total = 0;
  for (int code = 0; code < 81; ++code) {
    const std::array<int, 4> hidden{code / 27, code / 9 % 3, code / 3 % 3, code % 3};
    std::vector<double> molts;
    for (int k = 0; k < 3; ++k) molts.push_back(hidden[static_cast<std::size_t>(k)] + 1);
    double lengths = 0;
    for (double z = -7; z < 7; z += 0.01) {
      double log_term = -0.5 * z * z + std::log(0.01 / std::sqrt(2 * M_PI));
      for (std::size_t k = 0; k < 4; ++k) {
        const auto j = static_cast<std::size_t>(hidden[k]);
        const StadiaSum sum = sum_of_stadia(Family::lognormal, hidden[k] + 1, std::log(sigma), step);
        const double eta = animal.records[k].mean + std::sqrt(0.03) * z + animal.records[k].shift[j] +
                           (k > 0 ? animal.records[k - 1].next_shift[static_cast<std::size_t>(hidden[k - 1])] : 0);
        log_term += chances[j] + stadium_term(Family::lognormal, bounds[k], eta + sum.shift,
                                              0.5 * std::log(sum.log_sd * sum.log_sd + 0.002))
                                     .value;
      }
      lengths += std::exp(log_term);
    }
    const double weight = lengths * std::exp(log_density_of_sizes(read, molts, jump));
    total += weight;
    for (std::size_t k = 0; k < 4; ++k) dense[k][static_cast<std::size_t>(hidden[k])] += weight;
  }
  const HiddenShares shares = hidden_shares(Family::lognormal, animal, std::log(sigma), step, jump);
  EXPECT_NEAR(shares.log_mean, std::log(total), 1e-4);
  for (std::size_t k = 0; k < 4; ++k)
    for (std::size_t j = 0; j < 3; ++j) EXPECT_NEAR(shares.shares[k][j], dense[k][j] / total, 1e-4) << k << j;
}

// A gap without a length, such as one before the first known start, tells by its sizes alone; where the measure changes
// nothing is compared.
TEST(HiddenShares, SizesAlone) {
  const UsualJump jump{0.26, 0.06};
  HiddenRecord gap;
  gap.timed = false;
  gap.log_chances = hidden_chances(0.1);
  gap.sizes_after = {{0.52, 0.002}};
  const LogSize first{0, 0.002};
  const auto jumped = hidden_shares(Family::lognormal, {{first}, {gap}}, std::log(0.2), 0, jump).shares[0];
  HiddenWeights expected;
  double total = 0;
  for (int j = 0; j < 3; ++j) {
    const double variance = 0.004 + (j + 1) * 0.0036, deviation = 0.52 - (j + 1) * 0.26;
    const double chance = std::exp(gap.log_chances[static_cast<std::size_t>(j)]);
    total += expected[static_cast<std::size_t>(j)] =
        chance * std::exp(-0.5 * deviation * deviation / variance) / std::sqrt(variance);
  }
  for (std::size_t j = 0; j < 3; ++j) EXPECT_NEAR(jumped[j], expected[j] / total, 1e-9);
  gap.odd_measure = 0;
  const auto changed = hidden_shares(Family::lognormal, {{first}, {gap}}, std::log(0.2), 0, jump).shares[0];
  for (std::size_t j = 0; j < 3; ++j) EXPECT_NEAR(changed[j], std::exp(gap.log_chances[j]), 1e-9);
}

// Two measures that grow alike, each with an offset that nothing tells of (dense algebra with a variance of 1e5 for
// it): two gaps without lengths, the second measure read at the beginning and the end only.
TEST(HiddenShares, SeveralMeasuresTellTogether) {
  const UsualJump jump{0.26, 0.06};
  struct Read {
    int instar, measure;
    LogSize size;
  };
  const std::vector<Read> readings{
      {0, 0, {0.1, 0.01}}, {0, 1, {2.0, 0.002}}, {1, 0, {0.55, 0.01}}, {2, 0, {0.7, 0.01}}, {2, 1, {2.55, 0.002}}};
  std::array<HiddenWeights, 2> dense{};
  double total = 0;
  for (int code = 0; code < 9; ++code) {
    const std::array<int, 2> hidden{code / 3, code % 3};
    const std::array<double, 3> molts{0, hidden[0] + 1.0, hidden[0] + hidden[1] + 2.0};
    Eigen::VectorXd deviation(5);
    Eigen::MatrixXd covariance(5, 5);
    for (int i = 0; i < 5; ++i)
      for (int k = 0; k < 5; ++k) {
        const Read &a = readings[static_cast<std::size_t>(i)], &b = readings[static_cast<std::size_t>(k)];
        const double grown =
            std::min(molts[static_cast<std::size_t>(a.instar)], molts[static_cast<std::size_t>(b.instar)]);
        deviation[i] = a.size.mean - molts[static_cast<std::size_t>(a.instar)] * jump.log_ratio;
        covariance(i, k) =
            grown * jump.log_sd * jump.log_sd + (a.measure == b.measure ? 1e5 : 0) + (i == k ? a.size.variance : 0);
      }
    const Eigen::LDLT<Eigen::MatrixXd> solver(covariance);
    const auto chances = hidden_chances(0.1);
    const double weight =
        std::exp(-0.5 * (deviation.dot(solver.solve(deviation)) + solver.vectorD().array().log().sum()) +
                 chances[static_cast<std::size_t>(hidden[0])] + chances[static_cast<std::size_t>(hidden[1])]);
    total += weight;
    for (std::size_t k = 0; k < 2; ++k) dense[k][static_cast<std::size_t>(hidden[k])] += weight;
  }
  HiddenAnimal animal{{{0.1, 0.01}, {2.0, 0.002}}, {}};
  for (const std::vector<LogSize>& after : {std::vector<LogSize>{{0.55, 0.01}, {}}, {{0.7, 0.01}, {2.55, 0.002}}}) {
    animal.records.emplace_back();
    animal.records.back().timed = false;
    animal.records.back().log_chances = hidden_chances(0.1);
    animal.records.back().sizes_after = after;
  }
  const HiddenShares shares = hidden_shares(Family::lognormal, animal, std::log(0.2), 0, jump);
  for (std::size_t k = 0; k < 2; ++k)
    for (std::size_t j = 0; j < 3; ++j) EXPECT_NEAR(shares.shares[k][j], dense[k][j] / total, 1e-5) << k << j;
}

// A record that no number of molts allows: no hidden molt, and no likelihood.
TEST(HiddenShares, WhatIsImpossible) {
  const HiddenRecord gap{true, {80, 80, 0, 0}, 4.4, 0.01, 0, {never, never, never}, {}};
  const HiddenShares shares = hidden_shares(Family::lognormal, {{}, {gap}}, std::log(0.2), 0, {});
  EXPECT_EQ(shares.shares[0], (HiddenWeights{1, 0, 0}));
  EXPECT_EQ(shares.log_mean, never);
}

// A gap that was joined part-way: the first of its two stadia outlasts the entry. Against the convolution.
TEST(HiddenTerm, LateEntryKeepsTheFirstStadiumPastIt) {
  const double eta = std::log(60.0), sigma = 0.25, step = 0.1, entry = 55;
  const boost::math::lognormal first(eta, sigma), second(eta + step, sigma);
  for (double t : {110.0, 130.0, 160.0}) {
    boost::math::quadrature::tanh_sinh<double> rule;
    const double dense = rule.integrate([&](double u) { return pdf(first, u) * pdf(second, t - u); }, entry, t, 1e-10) /
                         cdf(complement(first, entry));
    const double value = hidden_term(Family::lognormal, {t, t, 0, entry}, eta, std::log(sigma), 0, {never, 0, never},
                                     step, Truncation::conditional)
                             .value;
    EXPECT_NEAR(value, std::log(dense), 0.06) << t;  // the sum's own approximation leaves .02 to .04 there
  }
}

TEST(HiddenChances, AddUpToOne) {
  for (double p : {0.01, 0.3}) {
    double sum = 0;
    for (double chance : hidden_chances(p)) sum += std::exp(chance);
    EXPECT_NEAR(sum, 1, 1e-14);  // 1 - p + p (1 - p) + p^2
  }
}

// The branches of an unseen molt against dense convolution with one known predictor: weight and survival.
TEST(HiddenBranches, AreTheConvolution) {
  CollectionFit fit;
  fit.table.stadia.emplace_back();
  fit.table.stadia.back().animal = 0;
  fit.hidden.missed_chance = 0.1;
  fit.hidden.log_step = 0.2;
  fit.hidden.chances.assign(1, {1, 0, 0});
  const double eta = std::log(60.0), sigma = 0.2, elapsed = 100;
  const HiddenBranches hidden(fit, 0, {{1, eta, 0, sigma}}, elapsed - 1, 1);
  const boost::math::lognormal first(eta, sigma), second(eta + 0.2, sigma), third(eta + 0.4, sigma);
  const auto dense = [&](double total) {
    double one = 0, two = 0;
    const double step = 0.05;
    for (double u = step / 2; u < elapsed; u += step) one += step * pdf(first, u) * cdf(complement(second, total - u));
    const StadiaSum sum = sum_of_stadia(Family::lognormal, 2, std::log(sigma), 0.2);
    const boost::math::lognormal both(eta + sum.shift, sum.log_sd);
    for (double u = step / 2; u < elapsed; u += step) two += step * pdf(both, u) * cdf(complement(third, total - u));
    return (0.1 * one + 0.01 * two) / cdf(complement(first, elapsed));
  };
  EXPECT_NEAR(hidden.odds() / dense(elapsed), 1, 2e-3);  // 16 nodes over the moment of the unseen molt
  for (double x : {11.0, 31.0, 61.0}) {
    double sum = 0;
    for (const auto& branch : hidden.branches()) sum += branch.survival(x);
    EXPECT_NEAR(sum / hidden.odds(), dense(elapsed - 1 + x) / dense(elapsed), 2e-3) << x;
  }
}

// A stadium 80 sds beyond what its law allows, where no chance is left of any number of molts: weights stay finite. By
// hand: log S_1 / S_3 = -(z_1^2 - z_3^2) / 2 with z_1 = log(400 / 30) / .0316 = 81.9, z_3 = log(400 / 90) / .0200
// = 74.6 for the first point, 80.9 and 72.9 for the second: -572 and -610, so that the first has all of the weight.
TEST(CountHiddenOnce, FarBeyondTheLaw) {
  CollectionFit fit;
  fit.data.bounds.push_back({400, NAN, 0, 0});
  fit.data.hidden_log_weights.push_back(hidden_chances(0.05));
  std::vector<PredictiveComponent> points{{0.5, std::log(30.0), 1e-4, 0.03}, {0.5, std::log(31.0), 1e-4, 0.03}};
  count_hidden_once(fit, 0, 400, 1, points);
  EXPECT_NEAR(points[0].weight, 1, 1e-9);
  EXPECT_NEAR(points[1].weight, 0, 1e-9);
  // A point without weight, such as one that failed, does not set the scale: all of the weight stays with the other.
  std::vector<PredictiveComponent> failed{{0, std::log(20.0), 1e-4, 0.03}, {1, std::log(60.0), 1e-4, 0.03}};
  count_hidden_once(fit, 0, 400, 1, failed);
  EXPECT_EQ(failed[0].weight, 0);
  EXPECT_NEAR(failed[1].weight, 1, 1e-9);
}

}  // namespace
}  // namespace moltspan
