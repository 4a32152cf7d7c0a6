#include "moltspan/growth/lines.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "moltspan/numeric/philox.hpp"
#include "reference_csv.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::VectorXd;
using numeric::RandomStream;

const VectorXd& molts() {
  static const VectorXd values = reference_numbers("published_growth/mantids.csv").col(0);
  return values;
}
const VectorXd& mantids() {
  static const VectorXd values = reference_numbers("published_growth/mantids.csv").col(2);
  return values;
}

VectorXd counted(Index n) { return VectorXd::LinSpaced(n, 1, static_cast<double>(n)); }

std::vector<std::string> topics(const std::vector<HealthNote>& health) {
  std::vector<std::string> result;
  for (const HealthNote& note : health) result.push_back(note.topic);
  return result;
}

bool has(const std::vector<HealthNote>& health, const std::string& topic) {
  for (const HealthNote& note : health)
    if (note.topic == topic) return true;
  return false;
}

// Outside truth: published tables (tests/reference/published_growth). Digits as they were recomputed there with R: ten
// decimals, so 1e-9 relative.

TEST(DyarFit, MantidsOfPrzibramAndMegusar) {
  const DyarFit fit = dyar_fit(molts(), mantids());
  EXPECT_NEAR(fit.line.coefficients[0], 0.619855388, 1e-9);
  EXPECT_NEAR(fit.line.coefficients[1], 0.262035252, 1e-9);
  EXPECT_NEAR(fit.line.standard_error(0), 0.053582119, 1e-9);
  EXPECT_NEAR(fit.line.standard_error(1), 0.008635540, 1e-9);
  EXPECT_NEAR(fit.line.r_squared, 0.991386246, 1e-9);
  EXPECT_NEAR(fit.line.residual_sd, 0.078436190, 1e-9);
  EXPECT_NEAR(fit.ratio, 1.299572354, 1e-9);
  const LineBands next = predict_sizes(fit, VectorXd::Constant(1, 11), 0.95);
  EXPECT_NEAR(next.estimate[0], 33.18981847, 1e-8);
  EXPECT_NEAR(next.new_lower[0], 26.66078201, 1e-8);
  EXPECT_NEAR(next.new_upper[0], 41.31776966, 1e-8);
  EXPECT_NEAR(next.mean_lower[0], 29.33210263, 1e-8);
  EXPECT_NEAR(next.mean_upper[0], 37.55489554, 1e-8);
  EXPECT_TRUE(next.extrapolated[0]);
  EXPECT_NEAR(fit.quadratic, -0.008496939, 1e-9);
  EXPECT_NEAR(fit.quadratic_test.p_value, 0.001745863965, 1e-12);
  EXPECT_TRUE(has(fit.health, "curvature"));
  const double crosby[] = {-1.78, 4.49, -5.61, 3.67, -2.06, -2.91, -6.72, -5.29};  // printed to two decimals
  ASSERT_EQ(fit.crosby.rows.size(), 8u);
  for (std::size_t i = 0; i < 8; ++i) EXPECT_NEAR(fit.crosby.rows[i].percent, crosby[i], 0.005) << i;
  EXPECT_EQ(fit.crosby.beyond, 0);
  const double fitted[] = {2.4155, 3.1391, 4.0794, 5.3015, 6.8897, 8.9537, 11.6360, 15.1218, 19.6519, 25.5390};
  for (std::size_t i = 0; i < 10; ++i) EXPECT_NEAR(fit.checks[i].calculated_mm, fitted[i], 5e-5) << i;
}

struct Published {
  int column;
  double a, b, error_a, error_b, r_squared, sd, ratio;
};

TEST(DyarFit, MantidSkinsAndWeights) {
  const Eigen::MatrixXd table = reference_numbers("published_growth/mantids.csv");
  for (const Published& p :
       {Published{1, 0.370631297, 0.258920557, 0.046279413, 0.007085059, 0.994785874, 0.054880632, 1.295530880},
        Published{3, -10.478387817, 0.735711076, 0.134321791, 0.020563741, 0.994560999, 0.159286050, 2.086965456},
        Published{4, -6.287047640, 0.741051293, 0.150996811, 0.024335340, 0.991446623, 0.221036698, 2.098140115}}) {
    const Index first = p.column == 4 ? 0 : 1;  // no skin of the first molt
    const DyarFit fit = dyar_fit(molts().tail(10 - first), table.col(p.column).tail(10 - first));
    EXPECT_NEAR(fit.line.coefficients[0], p.a, 1e-9);
    EXPECT_NEAR(fit.line.coefficients[1], p.b, 1e-9);
    EXPECT_NEAR(fit.line.standard_error(0), p.error_a, 1e-9);
    EXPECT_NEAR(fit.line.standard_error(1), p.error_b, 1e-9);
    EXPECT_NEAR(fit.line.r_squared, p.r_squared, 1e-9);
    EXPECT_NEAR(fit.line.residual_sd, p.sd, 1e-9);
    EXPECT_NEAR(fit.ratio, p.ratio, 1e-9);
  }
}

TEST(DyarFit, WolfSpiderDoesNotCryWolf) {
  const Eigen::MatrixXd table = reference_numbers("published_growth/wolf_spider.csv");
  const DyarFit fit = dyar_fit(table.col(0), table.col(2));
  EXPECT_NEAR(fit.line.coefficients[0], -0.391376780, 1e-9);
  EXPECT_NEAR(fit.line.standard_error(0), 0.089312811, 1e-9);
  EXPECT_NEAR(fit.line.coefficients[1], 0.199234685, 1e-9);
  EXPECT_NEAR(fit.line.standard_error(1), 0.013168456, 1e-9);
  EXPECT_NEAR(fit.line.r_squared, 0.962170187, 1e-9);
  EXPECT_NEAR(fit.line.residual_sd, 0.138111928, 1e-9);
  EXPECT_NEAR(fit.ratio, 1.220468358, 1e-9);
  EXPECT_NEAR(fit.quadratic, -0.01220042, 5e-9);
  EXPECT_NEAR(fit.quadratic_test.p_value, 0.00131979, 5e-9);
  const LineBands next = predict_sizes(fit, VectorXd::Constant(1, 12), 0.95);
  EXPECT_NEAR(next.estimate[0], 7.384915, 5e-7);  // exp(a + 12 b) of the digits above
  EXPECT_NEAR(next.new_lower[0], 5.090487, 5e-7);
  EXPECT_NEAR(next.new_upper[0], 10.713508, 5e-7);
  const double crosby[] = {-11.04, -6.33, -12.84, 8.68, -1.00, -6.02, -4.19, 5.34, 7.84};
  for (std::size_t i = 0; i < 9; ++i) EXPECT_NEAR(fit.crosby.rows[i].percent, crosby[i], 0.005) << i;
  // Two beyond 10 % though none is missing: scatter alone puts more than two there, by either reckoning.
  EXPECT_EQ(fit.crosby.beyond, 2);
  EXPECT_GT(fit.crosby.expected_beyond, 2);
  EXPECT_GT(fit.crosby.expected_beyond_typical, 2);
  EXPECT_TRUE(fit.crosby.rows[0].look);
  EXPECT_FALSE(has(fit.health, "crosby"));
  const DyarFit durations = dyar_fit(table.col(0), table.col(1));
  EXPECT_NEAR(durations.line.coefficients[0], 3.042887018, 1e-9);
  EXPECT_NEAR(durations.line.coefficients[1], 0.047017012, 1e-9);
  EXPECT_NEAR(durations.line.r_squared, 0.852252115, 1e-9);
}

TEST(DyarFit, Scorpions) {
  const Eigen::MatrixXd table = reference_numbers("published_growth/scorpion.csv");
  const DyarFit females = dyar_fit(table.col(0), table.col(1)), males = dyar_fit(table.col(0), table.col(2));
  EXPECT_NEAR(females.line.coefficients[0], 0.308207538, 1e-9);
  EXPECT_NEAR(females.line.coefficients[1], 0.261479799, 1e-9);
  EXPECT_NEAR(females.line.standard_error(1), 0.007321629, 1e-9);
  EXPECT_NEAR(females.line.r_squared, 0.996873638, 1e-9);
  EXPECT_NEAR(females.ratio, 1.298850703, 1e-9);
  EXPECT_NEAR(females.quadratic_test.p_value, 0.0369, 5e-5);
  EXPECT_NEAR(males.line.coefficients[1], 0.265612569, 1e-9);
  EXPECT_NEAR(males.line.standard_error(1), 0.007639729, 1e-9);
  EXPECT_NEAR(males.line.r_squared, 0.996701747, 1e-9);
}

struct Series {
  VectorXd sizes_mm;
  double b, error, r_squared, ratio;
  std::vector<double> crosby;
};

TEST(DyarFit, SmallPublishedSeries) {
  const Series series[] = {
      {VectorXd{{0.35, 0.57, 0.87, 1.29, 1.89, 2.80}},
       0.411062835,
       0.009156947,
       0.998019003,
       1.508420136,
       {-6.28, -2.85, -1.19, 1.12}},
      {VectorXd{{0.33, 0.50, 0.82, 1.18, 1.55}},
       0.395249673,
       0.023216622,
       0.989755186,
       1.484754848,
       {8.24, -12.25, -8.72}},
      {VectorXd{{0.278, 0.463, 0.740, 0.980}}, 0.424871751, 0.037698324, 0.984498510, 1.529394263, {-4.03, -17.14}},
      {VectorXd{{0.26, 0.47, 0.86, 1.36}}, 0.556787474, 0.023917928, 0.996322960, 1.745057443, {1.22, -13.57}},
      {VectorXd{{0.197, 0.270, 0.363}}, 0.305599553, 0.005553346, 0.999669889, 1.357438615, {-1.91}}};
  for (const Series& s : series) {
    const DyarFit fit = dyar_fit(counted(s.sizes_mm.size()), s.sizes_mm);
    EXPECT_NEAR(fit.line.coefficients[1], s.b, 1e-9);
    EXPECT_NEAR(fit.line.standard_error(1), s.error, 1e-9);
    EXPECT_NEAR(fit.line.r_squared, s.r_squared, 1e-9);
    EXPECT_NEAR(fit.ratio, s.ratio, 1e-9);
    ASSERT_EQ(fit.crosby.rows.size(), s.crosby.size());
    for (std::size_t i = 0; i < s.crosby.size(); ++i) EXPECT_NEAR(fit.crosby.rows[i].percent, s.crosby[i], 0.005);
  }
}

// Outside truth: R 4.2.2 (tests/reference/growth_lines/lines.R); both are exact formulas, so rounding alone parts them.

TEST(DyarFit, BandsAndWeightsAsTheReferenceSoftware) {
  const ReferenceAnswers r("growth_lines/lines.csv");
  const DyarFit fit = dyar_fit(molts(), mantids());
  const LineBands bands = predict_sizes(fit, VectorXd{{3, 11}}, 0.9);
  for (Index i = 0; i < 2; ++i) {
    const std::string at = std::to_string(i + 1);
    EXPECT_NEAR(bands.mean_lower[i] / r["confidence" + at + "_lower"], 1, 1e-12);
    EXPECT_NEAR(bands.mean_upper[i] / r["confidence" + at + "_upper"], 1, 1e-12);
    EXPECT_NEAR(bands.new_lower[i] / r["prediction" + at + "_lower"], 1, 1e-12);
    EXPECT_NEAR(bands.new_upper[i] / r["prediction" + at + "_upper"], 1, 1e-12);
    EXPECT_NEAR(bands.simultaneous_lower[i] / r["simultaneous" + at + "_lower"], 1, 1e-12);
    EXPECT_NEAR(bands.simultaneous_upper[i] / r["simultaneous" + at + "_upper"], 1, 1e-12);
  }
  const LineInterval ratio = growth_ratio(fit, 0.95);
  EXPECT_NEAR(ratio.lower / r["ratio_lower"], 1, 1e-12);
  EXPECT_NEAR(ratio.upper / r["ratio_upper"], 1, 1e-12);
  const LineTest przibram = test_ratio(fit, przibram_ratio);
  EXPECT_NEAR(przibram.statistic / r["przibram_t"], 1, 1e-11);
  EXPECT_NEAR(przibram.p_value / r["przibram_p"], 1, 1e-11);
  const DyarFit weighted = dyar_fit(molts(), mantids(), VectorXd{{10, 10, 10, 10, 10, 36, 32, 28, 21, 9}});
  EXPECT_NEAR(weighted.line.coefficients[0] / r["weighted_a"], 1, 1e-12);
  EXPECT_NEAR(weighted.line.coefficients[1] / r["weighted_b"], 1, 1e-12);
  EXPECT_NEAR(weighted.line.standard_error(1) / r["weighted_se_b"], 1, 1e-12);
  EXPECT_NEAR(weighted.line.residual_sd / r["weighted_sd"], 1, 1e-12);
  EXPECT_NEAR(weighted.line.r_squared / r["weighted_r2"], 1, 1e-12);
  EXPECT_NEAR(weighted.quadratic_test.p_value / r["weighted_quadratic_p"], 1, 1e-11);
}

TEST(DyarAnimals, PooledSlopeAsTheReferenceSoftware) {
  const ReferenceAnswers r("growth_lines/lines.csv");
  VectorXd instars(19), sizes(19);
  instars << molts(), molts().tail(9);
  sizes << mantids(), reference_numbers("published_growth/mantids.csv").col(1).tail(9);
  std::vector<int> series(19, 0);
  std::fill(series.begin() + 10, series.end(), 1);
  const PooledDyar pooled = dyar_fit_animals(instars, sizes, series).pooled;
  EXPECT_NEAR(pooled.slope / r["pooled_slope"], 1, 1e-12);
  EXPECT_NEAR(pooled.slope_error / r["pooled_se"], 1, 1e-12);
  EXPECT_NEAR(pooled.residual_sd / r["pooled_sd"], 1, 1e-12);
  EXPECT_NEAR(pooled.intercepts[0] / r["pooled_animal"], 1, 1e-12);
  EXPECT_NEAR(pooled.intercepts[1] / r["pooled_skin"], 1, 1e-12);
  EXPECT_NEAR(pooled.equal_slopes.statistic / r["slopes_F"], 1,
              1e-10);  // a difference of sums of squares: two digits go
  EXPECT_NEAR(pooled.equal_slopes.p_value / r["slopes_p"], 1, 1e-10);
  EXPECT_EQ(pooled.residual_df, 16);
}

TEST(MoltsToReach, HerricksLobsters) {
  const MoltCount count = molts_to_reach(266.7, 7.84, 1.153);
  EXPECT_NEAR(count.exact, 24.773154027, 1e-9);
  EXPECT_EQ(count.molts, 25);
}

// Francke & Sissom 1984 (J. Arachnol. 12:1): molts to maturity at 1.26 a molt, n = log(adult / start) / log 1.26.
TEST(MoltsToReach, ScorpionsAtAFixedFactor) {
  EXPECT_NEAR(molts_to_reach(8.16, 2.25, 1.26).exact, std::log(8.16 / 2.25) / std::log(1.26), 1e-14);
}

// By hand.

TEST(MoltsToReach, WholeNumbersByHand) {
  EXPECT_EQ(molts_to_reach(8, 1, 2).exact, 3);
  EXPECT_EQ(molts_to_reach(8, 1, 2).molts, 3);
  EXPECT_EQ(molts_to_reach(1.331, 1, 1.1).molts, 3);  // 1.1^3, though not in binary
  EXPECT_EQ(molts_to_reach(8.01, 1, 2).molts, 4);
  EXPECT_EQ(molts_to_reach(5, 5, 1.3).molts, 0);
  EXPECT_EQ(molts_to_reach(4, 5, 1.3).molts, 0);
  EXPECT_TRUE(std::isinf(molts_to_reach(6, 5, 1).molts));
  EXPECT_THROW(molts_to_reach(6, 0, 1.3), std::invalid_argument);
}

TEST(DyarFit, DoublingSizesByHand) {
  const DyarFit fit = dyar_fit(VectorXd{{3, 4, 6, 7}}, VectorXd{{1, 2, 8, 16}});  // instar 5 was not measured
  EXPECT_NEAR(fit.ratio, 2, 1e-14);
  EXPECT_NEAR(predict_sizes(fit, VectorXd{{5.0}}, 0.9).estimate[0], 4, 1e-13);
  EXPECT_FALSE(predict_sizes(fit, VectorXd{{5.0}}, 0.9).extrapolated[0]);
  for (const CrosbyRow& row : fit.crosby.rows) {
    EXPECT_NEAR(row.ratio_before, 2, 1e-13);  // the gap counts as two molts
    EXPECT_NEAR(row.percent, 0, 1e-11);
  }
  EXPECT_EQ(topics(fit.health), std::vector<std::string>{"exact_line"});
  const MoltCount count = molts_to_reach(fit, 100);
  EXPECT_EQ(count.start_mm, std::exp(std::log(16.0)));
  EXPECT_EQ(count.molts, 3);  // 32, 64, 128
}

TEST(DyarFit, SkippedInstarIsToLookAtThoughItSwellsTheScatterOfTheLine) {
  // Ratio 1.3 with 1 % up and down; instar 5 was skipped, so that the later ones are counted one too low.
  VectorXd sizes(9);
  for (Index i = 0; i < 9; ++i) {
    const double instar = static_cast<double>(i < 4 ? i : i + 1);
    sizes[i] = std::pow(1.3, instar) * (i % 2 == 0 ? 1.01 : 1 / 1.01);
  }
  const CrosbyCheck check = dyar_fit(counted(9), sizes).crosby;
  EXPECT_EQ(check.beyond, 2);
  EXPECT_TRUE(check.rows[2].look && check.rows[3].look);
  EXPECT_LT(check.expected_beyond_typical, 2);
}

TEST(DyarFit, DifferencesOfOneAndTwoTenthsOfAMillimeter) {
  using State = SizeCheck::State;
  for (const auto& [difference, state] : {std::pair{0.09, State::agrees},
                                          {0.11, State::note},
                                          {0.19, State::note},
                                          {0.21, State::warn},
                                          {-0.21, State::warn}}) {
    // The weight of the fourth row is next to nothing: the line is that of the doublings, 8 at the fourth instar.
    const DyarFit fit = dyar_fit(counted(4), VectorXd{{1, 2, 4, 8 + difference}}, VectorXd{{1, 1, 1, 1e-9}});
    EXPECT_NEAR(fit.checks[3].difference_mm, difference, 1e-7);
    EXPECT_EQ(fit.checks[3].state, state) << difference;
  }
}

TEST(DyarFit, WeakDataGetsAnAnswer) {
  const DyarFit two = dyar_fit(VectorXd{{1, 2}}, VectorXd{{1, 1.5}});
  EXPECT_NEAR(two.ratio, 1.5, 1e-14);
  EXPECT_TRUE(std::isnan(growth_ratio(two, 0.9).lower));
  EXPECT_TRUE(std::isnan(predict_sizes(two, VectorXd{{3.0}}, 0.9).new_lower[0]));
  EXPECT_NEAR(predict_sizes(two, VectorXd{{3.0}}, 0.9).estimate[0], 2.25, 1e-13);
  EXPECT_EQ(topics(two.health), std::vector<std::string>{"no_scatter"});
  const DyarFit same = dyar_fit(VectorXd{{2, 2, 2}}, VectorXd{{1, 1.5, 2}});
  EXPECT_TRUE(std::isnan(same.ratio));
  EXPECT_EQ(topics(same.health), std::vector<std::string>{"one_instar"});
  EXPECT_THROW(molts_to_reach(same, 5), std::invalid_argument);
  EXPECT_EQ(topics(dyar_fit(VectorXd{{2.0}}, VectorXd{{1.0}}).health), std::vector<std::string>{"one_instar"});
  EXPECT_TRUE(has(dyar_fit(counted(4), VectorXd{{4, 3.1, 2, 1.4}}).health, "no_growth"));
}

TEST(DyarFit, FaultyRowsAreNamed) {
  const auto message = [](const VectorXd& instars, const VectorXd& sizes, const VectorXd& weights) -> std::string {
    try {
      dyar_fit(instars, sizes, weights);
      return "";
    } catch (const std::invalid_argument& trouble) {
      return trouble.what();
    }
  };
  const VectorXd good{{1, 2, 3}};
  for (const double bad : {0.0, -1.0, std::nan(""), HUGE_VAL})
    EXPECT_NE(message(good, VectorXd{{1, bad, 2}}, {}).find("row 1, size"), std::string::npos) << bad;
  EXPECT_NE(message(VectorXd{{1, 2, std::nan("")}}, good, {}).find("row 2, instar"), std::string::npos);
  EXPECT_NE(message(good, good, VectorXd{{1, 1, -1}}).find("row 2, weight"), std::string::npos);
  EXPECT_NE(message(good, good, VectorXd::Zero(3)), "");
  EXPECT_NE(message(good, VectorXd{{1, 2}}, {}), "");
  EXPECT_NE(message({}, {}, {}), "");
  EXPECT_THROW(predict_sizes(dyar_fit(good, good), good, 1), std::invalid_argument);
  EXPECT_THROW(test_ratio(dyar_fit(good, good), 0), std::invalid_argument);
}

// Laws.

TEST(DyarFit, OrderOfRowsAndUnitDoNotMatter) {
  const DyarFit mm = dyar_fit(molts(), mantids());
  const DyarFit reversed = dyar_fit(molts().reverse(), mantids().reverse());
  const DyarFit inch = dyar_fit(molts(), mantids() / 25.4);
  const LineBands bands_mm = predict_sizes(mm, VectorXd{{4.0}}, 0.9),
                  bands_inch = predict_sizes(inch, VectorXd{{4.0}}, 0.9);
  EXPECT_NEAR(reversed.ratio, mm.ratio, 1e-13);
  EXPECT_NEAR(reversed.line.residual_sd, mm.line.residual_sd, 1e-14);
  EXPECT_NEAR(inch.ratio, mm.ratio, 1e-13);
  EXPECT_NEAR(inch.line.coefficients[0], mm.line.coefficients[0] - std::log(25.4), 1e-13);
  EXPECT_NEAR(inch.quadratic_test.p_value, mm.quadratic_test.p_value, 1e-12);
  EXPECT_NEAR(bands_inch.new_upper[0] * 25.4, bands_mm.new_upper[0], 1e-11);
  for (std::size_t i = 0; i < 8; ++i) EXPECT_NEAR(reversed.crosby.rows[i].percent, mm.crosby.rows[i].percent, 1e-11);
}

TEST(DyarFit, WeightsAreReplicatedRows) {
  const DyarFit weighted = dyar_fit(counted(4), VectorXd{{1, 1.4, 1.7, 2.5}}, VectorXd{{1, 2, 1, 1}});
  const DyarFit replicated = dyar_fit(VectorXd{{1, 2, 2, 3, 4}}, VectorXd{{1, 1.4, 1.4, 1.7, 2.5}});
  EXPECT_NEAR(weighted.ratio, replicated.ratio, 1e-14);
  EXPECT_NEAR(weighted.quadratic, replicated.quadratic, 1e-14);
  for (std::size_t i = 0; i < 2; ++i)
    EXPECT_NEAR(weighted.crosby.rows[i].percent, replicated.crosby.rows[i].percent, 1e-12);
  const DyarFit without = dyar_fit(VectorXd{{1, 2, 3}}, VectorXd{{1, 1.4, 1.7}});
  const DyarFit weightless = dyar_fit(counted(4), VectorXd{{1, 1.4, 1.7, 2.5}}, VectorXd{{1, 1, 1, 0}});
  EXPECT_NEAR(weightless.ratio, without.ratio, 1e-14);
  EXPECT_EQ(weightless.line.residual_df, 1);
  EXPECT_TRUE(has(weightless.health, "weight_0"));
}

TEST(DyarAnimals, RenamedAnimalsAndOneAnimal) {
  const VectorXd instars{{1, 2, 3, 1, 2, 3, 4}}, sizes{{1, 1.3, 1.6, 1.1, 1.5, 1.9, 2.3}};
  const DyarAnimals first = dyar_fit_animals(instars, sizes, {0, 0, 0, 1, 1, 1, 1});
  const DyarAnimals renamed = dyar_fit_animals(instars, sizes, {1, 1, 1, 0, 0, 0, 0});
  EXPECT_NEAR(first.pooled.ratio, renamed.pooled.ratio, 1e-14);
  EXPECT_NEAR(first.pooled.residual_sd, renamed.pooled.residual_sd, 1e-14);
  EXPECT_NEAR(first.pooled.intercepts[0], renamed.pooled.intercepts[1], 1e-14);
  EXPECT_EQ(first.animals[1].ratio, renamed.animals[0].ratio);
  EXPECT_EQ(first.animals[0].ratio, dyar_fit(instars.head(3), sizes.head(3)).ratio);
  const DyarAnimals alone = dyar_fit_animals(molts(), mantids(), std::vector<int>(10, 0));
  EXPECT_NEAR(alone.pooled.ratio, alone.animals[0].ratio, 1e-14);
  EXPECT_NEAR(growth_ratio(alone.pooled, 0.9).upper, growth_ratio(alone.animals[0], 0.9).upper, 1e-13);
  EXPECT_TRUE(std::isnan(alone.pooled.equal_slopes.p_value));
}

TEST(DyarAnimals, WeakAnimalsAreSaid) {
  const DyarAnimals fit = dyar_fit_animals(VectorXd{{1, 2, 3, 5}}, VectorXd{{1, 1.3, 1.6, 4}}, {0, 0, 0, 1});
  EXPECT_TRUE(has(fit.animals[1].health, "one_instar"));
  EXPECT_TRUE(has(fit.pooled.health, "one_instar"));
  EXPECT_NEAR(fit.pooled.ratio, fit.animals[0].ratio, 1e-14);
  EXPECT_NEAR(fit.pooled.residual_sd, fit.animals[0].line.residual_sd, 1e-14);
  const DyarAnimals none = dyar_fit_animals(VectorXd{{1, 2}}, VectorXd{{1, 1.3}}, {0, 1});
  EXPECT_TRUE(std::isnan(none.pooled.ratio));
  EXPECT_EQ(none.pooled.health[0].state, HealthState::bad);
  EXPECT_THROW(dyar_fit_animals(VectorXd{{1, 2}}, VectorXd{{1, 1.3}}, {0, -1}), std::invalid_argument);
}

/// Binomial error of a coverage of 90 % in n trials, four of them: a right law fails once in 15,000 seeds.
double coverage_slack(int n) { return 4 * std::sqrt(0.9 * 0.1 / n); }

// 2,000 series of five sizes: every band covers at its level; the t and F laws are exact, so any seed must do.
TEST(DyarFit, BandsCoverAtTheirLevel) {
  constexpr int n = 2000;
  int ratios = 0, means = 0, nexts = 0, everywhere = 0;
  const VectorXd instars = counted(5), places = VectorXd::LinSpaced(401, -100, 106);
  for (std::uint32_t repeat = 0; repeat < n; ++repeat) {
    RandomStream random(20261125, {1, 0, repeat});
    VectorXd sizes(5);
    for (Index i = 0; i < 5; ++i) sizes[i] = std::exp(0.5 + 0.25 * instars[i] + 0.1 * random.normal());
    const DyarFit fit = dyar_fit(instars, sizes);
    const LineInterval ratio = growth_ratio(fit, 0.9);
    ratios += ratio.lower < std::exp(0.25) && std::exp(0.25) < ratio.upper;
    const LineBands at = predict_sizes(fit, VectorXd{{7.0}}, 0.9), all = predict_sizes(fit, places, 0.9);
    const double mean = std::exp(0.5 + 0.25 * 7), next = mean * std::exp(0.1 * random.normal());
    means += at.mean_lower[0] < mean && mean < at.mean_upper[0];
    nexts += at.new_lower[0] < next && next < at.new_upper[0];
    const Eigen::ArrayXd truth = (0.5 + 0.25 * places.array()).exp();
    everywhere += (all.simultaneous_lower.array() < truth).all() && (truth < all.simultaneous_upper.array()).all();
  }
  EXPECT_NEAR(ratios / double{n}, 0.9, coverage_slack(n));
  EXPECT_NEAR(means / double{n}, 0.9, coverage_slack(n));
  EXPECT_NEAR(nexts / double{n}, 0.9, coverage_slack(n));
  EXPECT_NEAR(everywhere / double{n}, 0.9, coverage_slack(n));
}

}  // namespace
}  // namespace moltspan
