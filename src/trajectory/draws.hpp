#pragma once

#include <cstdint>
#include <limits>
#include <vector>

#include "clock/clock.hpp"
#include "intervals/next_molt_law.hpp"
#include "moltspan/trajectory/trajectory.hpp"

namespace moltspan {

/// One of n outcomes in constant time (Walker 1977's alias method).
struct AliasTable {
  std::vector<double> keep;
  std::vector<int> other;

  AliasTable() = default;
  explicit AliasTable(const std::vector<double>& weights);
  int pick(double uniform) const;
};

/// A point of the posterior once the day of the molt is known: eta is normal with mean `mean + gain (log T - mean)`,
/// and the present size is normal with mean `size_mean + size_gain (eta - center)`, as its error moves eta.
struct DrawComponent {
  double mean = 0, gain = 0, sd = 0, sigma = 0;
  double log_spread = 0;  ///< sd of log T, eta integrated out
  double center = 0, size_gain = 0, size_sd = 0;
};

/// How sizes go on, at one point of the growth model's spreads: the present size is normal, the animal's log ratio
/// normal given it, with mean `log_ratio + ratio_gain (size - size_mean) / size_sd`; a molt adds that + decline size,
/// give or take molt_sd.
struct GrowthDraw {
  double weight = 1, size_mean = 0, size_sd = 0;
  double log_ratio = 0, ratio_gain = 0, ratio_sd = 0, molt_sd = 0, decline = 0;
};

/// An end of growth (AdultNode); adult_to_limit: adult size over limit; adult_from: log size from which a sex that stops has matured.
struct CourseEnd {
  double log_limit = 0, with_size = 0, steepness = 0, ratio_change = 0, adult_from = 0, adult_to_limit = 1;
};

/// All that the draws of one animal need. Equal numbers of cells in probability: how points and start days share the
/// first molt's days differs from cell to cell.
struct TrajectoryPlan {
  static constexpr int z_nodes = 257;
  static constexpr double z_limit = 6;
  static constexpr int n_cells = 32;

  Family family = Family::lognormal;
  std::uint32_t name_low = 0, name_high = 0;
  std::vector<double> day_of_z;  ///< day of the first molt at equal steps of the normal quantile
  std::vector<DrawComponent> components;
  std::vector<AliasTable> component_of_cell, start_of_cell;
  AliasTable any_component;      ///< whatever the day
  std::vector<StartAge> starts;  ///< empty: no molt on record
  ClockAhead clock;              ///< of all its stadia
  double first_day = 0, watched_units = 0;
  double size_mean = 0, size_sd = 0;
  double exponent = 0, exponent_sd = 0;
  double later_variance = 0;     ///< of log T of stadia to come, beside that of the law: their temperature is not known
  double ends_with_stadium = 0;  ///< effect that the next stadium does not have any more
  /// What instars to come add to log T beside the present one, its variance, and the factor of sigma: [m] for the stadium after m + 1 molts.
  std::vector<double> instar_mean, instar_variance, instar_scale;
  double adult_log_size = std::numeric_limits<double>::infinity();
  double adult_effect = 0;
  bool adult_now = false;    ///< whatever its size
  double stop_chance = 0;    ///< that its sex stops when grown
  double missed_chance = 0;  ///< that it has molted unseen since the last molt on record
  std::vector<GrowthDraw> growth;
  AliasTable growth_point;
  double adult_log_ratio = 0, adult_log_sd = 0;
  std::vector<AdultNode> adult;  ///< where growth may end; empty = grows on
  std::vector<CourseEnd> ends;   ///< the same, as the draws take it
  AliasTable adult_node;
};

/// Fills how sizes go on; size_mean and size_sd are there.
void set_growth(TrajectoryPlan& plan, const CollectionFit& fit, int animal, const TrajectoryOptions& options);

/// Draws `draws` courses into arrays of draws x molts and, for the sizes at the start and at the end of life, of draws.
void draw_courses(const TrajectoryPlan& plan, const TrajectoryOptions& options, double* dates_days, double* leg_span_mm,
                  double* start_leg_span_mm, double* end_leg_span_mm);

/// Loops that compilers turn into vector code; the same bits with and without it. Arrays must not overlap.
namespace vectors {
/// Two uniforms of (0, 1) for each of n counters (first + i, word, low, high).
void uniforms(std::uint64_t seed, std::uint32_t first, std::uint32_t word, std::uint32_t low, std::uint32_t high, int n,
              double* one, double* two);
/// Standard normal quantiles, by algorithm AS 241.
void normal_quantiles(const double* p, int n, double* z);
/// Adds weight Phi((mean - log_t) per_spread) to each of n sums, within 2e-10 of it.
void add_normal_tails(const double* mean, const double* per_spread, double log_t, double weight, int n, double* sum);
/// Shares of their log ratio that molts add, of sizes and the inverse of the limits of growth; spread: factor of the sd
/// of such a molt.
void growth_shares(const double* leg_span_mm, const double* per_limit_mm, const double* steepness, int n, double* share,
                   double* spread);
/// exp, within 2 units of the last digit for |x| < 690, NaN for NaN.
void exponentials(const double* x, int n, double* result);
}  // namespace vectors

}  // namespace moltspan
