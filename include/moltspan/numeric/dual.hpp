#pragma once

#include <cmath>

/// @file
/// Second-order dual numbers: a value with its first and second derivative in one variable, carried through arithmetic by
/// the chain rule, exact to rounding. `Dual::variable(z)` is the variable itself; a plain number is a constant.
namespace moltspan::numeric {

struct Dual {
  double value = 0, slope = 0, curve = 0;

  constexpr Dual() = default;
  constexpr Dual(double constant) : value(constant) {}  // NOLINT: a number is a constant
  constexpr Dual(double v, double first, double second) : value(v), slope(first), curve(second) {}
  static constexpr Dual variable(double z) { return {z, 1, 0}; }
};

/// f(x) by the chain rule, from f, f' and f'' at x.value.
constexpr Dual chained(const Dual& x, double f, double f1, double f2) {
  return {f, f1 * x.slope, f2 * x.slope * x.slope + f1 * x.curve};
}

constexpr Dual operator-(const Dual& a) { return {-a.value, -a.slope, -a.curve}; }
constexpr Dual operator+(const Dual& a, const Dual& b) {
  return {a.value + b.value, a.slope + b.slope, a.curve + b.curve};
}
constexpr Dual operator-(const Dual& a, const Dual& b) { return a + -b; }
constexpr Dual operator*(const Dual& a, const Dual& b) {
  return {a.value * b.value, a.slope * b.value + a.value * b.slope,
          a.curve * b.value + 2 * a.slope * b.slope + a.value * b.curve};
}
constexpr Dual reciprocal(const Dual& x) {
  const double r = 1 / x.value;
  return chained(x, r, -r * r, 2 * r * r * r);
}
constexpr Dual operator/(const Dual& a, const Dual& b) { return a * reciprocal(b); }

inline Dual exp(const Dual& x) {
  const double e = std::exp(x.value);
  return chained(x, e, e, e);
}
inline Dual expm1(const Dual& x) {
  const double e = std::exp(x.value);
  return chained(x, std::expm1(x.value), e, e);
}
inline Dual log(const Dual& x) {
  const double r = 1 / x.value;
  return chained(x, std::log(x.value), r, -r * r);
}
inline Dual log1p(const Dual& x) {
  const double r = 1 / (1 + x.value);
  return chained(x, std::log1p(x.value), r, -r * r);
}
inline Dual sqrt(const Dual& x) {
  const double root = std::sqrt(x.value);
  return chained(x, root, 0.5 / root, -0.25 / (root * x.value));
}
inline Dual pow(const Dual& x, double power) {
  return chained(x, std::pow(x.value, power), power * std::pow(x.value, power - 1),
                 power * (power - 1) * std::pow(x.value, power - 2));
}
inline Dual tanh(const Dual& x) {
  const double t = std::tanh(x.value), rest = 1 - t * t;
  return chained(x, t, rest, -2 * t * rest);
}
inline Dual sin(const Dual& x) { return chained(x, std::sin(x.value), std::cos(x.value), -std::sin(x.value)); }
inline Dual cos(const Dual& x) { return chained(x, std::cos(x.value), -std::sin(x.value), -std::cos(x.value)); }
inline Dual abs(const Dual& x) { return x.value < 0 ? -x : x; }

}  // namespace moltspan::numeric
