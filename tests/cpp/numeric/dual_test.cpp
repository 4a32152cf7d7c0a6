#include "moltspan/numeric/dual.hpp"

#include <gtest/gtest.h>

#include <cmath>

namespace moltspan::numeric {
namespace {

/// Every operation once, in one function.
template <typename Number>
Number everything(const Number& x) {
  using std::abs, std::cos, std::exp, std::expm1, std::log, std::log1p, std::pow, std::sin, std::sqrt, std::tanh;
  return exp(-x) * log(x + 2.0) / (1.0 + x * x) - expm1(x) + log1p(x) * sqrt(x) + pow(x, 1.5) * tanh(x) - abs(x - 3.0) + sin(x) * cos(2.0 * x);
}

TEST(Dual, CarriesFirstAndSecondDerivatives) {
  const double h = 1e-4;  // differences then err by about 1e-8 in the first and 1e-7 in the second derivative
  for (const double x : {0.3, 1.0, 2.7}) {
    const Dual f = everything(Dual::variable(x));
    const double up = everything(x + h), middle = everything(x), down = everything(x - h);
    EXPECT_DOUBLE_EQ(f.value, middle);
    EXPECT_NEAR(f.slope, (up - down) / (2 * h), 1e-6);
    EXPECT_NEAR(f.curve, (up - 2 * middle + down) / (h * h), 1e-5);
  }
}

TEST(Dual, ANumberIsAConstant) {
  const Dual product = Dual(3) * Dual::variable(2);
  EXPECT_EQ(product.value, 6);
  EXPECT_EQ(product.slope, 3);
  EXPECT_EQ(product.curve, 0);
}

}  // namespace
}  // namespace moltspan::numeric
