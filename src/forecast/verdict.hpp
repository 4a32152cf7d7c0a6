#pragma once

#include <vector>

#include "intervals/next_molt_law.hpp"
#include "moltspan/forecast/forecast.hpp"

namespace moltspan {

/// Distribution function of a law between its standard quantiles, each step in four, and somewhat beyond the last.
MoltChances chances_of(const NextMoltLaw& law, const std::vector<double>& quantile_days);

/// The verdict on a day, with what the forecast adds to the facts; phase and feeding day are its words.
void add_verdict(const CareRules& rules, Day on, AnimalForecast& forecast);

}  // namespace moltspan
