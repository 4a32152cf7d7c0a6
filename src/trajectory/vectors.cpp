#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <bit>
#include <cmath>

#include "trajectory/draws.hpp"
#include "growth/latent_share.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/philox.hpp"

// A second version for processors with wider registers, chosen when the program starts; without fused operations, so
// that both give the same bits.
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && !defined(__SANITIZE_ADDRESS__)
#define MOLTSPAN_WIDE __attribute__((target_clones("arch=x86-64-v4", "avx2", "default")))
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

constexpr int tails_at_once = 256;
constexpr double central_half = 0.425;         ///< algorithm AS 241: the first rational function holds within it
constexpr double far_tail = 1.3887943865e-11;  ///< exp(-25), from which its third one holds

/// The second rational function of AS 241, at r = sqrt(-log p) - 1.6.
MOLTSPAN_WIDE static void tail_quantiles(const double* __restrict root, int n, double* __restrict z) {
  for (int i = 0; i < n; ++i) {
    const double r = root[i] - 1.6;
    const double top =
        ((((((7.74545014278341407640e-4 * r + 2.27238449892691845833e-2) * r + 2.41780725177450611770e-1) * r +
            1.27045825245236838258e0) *
               r +
           3.64784832476320460504e0) *
              r +
          5.76949722146069140550e0) *
             r +
         4.63033784615654529590e0) *
            r +
        1.42343711074968357734e0;
    const double bottom =
        ((((((1.05075007164441684324e-9 * r + 5.47593808499534494600e-4) * r + 1.51986665636164571966e-2) * r +
            1.48103976427480074590e-1) *
               r +
           6.89767334985100004550e-1) *
              r +
          1.67638483018380384940e0) *
             r +
         2.05319162663775882187e0) *
            r +
        1.0;
    z[i] = top / bottom;
  }
}

/// Quantiles of up to `tails_at_once` probabilities in the tails, at their places.
static void set_tails(const double* p, const int* place, int n, double* z) {
  using Tails = Eigen::Array<double, tails_at_once, 1>;  // always whole, so that the place of a number changes no bit
  Tails tail = Tails::Constant(0.5 - central_half), quantile;
  for (int k = 0; k < n; ++k) tail[k] = std::min(p[place[k]], 1 - p[place[k]]);
  const Tails root = (-tail.log()).sqrt();
  tail_quantiles(root.data(), n, quantile.data());
  for (int k = 0; k < n; ++k) {
    const int i = place[k];
    const double size = quantile[k];
    z[i] = tail[k] < far_tail ? numeric::normal_quantile(p[i]) : p[i] < 0.5 ? -size : size;
  }
}

void normal_quantiles(const double* p, int n, double* z) {
  central_quantiles(p, n, z);
  std::array<int, tails_at_once + 1> place;
  int waiting = 0;
  for (int i = 0; i < n; ++i) {
    place[waiting] = i;
    waiting += std::abs(p[i] - 0.5) > central_half;
    if (waiting < tails_at_once) continue;
    set_tails(p, place.data(), waiting, z);
    waiting = 0;
  }
  set_tails(p, place.data(), waiting, z);
}

namespace {

/// Phi and its slope times the step at equal steps: cubic interpolation between them is off by 2e-10 at most.
struct PhiTable {
  static constexpr double limit = 6.5, steps = 64;
  static constexpr int nodes = static_cast<int>(2 * limit * steps) + 2;
  std::array<double, nodes> value{}, slope{};
  PhiTable() {
    for (int i = 0; i < nodes; ++i) {
      const double z = -limit + i / steps;
      value[i] = numeric::Phi(z);
      slope[i] = std::exp(numeric::log_phi(z)) / steps;
    }
  }
};

}  // namespace

void add_normal_tails(const double* mean, const double* per_spread, double log_t, double weight, int n, double* sum) {
  static const PhiTable table;
  for (int k = 0; k < n; ++k) {
    const double z = std::clamp((mean[k] - log_t) * per_spread[k], -PhiTable::limit, PhiTable::limit);
    const double at = (z + PhiTable::limit) * PhiTable::steps;
    const auto i = static_cast<std::size_t>(at);
    const double f = at - static_cast<double>(i), rise = table.value[i + 1] - table.value[i];
    const double bend = f * (1 - f) * ((1 - f) * (table.slope[i] - rise) - f * (table.slope[i + 1] - rise));
    sum[k] += weight * (table.value[i] + f * rise + bend);
  }
}

MOLTSPAN_WIDE void growth_shares(const double* __restrict leg_span_mm, const double* __restrict per_limit_mm,
                                 const double* __restrict steepness, int n, double* __restrict share,
                                 double* __restrict spread) {
  const double corner = share_corner * share_corner, per_whole = 1 / (1 + std::sqrt(1 + corner));
  for (int i = 0; i < n; ++i) {
    const double one = leg_span_mm[i] * per_limit_mm[i], two = one * one, four = two * two;
    const double eight = four * four, lowest = steepness[i] < 0.75 ? std::sqrt(one) : one;
    const double low = steepness[i] < 1.5 ? lowest : two, middle = steepness[i] < 6 ? four : eight;
    const double high = steepness[i] < 12 ? middle : eight * eight;
    const double left = 1 - (steepness[i] < 3 ? low : high);
    const double added = (left + std::sqrt(left * left + corner)) * per_whole;
    share[i] = added;
    spread[i] = std::sqrt((added * added + least_spread) * (1 / (1 + least_spread)));
  }
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
