#pragma once

#include <vector>

#include "moltspan/stadia/stadia.hpp"

/// Temperatures of one animal: what its rows say, and what the series of its place says.
namespace moltspan::stadia_detail {

/// A span of the animal's own rows. The days before `sure_from` have the row's mean only where nothing else is known.
struct OwnSpan {
  TemperatureSpan span;
  Day sure_from = 0;
};

/// A row gives the mean since the row before it (the first: since the animal is watched), or over its own range.
std::vector<OwnSpan> temperature_spans(const std::vector<const Entry*>& entries, Day watched_from);

/// The stretches of a series that are over by a day.
std::vector<TemperatureSpan> series_spans(const std::vector<const Entry*>& entries, Day as_of);

/// Own rows on the days they speak for surely, else the series, else the days before. In the order of the rows where
/// there is no series, else by day.
std::vector<TemperatureSpan> with_series(const std::vector<OwnSpan>& own, const std::vector<TemperatureSpan>& series);

}  // namespace moltspan::stadia_detail
