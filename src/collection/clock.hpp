#pragma once

#include <memory>
#include <utility>

#include "clock/clock.hpp"
#include "clock/temperatures.hpp"
#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// The clocks of the animals of a collection; several threads may ask.
class CollectionClocks {
 public:
  explicit CollectionClocks(const CollectionFit& fit);
  /// Null: days of the calendar. `temperatures`: filled with those of each day of the table, empty where they are not
  /// in it.
  std::shared_ptr<const ClockTable> table(int animal, std::vector<double>* temperatures = nullptr) const;
  /// Of a stadium with this mean temperature (25 C where the fit has none).
  StadiumClock of(int animal, double reference_c) const;
  StadiumClock of_row(int row) const;
  /// Of the running stadium of an animal, or of its probe, from the as_of day on.
  ClockAhead ahead(int animal) const;
  /// Variance of the log length that is to come, for what is not known of temperatures to come.
  double variance_ahead(int animal) const;

 private:
  bool warm(int animal) const;
  /// Those of its rows, and where the records end with the fit what the user states to come.
  std::vector<TemperatureSpan> spans_of(int animal) const;

  const CollectionFit& fit_;
  Day first_ = 0;
  double log_mean_season_ = 0;
  std::shared_ptr<const ClockTable> season_;
  std::vector<std::vector<TemperatureSpan>> stated_;  ///< to come, one an animal; empty where nothing is stated
};

/// Puts the lengths of fit.data on the clock of the fit, and each record's `warmth_c` to the mean temperature that the
/// clock reckons with; sets ClockFit::warmth_slope.
void run_by_clock(CollectionFit& fit);

/// Learns the clock from a rough fit of some of the animals; fit.data holds its days afterwards. `warmth`: of log T a
/// degree, from a fit in days of the calendar. `rough`: options of such a fit. False: it is that of the calendar.
bool learn_clock(CollectionFit& fit, const StadiaOptions& rough, double warmth);

/// The caller's priors with that of `warmth_c` moved by what the log rates at closed ends say of it.
Priors clock_priors(const CollectionFit& fit, const Priors& given);

}  // namespace moltspan
