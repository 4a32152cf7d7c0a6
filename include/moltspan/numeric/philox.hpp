#pragma once

#include <array>
#include <cmath>
#include <cstdint>

/// @file
/// Counter-based random numbers: the same seed gives the same draws on any number of threads, in any order.
namespace moltspan::numeric {

/// Philox4x32-10 (Salmon, Moraes, Dror & Shaw 2011, SC'11): ten rounds of a bijection of 128-bit counters, keyed by 64
/// bits.
struct Philox4x32 {
  using Counter = std::array<std::uint32_t, 4>;
  using Key = std::array<std::uint32_t, 2>;

  static constexpr Counter block(Counter counter, Key key) {
    for (int round = 0; round < 10; ++round) {
      const std::uint64_t even = std::uint64_t{0xD2511F53u} * counter[0];
      const std::uint64_t odd = std::uint64_t{0xCD9E8D57u} * counter[2];
      counter = {high(odd) ^ counter[1] ^ key[0], low(odd), high(even) ^ counter[3] ^ key[1], low(even)};
      key[0] += 0x9E3779B9u;
      key[1] += 0xBB67AE85u;
    }
    return counter;
  }

 private:
  static constexpr std::uint32_t high(std::uint64_t x) { return static_cast<std::uint32_t>(x >> 32); }
  static constexpr std::uint32_t low(std::uint64_t x) { return static_cast<std::uint32_t>(x); }
};

namespace detail {

/// Ratio of two polynomials of degree 7, coefficients from the constant term up.
inline double rational(const std::array<double, 8>& p, const std::array<double, 8>& q, double x) {
  double top = p[7], bottom = q[7];
  for (int i = 6; i >= 0; --i) {
    top = top * x + p[i];
    bottom = bottom * x + q[i];
  }
  return top / bottom;
}

}  // namespace detail

/// Quantile of the standard normal distribution for p in (0, 1): algorithm AS 241 (Wichura 1988, Applied Statistics
/// 37:477), about 16 digits. Unlike the distributions of the standard library it is the same on every platform.
inline double normal_quantile(double p) {
  constexpr std::array<double, 8> a = {3.3871328727963666080e0,  1.3314166789178437745e+2, 1.9715909503065514427e+3,
                                       1.3731693765509461125e+4, 4.5921953931549871457e+4, 6.7265770927008700853e+4,
                                       3.3430575583588128105e+4, 2.5090809287301226727e+3};
  constexpr std::array<double, 8> b = {1.0,
                                       4.2313330701600911252e+1,
                                       6.8718700749205790830e+2,
                                       5.3941960214247511077e+3,
                                       2.1213794301586595867e+4,
                                       3.9307895800092710610e+4,
                                       2.8729085735721942674e+4,
                                       5.2264952788528545610e+3};
  constexpr std::array<double, 8> c = {1.42343711074968357734e0,  4.63033784615654529590e0, 5.76949722146069140550e0,
                                       3.64784832476320460504e0,  1.27045825245236838258e0, 2.41780725177450611770e-1,
                                       2.27238449892691845833e-2, 7.74545014278341407640e-4};
  constexpr std::array<double, 8> d = {1.0,
                                       2.05319162663775882187e0,
                                       1.67638483018380384940e0,
                                       6.89767334985100004550e-1,
                                       1.48103976427480074590e-1,
                                       1.51986665636164571966e-2,
                                       5.47593808499534494600e-4,
                                       1.05075007164441684324e-9};
  constexpr std::array<double, 8> e = {6.65790464350110377720e0,  5.46378491116411436990e0,  1.78482653991729133580e0,
                                       2.96560571828504891230e-1, 2.65321895265761230930e-2, 1.24266094738807843860e-3,
                                       2.71155556874348757815e-5, 2.01033439929228813265e-7};
  constexpr std::array<double, 8> f = {1.0,
                                       5.99832206555887937690e-1,
                                       1.36929880922735805310e-1,
                                       1.48753612908506148525e-2,
                                       7.86869131145613259100e-4,
                                       1.84631831751005468180e-5,
                                       1.42151175831644588870e-7,
                                       2.04426310338993978564e-15};
  const double q = p - 0.5;
  if (std::abs(q) <= 0.425) return q * detail::rational(a, b, 0.180625 - q * q);
  const double r = std::sqrt(-std::log(q < 0 ? p : 1 - p));
  const double z = r <= 5 ? detail::rational(c, d, r - 1.6) : detail::rational(e, f, r - 5);
  return q < 0 ? -z : z;
}

/// Names of independent streams of one seed. Any two streams that differ in a word never share a counter.
struct StreamId {
  std::uint32_t purpose = 0;  ///< what the numbers are for
  std::uint32_t item = 0;     ///< for instance the animal
  std::uint32_t repeat = 0;   ///< for instance the replicate or the draw
};

/// Draws of one stream, in order: counter (block number, purpose, item, repeat), key = seed. A stream holds 2^33
/// doubles.
class RandomStream {
 public:
  explicit constexpr RandomStream(std::uint64_t seed, StreamId id = {})
      : key_{static_cast<std::uint32_t>(seed), static_cast<std::uint32_t>(seed >> 32)},
        counter_{0, id.purpose, id.item, id.repeat} {}

  constexpr std::uint64_t bits() {
    if (used_ == 2) {
      block_ = Philox4x32::block(counter_, key_);
      ++counter_[0];
      used_ = 0;
    }
    const std::size_t at = 2 * used_++;
    return (std::uint64_t{block_[at + 1]} << 32) | block_[at];
  }

  /// Uniform in the open interval (0, 1): the middle of one of 2^52 equal cells, so that neither 0 nor 1 can come.
  constexpr double uniform() { return (static_cast<double>(bits() >> 12) + 0.5) * 0x1p-52; }

  /// Standard normal by inversion: one uniform a draw.
  double normal() { return normal_quantile(uniform()); }

  /// Exponential with mean 1.
  double exponential() { return -std::log(uniform()); }

 private:
  Philox4x32::Key key_;
  Philox4x32::Counter counter_;
  Philox4x32::Counter block_{};
  std::size_t used_ = 2;
};

}  // namespace moltspan::numeric
