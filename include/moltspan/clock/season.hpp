#pragma once

#include "moltspan/clock/clock.hpp"

/// @file
/// What is told of a season: the clock runs by its posterior mean, however weak, but it is a fact only where it is shown.
namespace moltspan {

/// Its amplitude is over twice its standard error, and `some` is likelier than `none`.
bool is_shown(const SeasonFit& season);

/// Amplitude of the log rate that the records leave possible (one-sided 95 %); NaN where none was looked for.
double largest_amplitude(const SeasonFit& season);

}  // namespace moltspan
