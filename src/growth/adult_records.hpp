#pragma once

#include <limits>
#include <vector>

#include "growth/adult.hpp"

namespace moltspan {

/// Spreads of the records that tell of ends of growth.
struct AdultSpreads {
  double process_sd = 0.06;  ///< of a molt that adds all of its ratio
  double reading = 1;        ///< sd of readings over the usual ones
};

/// Log likelihood of one animal as a parabola in the log ratio.
struct Parabola {
  double least = 0, at = 0, curvature = 0;
  double log_likelihood(double ratio) const { return least - 0.5 * curvature * (ratio - at) * (ratio - at); }
};

/// One animal's record: readings of each instar joined, and its sizes smoothed.
struct AdultRecord {
  int animal = 0;
  std::vector<double> read, variance;  ///< an instar; variance 0 = not read
  std::vector<double> molts;           ///< an instar after the first
  std::vector<double> size;            ///< exp of the smoothed log size
  double largest = -std::numeric_limits<double>::infinity();  ///< smoothed, of instars that were read
  double matured = std::numeric_limits<double>::quiet_NaN();  ///< log size read once mature

  bool was_read() const { return largest > -std::numeric_limits<double>::infinity(); }
  /// Kalman filter and smoother of the sizes, with the expected log growth of each step.
  void smooth(const std::vector<double>& steps, double step_sd);
};

/// Readings of each instar joined by precision; of a parameter its prior mean counts.
std::vector<AdultRecord> adult_records(const GrowthData& data, const std::vector<AdultAnimal>& animals,
                                       const AdultSpreads& spreads);

/// The likelihood of one animal for one end of growth: a filter whose mean is linear in the log ratio.
Parabola growth_likelihood(const AdultRecord& r, const AdultAnimal& a, double per_limit, std::size_t form,
                           double process_sd);

/// What an animal's own size says of its adult size.
double log_of_own_size(const AdultRecord& r, const AdultAnimal& a, double deviation, std::size_t form);

/// Spreads by these readings, the share of its log ratio that each step of each animal adds being known: posterior means on a
/// grid, so that few readings leave the usual ones.
AdultSpreads learned_spreads(const GrowthData& data, const std::vector<AdultAnimal>& animals, double log_ratio,
                             const std::vector<std::vector<double>>& shares);

}  // namespace moltspan
