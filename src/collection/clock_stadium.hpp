#pragma once

#include <cmath>
#include <utility>
#include <vector>

#include "clock/clock.hpp"
#include "clock/temperatures.hpp"
#include "moltspan/collection/fit.hpp"

/// What both the clock of a collection and the search for it ask of records.
namespace moltspan {

inline constexpr double reference_c = 25;

/// What the user states of the days to come, one row an animal; empty where nothing is, or where the records go on after
/// the day of the fit, as a look back would not have known.
std::vector<std::vector<TemperatureSpan>> stated_to_come(const CollectionFit& fit);

/// From the middle of the start to the middle of the end, or as far as it was watched.
std::pair<double, double> moments_of_stadium(const Stadium& s);

/// How much of the log rate at its end a closed record tells: all where the day is known.
double told_of_end(const Stadium& s);

/// Mean over the development done between two moments of what a day has.
template <class OfDay>
double mean_by_clock(const ClockTable* table, double from, double until, const OfDay& of_day) {
  double sum = 0, total = 0;
  for (Day day = static_cast<Day>(std::floor(from)); day < until; ++day) {
    const double covered = std::min(until, day + 1.0) - std::max<double>(from, day);
    const double weight = covered * (table ? table->rate_at(day + 0.5) : 1);
    sum += weight * of_day(day);
    total += weight;
  }
  return total > 0 ? sum / total : of_day(static_cast<Day>(std::floor(from)));
}

}  // namespace moltspan
