#include "moltspan/intervals/intervals.hpp"

#include <gtest/gtest.h>

#include <array>
#include <chrono>
#include <cmath>
#include <stdexcept>
#include <string>
#include <vector>

namespace moltspan {
namespace {

constexpr std::array families = {Family::lognormal, Family::weibull, Family::loglogistic};

struct Case {
  const char* name;
  StadiumBounds bounds;  // min, max, start range, entry
  double eta, sigma;
  Truncation truncation;
  std::array<double, 3> expected;  // lognormal, weibull, loglogistic
};

// Made with mpmath 1.3 at 40 digits straight from the definitions in intervals.hpp: F and S in closed form (erfc, exp),
// means over the start by adaptive quadrature split at every sigma about the median.
const std::vector<Case> cases = {
    {"exact",
     {60, 60, 0, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-3.7162933065631992, -3.7859984149580913, -4.138668447877599}},
    {"wide",
     {40, 90, 0, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-0.14580126699583578, -0.17157045738582867, -0.42498711796550631}},
    {"narrow",
     {59.9995, 60.0005, 0, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-10.624048585732995, -10.693753694064308, -11.046423726946057}},
    {"high_tail",
     {200, 210, 0, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-12.606559008454553, -80.904501600153334, -6.1455974329664309}},
    {"low_tail",
     {5, 6, 0, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-49.592244201307269, -10.291279430963952, -10.291327996348975}},
    {"left",
     {0, 50, 0, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-2.0820092778907871, -1.3057664999036633, -1.4265300458804798}},
    {"running",
     {80, NAN, 0, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-1.4555407543557535, -2.0711552402782307, -1.1220537905810018}},
    {"running_far",
     {400, NAN, 0, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-28.581634681581804, -1294.4720251738942, -7.166630405924085}},
    {"doubly",
     {40, 75, 10, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-0.66983304923412548, -0.67235397583586112, -0.98468238192541714}},
    {"doubly_far",
     {150, 175, 10, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-8.1446033090956555, -27.547789917955388, -4.6012309789581742}},
    {"doubly_uneven",
     {40, 60, 14, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-2.3402588164699652, -2.2166816740454125, -2.4568924012867449}},
    {"running_range",
     {60, NAN, 14, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-0.70221010978569906, -1.0111200049322071, -0.69885747056552837}},
    {"left_range",
     {0, 50, 20, 0},
     4.2,
     0.25,
     Truncation::conditional,
     {-3.3581996283828176, -2.0177861807258548, -2.0942906419421684}},
    {"exact_entry",
     {60, 60, 0, 30},
     4.2,
     0.25,
     Truncation::conditional,
     {-3.7155944178969954, -3.7450405110365735, -4.0985270971781469}},
    {"wide_entry",
     {50, 90, 0, 45},
     4.2,
     0.25,
     Truncation::conditional,
     {-0.2147435886673793, -0.15967148787307228, -0.44976096856667093}},
    {"running_entry",
     {85, NAN, 0, 75},
     4.2,
     0.25,
     Truncation::conditional,
     {-0.65458118701337391, -1.0396228452177838, -0.33637761280329015}},
    {"far_entry",
     {410, NAN, 0, 400},
     4.2,
     0.25,
     Truncation::conditional,
     {-0.72586066273246648, -134.38288276649972, -0.098697849203406205}},
    {"far_exact_entry",
     {410, 410, 0, 400},
     4.2,
     0.25,
     Truncation::conditional,
     {-3.354581279990057, -131.74811692628477, -4.7292602641159463}},
    {"range_entry",
     {60, NAN, 7, 50},
     4.2,
     0.25,
     Truncation::conditional,
     {-0.33654803167473244, -0.40582722490501415, -0.25230992757031607}},
    {"exact_renewal",
     {60, 60, 0, 30},
     4.2,
     0.25,
     Truncation::renewal,
     {-7.9475433065631992, -7.8877265785362781, -8.4436775628870812}},
    {"running_renewal",
     {85, NAN, 0, 75},
     4.2,
     0.25,
     Truncation::renewal,
     {-6.027785851333837, -6.7412691307302575, -5.5968666807806032}},
    {"exact",
     {60, 60, 0, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-1.1412400605732408, -1.2187851393861813, -1.5885396561636841}},
    {"wide", {40, 90, 0, 0}, 4.1, 0.02, Truncation::conditional, {0.0, -1.1820361977195665e-9, -3.2628983835372433e-9}},
    {"narrow",
     {59.9995, 60.0005, 0, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-8.0489953666446823, -8.1265404388255642, -8.4962949489779165}},
    {"high_tail",
     {200, 210, 0, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-1799.9677969948612, -1.0498590421189094e+26, -60.007110890855375}},
    {"low_tail",
     {5, 6, 0, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-6665.6354570322432, -115.41213642945415, -115.41213642945415}},
    {"left",
     {0, 50, 0, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-47.339730278935426, -9.3988911379446201, -9.3989325444388023}},
    {"running",
     {80, NAN, 0, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-102.99395337334794, -1330854.4448970695, -14.10133248509077}},
    {"doubly",
     {40, 75, 10, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-3.1227853699625478e-6, -8.1193072849331032e-6, -0.0031890598803180978}},
    {"doubly_uneven",
     {40, 60, 14, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-3.7648947480508986, -2.9420073737387839, -3.0624886194563831}},
    {"running_range",
     {60, NAN, 14, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-3.0295290392381512, -3.5309247969035953, -2.6009387808782359}},
    {"left_range",
     {0, 50, 20, 0},
     4.1,
     0.02,
     Truncation::conditional,
     {-52.599797967726286, -12.414405539097289, -12.414426447639732}},
    {"exact_entry",
     {60, 60, 0, 30},
     4.1,
     0.02,
     Truncation::conditional,
     {-1.1412400605732408, -1.2187851393861807, -1.5885396561636834}},
    {"running_entry",
     {85, NAN, 0, 75},
     4.1,
     0.02,
     Truncation::conditional,
     {-88.085667643449034, -27526127.921565572, -6.2581382473815317}},
    {"range_entry",
     {60, NAN, 7, 50},
     4.1,
     0.02,
     Truncation::conditional,
     {-2.3362768645446357, -2.8286219158464452, -1.9057299900017966}},
    {"exact_renewal",
     {60, 60, 0, 30},
     4.1,
     0.02,
     Truncation::renewal,
     {-5.2414400605732408, -5.3075666500564113, -5.6891977163979918}},
    {"running_renewal",
     {85, NAN, 0, 75},
     4.1,
     0.02,
     Truncation::renewal,
     {-154.62585224014393, -27578939.3609947, -21.233220921009688}},
};

std::string label(const Case& c, std::size_t family) {
  return std::string(c.name) + ", sigma " + std::to_string(c.sigma) + ", family " + std::to_string(family);
}

/// Ranges of the start whose integral is known to be rough or whose derivatives are lost: see the disabled tests.
bool is_rough(const Case& c, std::size_t family) {
  const std::string name = c.name;
  return (name == "doubly_far" && family == 1) || (name == "left_range" && family == 0 && c.sigma < 0.1) ||
         (name == "high_tail" && family == 1 && c.sigma < 0.1);
}

double value_of(const Case& c, std::size_t family) {
  return stadium_term(families[family], c.bounds, c.eta, std::log(c.sigma), c.truncation).value;
}

TEST(StadiumTerm, MeetsValuesOfHighPrecision) {
  for (const Case& c : cases)
    for (std::size_t f = 0; f < families.size(); ++f) {
      if (is_rough(c, f)) continue;
      // Closed forms: far out log t / sigma is rounded, which z multiplies; the narrow interval has its width from a
      // difference of days, 7e-12 of it. Start ranges: panels of six nodes, to the 1e-9 that the project asks for.
      const double tolerance = c.bounds.start_range_days > 0 ? 1e-9 : 5e-11;
      EXPECT_NEAR(value_of(c, f), c.expected[f], tolerance + 2e-12 * std::abs(c.expected[f])) << label(c, f);
    }
}

// Off by .003 (Weibull, z from 3.2 to 3.9: exp(-exp(z)) falls too fast for panels of one sigma) and 2e-6.
TEST(StadiumTerm, StartRangesInTheTailMeetValuesOfHighPrecision) {
  for (const Case& c : cases)
    for (std::size_t f = 0; f < families.size(); ++f)
      EXPECT_NEAR(value_of(c, f), c.expected[f], 1e-9 + 2e-12 * std::abs(c.expected[f])) << label(c, f);
}

// Weibull interval at z = 60: log f - log(F - F) loses all digits, the gradient is 50 for a true 5e27, its curvature
// positive.
TEST(StadiumTerm, FarWeibullIntervalsKeepTheirGradient) {
  const StadiumTerm far = stadium_term(Family::weibull, {200, 210}, 4.1, std::log(0.02));
  EXPECT_NEAR(far.d_eta / (-far.value / 0.02), 1, 1e-6);  // value is -exp(z_min) to 1e-26
  EXPECT_LT(far.d_eta_eta, 0);
}

double largest_z(const Case& c) {
  double largest = 1;
  for (double days : {c.bounds.min_days, c.bounds.max_days, c.bounds.entry_days})
    if (days > 0) largest = std::max(largest, std::abs(std::log(days) - c.eta) / c.sigma);
  return largest;
}

/// Central differences of fourth order of value and gradient.
template <typename Part>
double difference(Part part, double h) {
  return (8 * (part(h) - part(-h)) - (part(2 * h) - part(-2 * h))) / (12 * h);
}

TEST(StadiumTerm, DerivativesAreThoseOfTheValue) {
  for (const Case& c : cases)
    for (std::size_t f = 0; f < families.size(); ++f) {
      if (is_rough(c, f)) continue;
      const double s = std::log(c.sigma);
      const auto at = [&](double d_eta, double d_s) {
        return stadium_term(families[f], c.bounds, c.eta + d_eta, s + d_s, c.truncation);
      };
      const StadiumTerm term = at(0, 0);
      // A step moves z by 1e-3 at most. Differences then err by 1e-12 of the fifth derivative in z and by eps / 1e-3 of
      // the value: 1e-6 of the scale of each derivative leaves room for the largest values (1e6 at z = 15).
      const double h = 1e-3, h_eta = h * c.sigma, h_s = h / largest_z(c);
      const auto expect = [&](double found, double exact, double scale, const char* what) {
        EXPECT_NEAR(found, exact, 1e-6 * (scale + std::abs(exact))) << what << " of " << label(c, f);
      };
      const double e = 1 / c.sigma, z = largest_z(c), v = 1 + 1e-6 * std::abs(term.value);
      expect(difference([&](double d) { return at(d, 0).value; }, h_eta), term.d_eta, v * e, "d_eta");
      expect(difference([&](double d) { return at(0, d).value; }, h_s), term.d_s, v * z, "d_s");
      expect(difference([&](double d) { return at(d, 0).d_eta; }, h_eta), term.d_eta_eta, v * e * e, "d_eta_eta");
      expect(difference([&](double d) { return at(0, d).d_eta; }, h_s), term.d_eta_s, v * e * z, "d_eta_s");
      expect(difference([&](double d) { return at(d, 0).d_s; }, h_eta), term.d_eta_s, v * e * z, "d_s_eta");
      expect(difference([&](double d) { return at(0, d).d_s; }, h_s), term.d_s_s, v * z * z, "d_s_s");
    }
}

TEST(StadiumTerm, NarrowIntervalIsDensityTimesWidth) {
  for (Family family : families)
    for (double width : {1e-2, 1e-5, 1e-9}) {
      const double exact = stadium_term(family, {60, 60}, 4.2, std::log(0.2)).value;
      const double interval = stadium_term(family, {60 - width / 2, 60 + width / 2}, 4.2, std::log(0.2)).value;
      // Second order in the width; the width itself is known to 7e-15 days.
      EXPECT_NEAR(interval, exact + std::log(width), 1e-2 * width * width + 2e-14 / width + 1e-12) << width;
    }
}

TEST(StadiumTerm, BothSidesOfTheNarrowSwitchAgree) {
  for (Family family : families) {
    const auto value = [&](double z_width) {
      return stadium_term(family, {60, 60 * std::exp(0.2 * z_width)}, 4.2, std::log(0.2)).value;
    };
    // The step over the switch is the mean of its neighbors, but for d^3 times the third derivative, 2 / .05^3.
    const double d = 1e-5, across = value(0.05 + d) - value(0.05 - d);
    const double beside = value(0.05 + 3 * d) - value(0.05 + d) + value(0.05 - d) - value(0.05 - 3 * d);
    EXPECT_NEAR(across, beside / 2, 4e-10);
  }
}

TEST(StadiumTerm, ProbabilitiesAddUp) {
  for (Family family : families) {
    const auto p = [&](StadiumBounds b) { return std::exp(stadium_term(family, b, 4.0, std::log(0.3)).value); };
    EXPECT_NEAR(p({0, 40}) + p({40, 70}) + p({70, NAN}), 1, 1e-13);
    // Start uniform over 10 days and end in one of the weeks after it: [T in the trapezoid over (d, d + 17)].
    double sum = std::exp(stadium_term(family, {1e-9, 17, 10}, 4.0, std::log(0.3)).value);
    for (double day = 7; day < 7000; day += 7) sum += p({day, day + 17, 10});
    EXPECT_NEAR(sum, 1, 2e-3);  // before the first trapezoid is full, and beyond the last, some of W is left out
  }
}

TEST(StadiumTerm, RenewalDensityIntegratesToOneOverTheRest) {
  // Picked at a random moment: P(T in dt, entry in da) = f(t) da dt / E[T] for a < t, so that the sum over t and a
  // is 1.
  for (Family family : families) {
    double sum = 0;
    for (double t = 0.25; t < 600; t += 0.5)
      sum += t * 0.5 * std::exp(stadium_term(family, {t, t, 0, 0.1}, 4.0, std::log(0.2), Truncation::renewal).value);
    EXPECT_NEAR(sum, 1, 1e-4);  // midpoint rule of half a day; log-logistic tail beyond 600 days
  }
}

TEST(StadiumTerm, EntryThatCannotHaveMatteredDividesByNothing) {
  for (Family family : families) {
    const double with = stadium_term(family, {50, 60, 0, 1e-6}, 4.0, std::log(0.2)).value;
    EXPECT_NEAR(with, stadium_term(family, {50, 60}, 4.0, std::log(0.2)).value, 1e-12);
    EXPECT_EQ(entry_term(family, {50, 60}, 4.0, -1).value, 0);
    const StadiumBounds late = {50, 60, 0, 45};
    const double divided = stadium_term(family, late, 4.0, -1).value;
    const double parts =
        stadium_term(family, late, 4.0, -1, Truncation::marginal).value - entry_term(family, late, 4.0, -1).value;
    EXPECT_NEAR(divided, parts, 1e-12);
  }
}

// Counts work, not time: with panels as narrow as sigma over a fixed range of days the cost would grow like 1 / sigma.
TEST(StadiumTerm, TinySigmaIsFiniteAndNotSlow) {
  const auto seconds = [](double sigma) {
    const auto begin = std::chrono::steady_clock::now();
    for (Family family : families)
      for (double max_days : {58.0, 61.0, 75.0})
        for (int k = 0; k < 200; ++k) {
          const StadiumTerm term = stadium_term(family, {40, max_days, 10}, 4.1, std::log(sigma));
          EXPECT_FALSE(std::isnan(term.value));
        }
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  };
  seconds(0.2);                                        // warms up
  EXPECT_LT(seconds(1e-6), 30 * seconds(0.2) + 0.05);  // room for a busy machine; without bounds it would be 2e5
}
}  // namespace
}  // namespace moltspan
