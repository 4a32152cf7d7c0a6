#include "moltspan/stadium/trapezoid.hpp"

#include "moltspan/stadium/term.hpp"
#include <gtest/gtest.h>

namespace moltspan {
namespace {

struct Case {
  double eta, log_sigma;
  std::array<double, 4> corners;
  double height;
  std::array<double, 6> answer;  ///< value, d_eta, d_s, d_eta_eta, d_eta_s, d_s_s
};

// Adaptive quadrature and central differences with 30 digits (mpmath 1.3: quad of density x trapezoid, diff with h =
// 1e-6).
const Case cases[] = {
    {4,
     std::log(.2),
     {50, 57, 57, 64},
     1,
     {-1.45334782463722, 0.92463205502347, -0.904929133901243, -23.4781727847097, -1.7403255691975,
      -0.177014103679413}},
    {4,
     std::log(.25),
     {30, 33, 44, 47},
     .3,
     {-2.72238667887564, -4.91315967514276, 0.651906346522145, -13.7086364490957, 8.28256241097341, -2.23947756816309}},
    {3,
     std::log(.5),
     {-4, 3, 10, 17},
     1,
     {-1.52620245188203, -2.59076744525648, 0.964516282708829, -2.85401082456487, 3.44167078124603, -1.11152458615016}},
    {2.5,
     std::log(.4),
     {30, 37, 60, 67},
     1,
     {-5.07327107773852, 6.95781944303523, 6.8470056773699, -5.61746591833584, -12.4265358327004, -12.1670099963914}},
};

TEST(LognormalTrapezoid, MeetsQuadratureWithThirtyDigits) {
  for (const auto& c : cases) {
    const auto term = LognormalTrapezoid(c.eta, c.log_sigma).log_integral(c.corners, c.height);
    ASSERT_TRUE(term.has_value());
    const double found[] = {term->value, term->d_eta, term->d_s, term->d_eta_eta, term->d_eta_s, term->d_s_s};
    // Four digits may go in the differences, and derivatives grow by 1 / sigma each: ten digits are left.
    for (int i = 0; i < 6; ++i) EXPECT_NEAR(found[i], c.answer[i], 1e-9 * (1 + std::abs(c.answer[i]))) << i;
  }
}

/// Midpoint sum with 20,000 cells: six digits.
double log_sum(double eta, double sigma, const std::array<double, 4>& c) {
  const double from = std::max(0.0, c[0]), width = (c[3] - from) / 20000;
  double sum = 0;
  for (int i = 0; i < 20000; ++i) {
    const double u = from + (i + .5) * width, z = (std::log(u) - eta) / sigma;
    const double k = u < c[1] ? (u - c[0]) / (c[1] - c[0]) : u < c[2] ? 1 : (c[3] - u) / (c[3] - c[2]);
    sum += k * width * std::exp(-.5 * z * z) / (u * sigma * std::sqrt(2 * M_PI));
  }
  return std::log(sum);
}

TEST(LognormalTrapezoid, MeetsASumWhereTheRangesOfStartAndEndMeet) {
  for (double eta : {.5, 1.5, 2.5})
    for (double from : {-11., -7., -3., 0.})
      for (double rise : {3., 7., 11.}) {
        const std::array<double, 4> corners = {from, from + rise, from + rise + 2, from + 2 * rise + 2};
        if (corners[1] < 0) continue;
        const auto term = LognormalTrapezoid(eta, std::log(.4)).log_integral(corners, 1);
        ASSERT_TRUE(term.has_value());
        EXPECT_NEAR(term->value, log_sum(eta, .4, corners), 1e-5) << eta << ' ' << from << ' ' << rise;
      }
}

TEST(LognormalTrapezoid, LeavesWhatUnderflowsToQuadrature) {
  EXPECT_FALSE(LognormalTrapezoid(5.188, std::log(.0312)).log_integral({45, 49, 50, 54}, 1).has_value());
}

TEST(LognormalTrapezoid, LeavesNarrowOnesToQuadrature) {
  EXPECT_FALSE(LognormalTrapezoid(5, std::log(.1)).log_integral({148, 148.0625, 148.0625, 148.125}, 1).has_value());
  // What a stadium between two such ranges falls back on; answers as above.
  const auto term = stadium_term(Family::lognormal, {148, 148.125, 0.0625, 0, 0}, 5, std::log(.1));
  EXPECT_NEAR(term.value, -6.38685789303751, 1e-9);
  EXPECT_NEAR(term.d_eta_eta, -99.9997030264511, 1e-7);
}

}  // namespace
}  // namespace moltspan
