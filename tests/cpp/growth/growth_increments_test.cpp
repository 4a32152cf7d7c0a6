#include <gtest/gtest.h>

#include <cmath>
#include <stdexcept>

#include "moltspan/growth/lines.hpp"
#include "moltspan/numeric/philox.hpp"
#include "reference_csv.hpp"

// Size after a molt on size before it, and paths along molts: the second half of growth/lines.hpp.
namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::VectorXd;
using numeric::RandomStream;
using Kind = InverseInterval::Kind;

struct Molts {
  VectorXd pre, post;
};

Molts mantids() {
  const VectorXd sizes = reference_numbers("published_growth/mantids.csv").col(2);
  return {sizes.head(9), sizes.tail(9)};
}

/// Invented, no animal's; tests/reference/growth_lines/lines.R holds the same.
Molts bent_molts() {
  return {VectorXd::LinSpaced(12, 10, 120),
          VectorXd{{13.9, 26.2, 37.4, 51.0, 62.3, 75.1, 86.2, 98.9, 107.4, 116.3, 127.8, 136.4}}};
}

IncrementOptions form(IncrementForm form) { return {form, IncrementLoss::squares}; }

bool has(const std::vector<HealthNote>& health, const std::string& topic) {
  for (const HealthNote& note : health)
    if (note.topic == topic) return true;
  return false;
}

// Outside truth: published lines (tests/reference/published_growth), digits as recomputed there.

TEST(IncrementFit, HiattLineOfTheMantids) {
  const IncrementFit fit = increment_fit(mantids().pre, mantids().post);
  EXPECT_NEAR(fit.coefficients[0], 1.046153388, 1e-9);
  EXPECT_NEAR(fit.standard_error(0), 0.414434816, 1e-9);
  EXPECT_NEAR(fit.coefficients[1], 1.128240556, 1e-9);
  EXPECT_NEAR(fit.standard_error(1), 0.039293270, 1e-9);
  EXPECT_NEAR(fit.r_squared, 0.991581026, 1e-9);
  EXPECT_NEAR(fit.residual_sd, 0.674741865, 1e-9);
}

struct Crab {
  IncrementModel model;
  double increments[5];  // at carapace widths 5, 50, 100, 120, 150 mm, printed to the digit
};

constexpr double widths[] = {5, 50, 100, 120, 150};

TEST(ProjectMolts, CrabIncrementsOfWainwrightAndArmstrong) {
  using Model = IncrementModel::Kind;
  for (const Crab& crab : {Crab{{Model::bent, 1.3, 0.23, 0.22, 105}, {2.45, 12.8, 24.3, 25.6, 25.9}},
                           Crab{{Model::bent, 1.20, 0.248, 0.230, 105}, {2.44, 13.6, 26.0, 27.51, 28.05}},
                           Crab{{Model::bent, 1.26, 0.240, 0.352, 83}, {2.46, 13.26, 19.276, 17.036, 13.676}}})
    for (int i = 0; i < 5; ++i)
      EXPECT_NEAR(size_after(crab.model, widths[i], 1) - widths[i], crab.increments[i], 1e-12);
}

TEST(ProjectMolts, CrabPathAndDegreeDays) {
  const IncrementModel average{IncrementModel::Kind::bent, 1.3, 0.23, 0.22, 105};
  PeriodModel period{PeriodModel::Kind::degree_days, 5.25, 0.0175, 0, 10, 1.13, 13.44};
  // mpmath, 25 digits, from the coefficients. (Of the periods as they were handed down to nine decimals, three end
  // otherwise.)
  const double cool[] = {23.448937945088, 51.538299128401, 123.633952472205, 175.444929857627, 296.582434081075};
  const double warm[] = {16.896188429970, 37.136044944672, 89.084740733425, 126.417264649647, 213.703183614877};
  for (int i = 0; i < 5; ++i) {
    period.temperature_c = 10;
    EXPECT_NEAR(period_days(period, widths[i], 1), cool[i], 1e-13 * cool[i]);
    period.temperature_c = 15;  // beyond the cap at 13.44
    EXPECT_NEAR(period_days(period, widths[i], 1), warm[i], 1e-13 * warm[i]);
  }
  period.temperature_c = 10;
  const double path[] = {7.45,   10.463, 14.170, 18.729, 24.337, 31.234,
                         39.718, 50.154, 62.989, 78.776, 98.195, 122.080};  // 10.4635 is printed as 10.463
  const auto steps = project_molts(5, 12, average, period);
  ASSERT_EQ(steps.size(), 12u);
  for (std::size_t i = 0; i < 12; ++i) {
    EXPECT_NEAR(steps[i].post_mm, path[i], 5.1e-4) << i;
    EXPECT_EQ(steps[i].pre_mm, i == 0 ? 5 : steps[i - 1].post_mm);
    EXPECT_EQ(steps[i].period_days, period_days(period, steps[i].pre_mm, 1));
    EXPECT_NEAR(steps[i].age_days, steps[i].period_days + (i == 0 ? 0 : steps[i - 1].age_days), 1e-12);
  }
}

struct Stage {
  double a, b, c, days[3];  // at 1, 5, 10 C, printed to three decimals
};

TEST(ProjectMolts, SnowCrabPeriodsAtConstantTemperature) {
  const double temperatures[] = {1, 5, 10};
  for (const Stage& s :
       {Stage{4903.33, -6.1, 1.87, {125.498, 54.417, 27.147}}, Stage{260.39, -1.37, 0.82, {128.331, 57.047, 35.473}},
        Stage{229.5, 0.63, 1, {620.270, 52.517, 24.493}}, Stage{1115.32, -4.02, 1, {222.175, 123.650, 79.552}}})
    for (int i = 0; i < 3; ++i) {
      const PeriodModel period{PeriodModel::Kind::belehradek, s.a, s.b, s.c, temperatures[i], 0, 0};
      const double days = period_days(period, 0, 1);
      EXPECT_NEAR(days, s.days[i], 5.1e-4);
      EXPECT_NEAR(std::pow(s.a / days, 1 / s.c) + s.b, temperatures[i], 1e-9);  // the inverse
    }
}

// Snow crab medians, Crustaceana 88 (2015) 911: 234, 284, 346 d; 19.5, 27.5, 37.5 mm.
TEST(SlopeFactors, SnowCrabsByHand) {
  const SlopeFactors factors = slope_factors(VectorXd{{19.5, 27.5, 37.5}}, VectorXd{{234, 284, 346}});
  EXPECT_NEAR(factors.period, std::sqrt(346.0 / 234), 1e-12);  // the slope through three even steps takes the outer two
  EXPECT_NEAR(factors.period, 1.216, 5e-4);                    // published factors 1.213675 and 1.218310
  EXPECT_NEAR(factors.molt, (10 / 27.5) / (8 / 19.5), 1e-12);
  EXPECT_TRUE(std::isnan(slope_factors(VectorXd{{5, 4, 6}}, {}).molt));
}

// Outside truth: R 4.2.2 (tests/reference/growth_lines/lines.R). Roots there are found to 1e-13, so 1e-10 is asked.

TEST(IncrementFit, InverseAndLogarithmsAsTheReferenceSoftware) {
  const ReferenceAnswers r("growth_lines/lines.csv");
  const IncrementFit fit = increment_fit(mantids().pre, mantids().post);
  const InverseInterval one = predict_pre(fit, 10, 0.9), mean = predict_pre(fit, 10, 0.9, true);
  EXPECT_EQ(one.kind, Kind::bounded);
  EXPECT_NEAR(one.lower, r["hiatt_pre_lower"], 1e-10);
  EXPECT_NEAR(one.upper, r["hiatt_pre_upper"], 1e-10);
  EXPECT_NEAR(mean.lower, r["hiatt_mean_lower"], 1e-10);
  EXPECT_NEAR(mean.upper, r["hiatt_mean_upper"], 1e-10);
  const IncrementFit logs = increment_fit(mantids().pre, mantids().post, form(IncrementForm::log));
  EXPECT_NEAR(logs.coefficients[0], r["log_a"], 1e-13);
  EXPECT_NEAR(logs.coefficients[1], r["log_b"], 1e-13);
  EXPECT_NEAR(logs.residual_sd, r["log_sd"], 1e-13);
}

TEST(IncrementFit, BentLineAsTheReferenceSoftware) {
  const ReferenceAnswers r("growth_lines/lines.csv");
  const IncrementFit fit = increment_fit(bent_molts().pre, bent_molts().post, form(IncrementForm::bent));
  const BreakpointInterval at = breakpoint_interval(fit, 0.95);
  EXPECT_NEAR(at.estimate, r["bent_at"], 1e-6);  // a minimum is found to the root of rounding
  EXPECT_NEAR(fit.residual_sum_of_squares, r["bent_rss"], 1e-11);
  EXPECT_NEAR(fit.coefficients[1], r["bent_slope"], 1e-9);
  EXPECT_NEAR(fit.coefficients[2], r["bent_change"], 1e-9);
  EXPECT_NEAR(at.lower, r["bent_lower"], 1e-8);
  EXPECT_NEAR(at.upper, r["bent_upper"], 1e-8);
  EXPECT_FALSE(at.lower_open || at.upper_open);
  EXPECT_LT(fit.residual_sd, fit.straight_sd);
}

// By hand.

TEST(IncrementFit, ExactCrabsGiveTheirCoefficientsBack) {
  const IncrementModel truth{IncrementModel::Kind::bent, 1.3, 0.23, 0.22, 104};
  const VectorXd pre = VectorXd::LinSpaced(30, 5, 179);
  const VectorXd post = pre.unaryExpr([&](double x) { return size_after(truth, x, 1); });
  const IncrementFit fit = increment_fit(pre, post, form(IncrementForm::bent));
  const IncrementModel model = increment_model(fit);
  EXPECT_NEAR(model.a, 1.3, 1e-11);
  EXPECT_NEAR(model.b, 0.23, 1e-13);
  EXPECT_NEAR(model.c, 0.22, 1e-13);
  EXPECT_NEAR(model.breakpoint, 104, 1e-10);
  EXPECT_TRUE(has(fit.health, "exact_line"));
}

TEST(IncrementFit, InverseOfAFlatLineIsUnboundedAndSaysSo) {
  // pre 1 2 3 4, post 9 11 11 9: slope 0, so that nothing is learned of the size before.
  const IncrementFit flat = increment_fit(VectorXd{{1, 2, 3, 4}}, VectorXd{{9, 11, 11, 9}});
  EXPECT_NEAR(flat.coefficients[1], 0, 1e-15);
  EXPECT_EQ(predict_pre(flat, 10, 0.9).kind, Kind::everything);
  // Slope .6, error .43: told from 0 at 50 %, not at 95 %. Far above the line sizes near the middle are excluded.
  const IncrementFit weak = increment_fit(VectorXd{{1, 2, 3, 4}}, VectorXd{{9, 11, 10, 11.4}});
  EXPECT_EQ(predict_pre(weak, 30, 0.5).kind, Kind::bounded);
  const InverseInterval outside = predict_pre(weak, 30, 0.95);
  EXPECT_EQ(outside.kind, Kind::outside);
  EXPECT_LT(outside.lower, outside.upper);
  const IncrementFit two = increment_fit(VectorXd{{1, 2}}, VectorXd{{2, 3}});
  EXPECT_EQ(predict_pre(two, 2.5, 0.9).kind, Kind::unknown);
  EXPECT_NEAR(predict_pre(two, 2.5, 0.9).estimate, 1.5, 1e-14);
}

TEST(IncrementFit, OneRegrownLimbMovesTheRobustLineLittle) {
  Molts m = mantids();
  const double clean = increment_fit(m.pre, m.post, form(IncrementForm::log)).coefficients[1];
  m.post[1] *= 0.7;
  const IncrementFit squares = increment_fit(m.pre, m.post, form(IncrementForm::log));
  const IncrementFit robust = increment_fit(m.pre, m.post, {IncrementForm::log, IncrementLoss::huber});
  EXPECT_LT(std::abs(robust.coefficients[1] - clean), 0.5 * std::abs(squares.coefficients[1] - clean));
  EXPECT_LT(robust.row_weights[1], 0.5);
  EXPECT_EQ(robust.row_weights[5], 1);
  EXPECT_TRUE(robust.health.empty() || robust.health[0].state != HealthState::bad);
}

TEST(IncrementFit, WeakDataGetsAnAnswerAndFaultyRowsAreNamed) {
  const IncrementFit same = increment_fit(VectorXd{{2, 2, 2}}, VectorXd{{3, 3.1, 3.2}});
  EXPECT_TRUE(has(same.health, "not_determined"));
  const IncrementFit short_bent = increment_fit(VectorXd{{1, 2, 3}}, VectorXd{{2, 3, 4}}, form(IncrementForm::bent));
  EXPECT_TRUE(has(short_bent.health, "not_determined"));
  EXPECT_TRUE(std::isnan(breakpoint_interval(short_bent, 0.9).estimate));
  EXPECT_TRUE(has(increment_fit(VectorXd{{2, 3, 4, 5}}, VectorXd{{3, 4.1, 3.9, 6}}).health, "smaller_after"));
  EXPECT_THROW(increment_fit(VectorXd{{1.0}}, VectorXd{{2.0}}), std::invalid_argument);
  EXPECT_THROW(increment_fit(VectorXd{{1, 2}}, VectorXd{{2, -1}}), std::invalid_argument);
  EXPECT_THROW(increment_fit(VectorXd{{1, 2}}, VectorXd{{2, 3, 4}}), std::invalid_argument);
  EXPECT_THROW(increment_fit(bent_molts().pre, bent_molts().post, {IncrementForm::bent, IncrementLoss::huber}),
               std::invalid_argument);
  const IncrementFit straight = increment_fit(bent_molts().pre, bent_molts().post);
  EXPECT_THROW(breakpoint_interval(straight, 0.9), std::invalid_argument);
  EXPECT_THROW(predict_post(straight, VectorXd{{-1.0}}, 0.9), std::invalid_argument);
  EXPECT_THROW(project_molts(0, 3, {}), std::invalid_argument);
  EXPECT_THROW(project_molts(5, 3, {IncrementModel::Kind::hiatt, -10, 1, 0, 0}), std::invalid_argument);
  const PeriodModel cold{PeriodModel::Kind::degree_days, 5.25, 0.0175, 0, 1, 1.13, 13.44};
  EXPECT_THROW(project_molts(5, 3, {IncrementModel::Kind::constant, 1, 0, 0, 0}, cold), std::invalid_argument);
}

TEST(ProjectMolts, ConstantsAndFactorsByHand) {
  using Model = IncrementModel::Kind;
  const PeriodModel period{PeriodModel::Kind::factor, 10, 1.5, 0, 0, 0, 0};
  const auto path = project_molts(10, 3, {Model::factor, 0.5, 0.5, 0, 0}, period);
  EXPECT_NEAR(path[0].post_mm, 15, 1e-14);        // grows by .5
  EXPECT_NEAR(path[1].post_mm, 18.75, 1e-14);     // by .25
  EXPECT_NEAR(path[2].post_mm, 21.09375, 1e-14);  // by .125
  EXPECT_NEAR(path[2].age_days, 10 + 15 + 22.5, 1e-14);
  EXPECT_NEAR(project_molts(10, 2, {Model::constant, 9.8, 0, 0, 0})[1].post_mm, 29.6, 1e-14);
  EXPECT_NEAR(project_molts(10, 1, {Model::log, std::log(2), 1, 0, 0})[0].post_mm, 20, 1e-13);
  EXPECT_TRUE(std::isnan(project_molts(10, 1, {Model::hiatt, 1, 1, 0, 0})[0].age_days));
  EXPECT_TRUE(project_molts(10, 0, {Model::hiatt, 1, 1, 0, 0}).empty());
}

// Laws.

TEST(IncrementFit, OrderOfRowsAndUnitDoNotMatter) {
  const Molts m = bent_molts();
  for (const IncrementForm f : {IncrementForm::hiatt, IncrementForm::log, IncrementForm::bent}) {
    const IncrementFit mm = increment_fit(m.pre, m.post, form(f));
    const IncrementFit reversed = increment_fit(m.pre.reverse(), m.post.reverse(), form(f));
    const IncrementFit inch = increment_fit(m.pre / 25.4, m.post / 25.4, form(f));
    EXPECT_TRUE(reversed.coefficients.isApprox(mm.coefficients, 1e-12));
    EXPECT_NEAR(inch.coefficients[1], mm.coefficients[1], 1e-11);
    const LineBands a = predict_post(mm, VectorXd{{85.0}}, 0.9), b = predict_post(inch, VectorXd{{85 / 25.4}}, 0.9);
    EXPECT_NEAR(b.new_upper[0] * 25.4, a.new_upper[0], 1e-9);
    EXPECT_NEAR(b.simultaneous_lower[0] * 25.4, a.simultaneous_lower[0], 1e-9);
  }
}

double slack(double level, int n) { return 4 * std::sqrt(level * (1 - level) / n); }

// 2,000 lines whose slope is often not told from 0: Fieller's set covers at its level whatever its kind.
TEST(IncrementFit, FiellerCoversAtItsLevel) {
  constexpr int n = 2000;
  int covered = 0, unbounded = 0;
  for (std::uint32_t repeat = 0; repeat < n; ++repeat) {
    RandomStream random(20261125, {2, 0, repeat});
    const VectorXd pre = VectorXd::LinSpaced(6, 10, 20);
    const VectorXd post = pre.unaryExpr([&](double x) { return 20 + 0.5 * x + 3 * random.normal(); });
    const double truth = 17;
    const auto inverse = predict_pre(increment_fit(pre, post), 20 + 0.5 * truth + 3 * random.normal(), 0.9);
    const bool within = inverse.lower < truth && truth < inverse.upper;
    covered += inverse.kind == Kind::everything || (inverse.kind == Kind::bounded ? within : !within);
    unbounded += inverse.kind != Kind::bounded;
  }
  EXPECT_NEAR(covered / double{n}, 0.9, slack(0.9, n));
  EXPECT_GT(unbounded, n / 20);  // or the test would not try what it is for
}

// The profile's F law is exact in a straight model only; for a plain bend it holds nearly: 0.02 for that beside the
// binomial error.
TEST(IncrementFit, ProfileOfTheBreakpointCoversNearItsLevel) {
  constexpr int n = 1000;
  int covered = 0;
  const VectorXd pre = VectorXd::LinSpaced(12, 10, 120);
  for (std::uint32_t repeat = 0; repeat < n; ++repeat) {
    RandomStream random(20261125, {3, 0, repeat});
    const VectorXd post =
        pre.unaryExpr([&](double x) { return 2 + 1.2 * x - 0.25 * std::max(0.0, x - 70) + random.normal(); });
    const auto interval = breakpoint_interval(increment_fit(pre, post, form(IncrementForm::bent)), 0.9);
    covered += interval.lower <= 70 && 70 <= interval.upper;
  }
  EXPECT_NEAR(covered / double{n}, 0.9, slack(0.9, n) + 0.02);
}

}  // namespace
}  // namespace moltspan
