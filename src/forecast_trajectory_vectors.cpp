#include <bit>
#include <cmath>

#include "forecast_trajectory_draws.hpp"
#include "moltspan/numeric/philox.hpp"

// A second version for processors with wider registers, chosen when the program starts; without fused operations, so
// that both give the same bits.
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && !defined(__SANITIZE_ADDRESS__)
#define MOLTSPAN_WIDE __attribute__((target_clones("avx2", "default")))
#else
#define MOLTSPAN_WIDE
#endif

namespace moltspan::vectors {
namespace {

/// Middle of one of 2^52 equal cells of (0, 1), as RandomStream::uniform has it.
inline double open_uniform(std::uint32_t low, std::uint32_t high) {
  const std::uint64_t bits = (std::uint64_t{high} << 32) | low;
  return std::bit_cast<double>((bits >> 12) | 0x3FF0000000000000u) - 1 + 0x1p-53;
}

}  // namespace

MOLTSPAN_WIDE void uniforms(std::uint64_t seed, std::uint32_t first, std::uint32_t word, std::uint32_t low,
                            std::uint32_t high, int n, double* __restrict one, double* __restrict two) {
  const std::uint32_t key0 = static_cast<std::uint32_t>(seed), key1 = static_cast<std::uint32_t>(seed >> 32);
  for (int i = 0; i < n; ++i) {
    // Philox4x32-10 written out on plain words: arrays would keep compilers from turning the loop into vector code.
    std::uint32_t c0 = first + static_cast<std::uint32_t>(i), c1 = word, c2 = low, c3 = high, k0 = key0, k1 = key1;
    for (int round = 0; round < 10; ++round) {
      const std::uint64_t even = std::uint64_t{c0} * 0xD2511F53u, odd = std::uint64_t{c2} * 0xCD9E8D57u;
      c0 = static_cast<std::uint32_t>(odd >> 32) ^ c1 ^ k0;
      c1 = static_cast<std::uint32_t>(odd);
      c2 = static_cast<std::uint32_t>(even >> 32) ^ c3 ^ k1;
      c3 = static_cast<std::uint32_t>(even);
      k0 += 0x9E3779B9u;
      k1 += 0xBB67AE85u;
    }
    one[i] = open_uniform(c0, c1);
    two[i] = open_uniform(c2, c3);
  }
}

MOLTSPAN_WIDE static void central_quantiles(const double* __restrict p, int n, double* __restrict z) {
  for (int i = 0; i < n; ++i) {
    const double q = p[i] - 0.5, r = 0.180625 - q * q;
    const double top =
        ((((((2.5090809287301226727e+3 * r + 3.3430575583588128105e+4) * r + 6.7265770927008700853e+4) * r +
            4.5921953931549871457e+4) *
               r +
           1.3731693765509461125e+4) *
              r +
          1.9715909503065514427e+3) *
             r +
         1.3314166789178437745e+2) *
            r +
        3.3871328727963666080e0;
    const double bottom =
        ((((((5.2264952788528545610e+3 * r + 2.8729085735721942674e+4) * r + 3.9307895800092710610e+4) * r +
            2.1213794301586595867e+4) *
               r +
           5.3941960214247511077e+3) *
              r +
          6.8718700749205790830e+2) *
             r +
         4.2313330701600911252e+1) *
            r +
        1.0;
    z[i] = q * (top / bottom);
  }
}

void normal_quantiles(const double* p, int n, double* z) {
  central_quantiles(p, n, z);
  for (int i = 0; i < n; ++i)
    if (std::abs(p[i] - 0.5) > 0.425) z[i] = numeric::normal_quantile(p[i]);
}

MOLTSPAN_WIDE void exponentials(const double* __restrict x, int n, double* __restrict result) {
  constexpr double to_nearest = 0x1.8p52, log2_high = 6.93147180369123816490e-01, log2_low = 1.90821492927058770002e-10;
  for (int i = 0; i < n; ++i) {
    const double shifted = x[i] * 1.44269504088896340736 + to_nearest, whole = shifted - to_nearest;
    const double r = (x[i] - whole * log2_high) - whole * log2_low;
    // Taylor's series to r^13: |r| <= .347 leaves 4e-18.
    double sum = 1.0 / 6227020800;
    sum = sum * r + 1.0 / 479001600;
    sum = sum * r + 1.0 / 39916800;
    sum = sum * r + 1.0 / 3628800;
    sum = sum * r + 1.0 / 362880;
    sum = sum * r + 1.0 / 40320;
    sum = sum * r + 1.0 / 5040;
    sum = sum * r + 1.0 / 720;
    sum = sum * r + 1.0 / 120;
    sum = sum * r + 1.0 / 24;
    sum = sum * r + 1.0 / 6;
    sum = sum * r + 0.5;
    sum = sum * r + 1;
    sum = sum * r + 1;
    const std::uint64_t power = (std::bit_cast<std::uint64_t>(shifted) + 1023) << 52;
    result[i] = sum * std::bit_cast<double>(power);
  }
}

}  // namespace moltspan::vectors
