#include "growth/adult.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "growth/latent_share.hpp"

namespace moltspan {
namespace {

const Prior usual_ratio{Prior::Kind::normal, std::log(1.3), 0.12};

AdultAnimal female_of(double adult_mm, double log_sd) {
  AdultAnimal animal;
  animal.sex = 1;
  animal.log_size = std::log(adult_mm / 20);
  animal.log_sd = log_sd;
  return animal;
}

/// One measure, one animal a list of leg spans, one reading an instar.
GrowthData readings_of(const std::vector<std::vector<double>>& animals) {
  GrowthData data;
  data.measures.push_back({"leg_span", 0.03, 0.35, 0});
  for (std::size_t i = 0; i < animals.size(); ++i) {
    GrowthAnimal animal;
    animal.molts.assign(animals[i].size() - 1, 1.0);
    data.animals.push_back(animal);
    for (std::size_t k = 0; k < animals[i].size(); ++k) {
      GrowthReading reading;
      reading.animal = static_cast<int>(i);
      reading.instar = static_cast<int>(k);
      reading.log_value = std::log(animals[i][k] / 20);
      data.readings.push_back(reading);
    }
  }
  data.columns.resize(static_cast<Eigen::Index>(data.readings.size()), 0);
  return data;
}

double mean_adult_mm(const std::vector<AdultNode>& nodes) {
  double sum = 0;
  for (const AdultNode& node : nodes) sum += node.weight * node.log_adult;
  return 20 * std::exp(sum);
}

double sd_of(const std::vector<AdultNode>& nodes) {
  double mean = 0, square = 0;
  for (const AdultNode& node : nodes) {
    mean += node.weight * node.log_adult;
    square += node.weight * node.log_adult * node.log_adult;
  }
  return std::sqrt(square - mean * mean);
}

TEST(GrowthAdult, SharesFallFromOneToNextToNothing) {
  for (double steepness : {0.5, 1.0, 2.0, 4.0, 8.0, 16.0}) {
    const AdultNode node{1, std::log(7), std::log(7), steepness, 0, 0};
    double before = 1.01;
    for (double size = 0.02; size < 14; size *= 1.05) {
      const double share = growth_share(node, std::log(size));
      EXPECT_GT(share, 0);
      EXPECT_LE(share, before);  // steep ones are 1 to the last digit far below
      before = share;
    }
    EXPECT_GT(growth_share(node, std::log(0.07)), steepness < 1 ? 0.89 : 0.98);  // 1 - .01^.5 = .9
    EXPECT_NEAR(growth_share(node, std::log(7)), 0.04, 0.002);  // half the corner, by hand: .08 / (1 + sqrt(1.0064))
    // No cliff: a tenth on either side of the limit moves the share by less than a tenth for each unit of steepness.
    EXPECT_LT(growth_share(node, std::log(7) - 0.01) - growth_share(node, std::log(7) + 0.01), 0.011 * steepness + 0.001);
  }
}

TEST(GrowthAdult, WhatIsSaidOfAnAnimalComesBackWithItsSpread) {
  const auto nodes = adult_nodes_of(female_of(140, 0.13));
  double weight = 0;
  for (const AdultNode& node : nodes) weight += node.weight;
  EXPECT_NEAR(weight, 1, 1e-9);
  EXPECT_NEAR(mean_adult_mm(nodes), 140, 2);
  // .13 of the kind, as Student's t with 4 degrees of freedom sqrt(2) times that, .10 of the sex, .09 of the animal:
  // .23; the few nodes lose some of it.
  EXPECT_NEAR(sd_of(nodes), 0.23, 0.05);
}

TEST(GrowthAdult, GrowthThatHasEndedIsSeenInTheReadings) {
  std::vector<std::vector<double>> grown, growing;
  for (double scale : {1.0, 1.05, 0.96, 1.02}) {
    grown.push_back({60 * scale, 78 * scale, 92 * scale, 99 * scale, 100 * scale, 100 * scale, 101 * scale});
    growing.push_back({20 * scale, 26 * scale, 33.8 * scale, 43.9 * scale, 57 * scale, 74.3 * scale, 96.5 * scale});
  }
  const std::vector<AdultAnimal> kind(4, female_of(180, 0.6));
  const AdultSizes ended = fit_adult_sizes(readings_of(grown), kind, usual_ratio),
                   not_yet = fit_adult_sizes(readings_of(growing), kind, usual_ratio);
  EXPECT_NEAR(mean_adult_mm(ended.nodes[0]), 103, 10);
  EXPECT_LT(mean_growth_share(ended.nodes[0], std::log(101.0 / 20)), 0.25);
  EXPECT_GT(mean_adult_mm(not_yet.nodes[0]), 130);
  EXPECT_GT(mean_growth_share(not_yet.nodes[0], std::log(96.5 / 20)), 0.6);
  EXPECT_LT(ended.slowing[0].back(), 0.2);
  EXPECT_GT(ended.slowing[0].front(), 0.6);
}

TEST(GrowthAdult, SlingsLearnNothingAndLoseNothing) {
  const std::vector<std::vector<double>> slings{{5, 6.5, 8.5}, {5.2, 6.7, 8.8}, {4.9, 6.4, 8.2}};
  const std::vector<AdultAnimal> kind(3, female_of(140, 0.13));
  const AdultSizes found = fit_adult_sizes(readings_of(slings), kind, usual_ratio);
  EXPECT_NEAR(mean_adult_mm(found.nodes[0]), 140, 10);
  for (double share : found.slowing[0]) EXPECT_GT(share, 0.9);
}

TEST(GrowthAdult, MaturityOfKinTellsOfTheAdultSize) {
  const std::vector<std::vector<double>> sizes{{70, 90, 100}, {72, 93, 98}, {71, 90, 103}, {30, 39, 50}};
  std::vector<AdultAnimal> kind(4, female_of(200, 0.6));
  const double before = mean_adult_mm(fit_adult_sizes(readings_of(sizes), kind, usual_ratio).nodes[3]);
  for (int i = 0; i < 3; ++i) kind[static_cast<std::size_t>(i)].matured_instar = 2;
  const double after = mean_adult_mm(fit_adult_sizes(readings_of(sizes), kind, usual_ratio).nodes[3]);
  EXPECT_LT(after, before);
  EXPECT_NEAR(after, 105, 20);
}

TEST(GrowthAdult, TheScaleOfSizesDoesNotMatter) {
  const std::vector<std::vector<double>> mm{{60, 78, 92, 99, 100}, {62, 80, 95, 99, 104}};
  std::vector<std::vector<double>> other = mm;
  for (auto& animal : other)
    for (double& size : animal) size *= 3;
  const AdultSizes a = fit_adult_sizes(readings_of(mm), {2, female_of(110, 0.3)}, usual_ratio),
                   b = fit_adult_sizes(readings_of(other), {2, female_of(330, 0.3)}, usual_ratio);
  ASSERT_EQ(a.nodes[0].size(), b.nodes[0].size());
  EXPECT_NEAR(3 * mean_adult_mm(a.nodes[0]), mean_adult_mm(b.nodes[0]), 1e-6);
  for (std::size_t k = 0; k < a.slowing[0].size(); ++k) EXPECT_NEAR(a.slowing[0][k], b.slowing[0][k], 1e-9);
}

TEST(GrowthAdult, AMoltVariesByAShareOfWhatItAdds) {
  // Steps that differ by a percentage of themselves: half the share, half the sd, a quarter of the variance.
  EXPECT_NEAR(spread_share(1), 1, 1e-12);
  EXPECT_NEAR(spread_share(0.5), 0.25, 0.02);
  EXPECT_NEAR(spread_share(0.2), 0.04, 0.02);
  EXPECT_GT(spread_share(0.001), 0);
}

/// Sizes in the instars of the mayfly Cloeon dipterum (Gupta et al. 1993, Aquatic Insects; ratios 1.43 to 1.02), times a scale.
std::vector<double> mayfly(double scale, std::size_t instars) {
  std::vector<double> sizes{10 * scale};
  for (double ratio : {1.43, 1.53, 1.37, 1.26, 1.17, 1.13, 1.12, 1.11, 1.08, 1.0, 1.02})
    if (sizes.size() < instars) sizes.push_back(sizes.back() * ratio);
  return sizes;
}

double weight_up_to(const std::vector<AdultNode>& nodes, double steepness) {
  double sum = 0;
  for (const AdultNode& node : nodes) sum += node.steepness <= steepness ? node.weight : 0;
  return sum;
}

TEST(GrowthAdult, ARatioThatFallsFromHatchingOnIsAFormOfItsOwn) {
  std::vector<std::vector<double>> sizes;
  for (double scale : {1.0, 1.1, 0.95, 1.04}) sizes.push_back(mayfly(scale, 12));
  const AdultSizes found = fit_adult_sizes(readings_of(sizes), std::vector<AdultAnimal>(4, female_of(110, 0.6)), usual_ratio);
  EXPECT_GT(weight_up_to(found.nodes[0], 0.6), 0.4);
  EXPECT_LT(found.slowing[0][3], 0.75 * found.slowing[0][0]);
}

TEST(GrowthAdult, ReadingsThatAgreeSayWhereGrowthEndsMoreSharply) {
  std::vector<std::vector<double>> smooth, rough;
  for (double scale : {1.0, 1.05, 0.97, 1.02}) {
    smooth.push_back(mayfly(scale, 10));
    rough.push_back(smooth.back());
    for (std::size_t k = 0; k < rough.back().size(); ++k) rough.back()[k] *= k % 2 == 0 ? 1.09 : 0.92;
  }
  const std::vector<AdultAnimal> kind(4, female_of(120, 0.6));
  const double sharp = sd_of(fit_adult_sizes(readings_of(smooth), kind, usual_ratio).nodes[0]),
               vague = sd_of(fit_adult_sizes(readings_of(rough), kind, usual_ratio).nodes[0]);
  EXPECT_LT(sharp, 0.85 * vague);
}

TEST(GrowthAdult, KindsOfOneCollectionLearnTheFormFromEachOther) {
  std::vector<std::vector<double>> sizes;
  std::vector<AdultAnimal> animals;
  for (int kind = 0; kind < 6; ++kind)
    for (double scale : {1.0, 1.06, 0.96}) {
      sizes.push_back(mayfly(scale, kind == 0 ? 2 : 12));
      animals.push_back(female_of(110, 0.6));
      animals.back().kind = kind;
    }
  const double among_others = weight_up_to(fit_adult_sizes(readings_of(sizes), animals, usual_ratio).nodes[0], 1);
  sizes.resize(3);
  animals.resize(3);
  const double alone = weight_up_to(fit_adult_sizes(readings_of(sizes), animals, usual_ratio).nodes[0], 1);
  EXPECT_GT(among_others, alone + 0.2);
}

TEST(GrowthAdult, SizesAheadAreThoseOfSimulatedMolts) {
  // Against draws of the walk itself, the size and the ratio known: the line through three points stands for the curve.
  const AdultNode node{1, std::log(7), std::log(7), 4, 0, 0};
  std::mt19937_64 generator{20260713};
  std::normal_distribution<double> normal;
  constexpr int n = 40000;
  const double g = 0.25, molt_sd = 0.05, now = std::log(4.5), now_sd = 0.05;
  double sum = 0, square = 0;
  for (int i = 0; i < n; ++i) {
    double x = now + now_sd * normal(generator);
    for (int k = 0; k < 3; ++k) {
      const double share = growth_share(node, x);
      x += share * g + molt_sd * std::sqrt(spread_share(share)) * normal(generator);
    }
    sum += x;
    square += x * x;
  }
  SizeCourse course{now, now_sd * now_sd, 0};
  for (int k = 0; k < 3; ++k) course.variance += molt_sd * molt_sd * course.molt(node, g, 0, 0);
  const double mean = sum / n, sd = std::sqrt(square / n - mean * mean);
  EXPECT_NEAR(course.mean, mean, 0.005);  // 3 standard errors of the mean are .0006; the rest is the line
  EXPECT_NEAR(std::sqrt(course.variance), sd, 0.006);
}

}  // namespace
}  // namespace moltspan
