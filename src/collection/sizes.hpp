#pragma once

#include <map>
#include <vector>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Sizes of every animal in every instar, from its readings; carried over from the nearest reading where there is none;
/// of its kind where it was never measured.
std::vector<AnimalInputs> size_inputs(const Collection& collection, const StadiaTable& table);

/// Usual error of a log reading (of a mass, of its cube root).
double usual_reading_sd(SizeMeasure measure);

/// Log of the usual ratio in tarantulas (shared/husbandry.toml) of leg span to a measure; of mass, to its cube root in
/// g.
double usual_log_ratio(SizeMeasure measure);

/// Whether that ratio is one of its kind: it is a tarantula.
bool usual_ratios_hold(const Animal& animal);

/// Steps of leg spans by unit, from all of the collection.
std::map<double, double> rounding_steps(const StadiaTable& table);

/// Rounding step in mm of readings written in a unit: the largest of 10 mm, 5 mm, 1/4 in and 1/8 in of which at least 8
/// readings of that unit are all multiples; else 1/4 in, 5 mm or 1 mm by unit (common practice, no source).
double rounding_step_mm(const std::vector<double>& values_mm, double unit_mm);

}  // namespace moltspan
