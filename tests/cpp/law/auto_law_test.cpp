#include "moltspan/law/auto_law.hpp"

#include <gtest/gtest.h>

#include <boost/math/distributions/students_t.hpp>
#include <cmath>

#include "moltspan/law/family.hpp"
#include "moltspan/stadium/term.hpp"

// Laws made of three functions: beside the ones written by hand, beside differences, beside Boost's Student-t.

namespace moltspan {
namespace {

struct AsNormal {
  template <typename Number>
  static Number log_density(const Number& z) {
    return -0.5 * (z * z) - 0.91893853320467274178;
  }
  static double log_cdf(double z) { return NormalLaw::log_cdf(z); }
  static double log_survival(double z) { return NormalLaw::log_survival(z); }
};

struct AsLogistic {
  template <typename Number>
  static Number log_density(const Number& z) {
    using std::exp, std::log1p, std::abs;
    return -abs(z) - 2.0 * log1p(exp(-abs(z)));
  }
  static double log_cdf(double z) { return LogisticLaw::log_cdf(z); }
  static double log_survival(double z) { return LogisticLaw::log_survival(z); }
};

struct AsGumbel {
  template <typename Number>
  static Number log_density(const Number& z) {
    using std::exp;
    return z - exp(z);
  }
  static double log_cdf(double z) { return GumbelMinLaw::log_cdf(z); }
  static double log_survival(double z) { return GumbelMinLaw::log_survival(z); }
};

struct Student {
  template <typename Number>
  static Number log_density(const Number& z) {
    using std::log1p;
    return std::log(0.375) - 2.5 * log1p(z * z / 4.0);
  }
  static double log_cdf(double z) { return std::log(boost::math::cdf(boost::math::students_t(4), z)); }
  static double log_survival(double z) { return log_cdf(-z); }
};

using AutoNormal = AutoLaw<AsNormal>;
using AutoLogistic = AutoLaw<AsLogistic>;
using AutoGumbel = AutoLaw<AsGumbel>;
using StudentLaw = AutoLaw<Student>;

static_assert(StadiumLaw<NormalLaw> && StadiumLaw<GumbelMinLaw> && StadiumLaw<LogisticLaw> && StadiumLaw<StudentLaw>);

const StadiumBounds all_kinds[] = {
    {50, 50}, {40, 55}, {60}, {0, 70}, {45, 62, 7, 0, 10}, {60, std::nan(""), 9}, {55, 68, 0, 20}, {70, std::nan(""), 5, 30}, {0, 60, 8}};

void expect_near(const StadiumTerm& a, const StadiumTerm& b, double tolerance) {
  EXPECT_NEAR(a.value, b.value, tolerance);
  EXPECT_NEAR(a.d_eta, b.d_eta, tolerance * (1 + std::abs(b.d_eta)));
  EXPECT_NEAR(a.d_s, b.d_s, tolerance * (1 + std::abs(b.d_s)));
  EXPECT_NEAR(a.d_eta_eta, b.d_eta_eta, tolerance * (1 + std::abs(b.d_eta_eta)));
  EXPECT_NEAR(a.d_eta_s, b.d_eta_s, tolerance * (1 + std::abs(b.d_eta_s)));
  EXPECT_NEAR(a.d_s_s, b.d_s_s, tolerance * (1 + std::abs(b.d_s_s)));
}

TEST(AutoLaw, OfTheNormalAndTheLogisticIsTheOneWrittenByHand) {
  // The doubly censored log-normal goes by a closed form that cancels up to four digits; the automatic one is integrated.
  for (const StadiumBounds& bounds : all_kinds) {
    expect_near(stadium_term<AutoNormal>(bounds, 3.9, std::log(0.2)), stadium_term<NormalLaw>(bounds, 3.9, std::log(0.2)), 2e-7);
    expect_near(stadium_term<AutoLogistic>(bounds, 3.9, std::log(0.2)), stadium_term<LogisticLaw>(bounds, 3.9, std::log(0.2)), 1e-9);
  }
}

TEST(AutoLaw, FindsMomentsMedianAndWhereTheMeanEnds) {
  EXPECT_NEAR(AutoNormal::variance, 1, 1e-12);
  EXPECT_NEAR(AutoLogistic::variance, LogisticLaw::variance, 1e-11);
  EXPECT_NEAR(StudentLaw::median, 0, 1e-14);
  EXPECT_NEAR(AutoGumbel::mean, GumbelMinLaw::mean, 1e-12);
  EXPECT_NEAR(AutoGumbel::median, GumbelMinLaw::median, 1e-14);
  EXPECT_NEAR(AutoGumbel::variance, GumbelMinLaw::variance, 1e-11);
  EXPECT_TRUE(std::isinf(AutoGumbel::least_sigma_without_mean));
  EXPECT_NEAR(StudentLaw::variance, 2, 1e-9);  // nu / (nu - 2)
  EXPECT_NEAR(AutoNormal::log_mean_factor(0.3), NormalLaw::log_mean_factor(0.3), 1e-12);
  EXPECT_NEAR(AutoLogistic::log_mean_factor(0.3), LogisticLaw::log_mean_factor(0.3), 1e-11);
  EXPECT_NEAR(AutoLogistic::log_mean_factor_slope(0.3), LogisticLaw::log_mean_factor_slope(0.3), 1e-10);
  EXPECT_NEAR(AutoLogistic::log_mean_factor_curve(0.3), LogisticLaw::log_mean_factor_curve(0.3), 1e-9);
  EXPECT_EQ(AutoNormal::least_sigma_without_mean, NormalLaw::least_sigma_without_mean);
  EXPECT_NEAR(AutoLogistic::least_sigma_without_mean, 1, 1e-12);
  EXPECT_EQ(StudentLaw::least_sigma_without_mean, 0);  // its tail is a power: exp(sigma W) has no mean
  EXPECT_TRUE(std::isinf(StudentLaw::log_mean_factor(0.2)));
}

TEST(AutoLaw, DerivativesOfAStudentTermAreThoseOfDifferences) {
  const double eta = 3.9, s = std::log(0.2), h = 1e-5;
  for (const StadiumBounds& bounds : all_kinds) {
    const StadiumTerm term = stadium_term<StudentLaw>(bounds, eta, s);
    const auto at = [&](double x, double y) { return stadium_term<StudentLaw>(bounds, x, y); };
    const StadiumTerm right = at(eta + h, s), left = at(eta - h, s), up = at(eta, s + h), down = at(eta, s - h);
    // First differences of values and of first derivatives err by h^2 times a third derivative of some hundreds.
    EXPECT_NEAR(term.d_eta, (right.value - left.value) / (2 * h), 1e-7);
    EXPECT_NEAR(term.d_s, (up.value - down.value) / (2 * h), 1e-7);
    EXPECT_NEAR(term.d_eta_eta, (right.d_eta - left.d_eta) / (2 * h), 1e-7);
    EXPECT_NEAR(term.d_eta_s, (up.d_eta - down.d_eta) / (2 * h), 1e-7);
    EXPECT_NEAR(term.d_s_s, (up.d_s - down.d_s) / (2 * h), 1e-7);
  }
}

TEST(WithLaw, GivesEachFamilyItsOwn) {
  const auto variance = [](Family family) { return with_law(family, [](auto law) { return law.variance; }); };
  EXPECT_EQ(variance(Family::lognormal), NormalLaw::variance);
  EXPECT_EQ(variance(Family::weibull), GumbelMinLaw::variance);
  EXPECT_EQ(variance(Family::loglogistic), LogisticLaw::variance);
}

}  // namespace
}  // namespace moltspan
