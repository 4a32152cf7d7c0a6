#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "moltspan/collection_fit.hpp"

/// When each animal of a collection molts next.
///
/// A running stadium whose start is known: the molt is at start + T, the start integrated over its range with the
/// weight that the stadium before it gives each day, T from the posterior without the running stadium's own term,
/// conditional on no molt up to the last watched day. No molt on record: the first record fell on a random moment of a
/// stadium, so that the rest R has P(R > r | w days watched) = int_(w+r) S / int_w S, each animal's S taken over its
/// own mean (all animals are as likely to be met). Days are counted, with fraction, from the beginning of the `as_of`
/// day; a molt up to the end of that day would have been seen.
namespace moltspan {

enum class Phase { postmolt, intermolt, premolt, overdue, final_instar, dead, gone, unknown };

/// `postmolt`, ..., `final`, ..., as JSON and tables print it.
std::string_view phase_name(Phase phase);

/// The quantiles that every forecast carries.
inline constexpr double standard_quantiles[] = {0.025, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.975};

struct ForecastBand {
  double level = 0.8;
  double from_days = 0, to_days = 0;
};

/// Leg span in mm after the next molt: median and one band a level asked for.
struct NextLegSpan {
  struct Band {
    double level = 0.8, from_mm = 0, to_mm = 0;
  };
  double median_mm = 0;
  std::vector<Band> bands;
};

/// Forecast of one animal. Dates of days x: as_of + floor(x).
struct AnimalForecast {
  int animal = -1;  ///< index into Collection::animals
  std::string id, taxon;
  Phase phase = Phase::unknown;
  std::optional<DayRange> last_molt;
  std::vector<double> quantile_days;       ///< one a standard quantile; empty = no forecast
  std::vector<ForecastBand> bands;         ///< one a level asked for
  std::string why_no_forecast;             ///< blank where there is one
  std::vector<double> chance_within_days;  ///< one a horizon of chance_horizons_days; empty = no forecast
  double chance_final = unknown_number;    ///< 1 for an animal that molts no more; NaN = not identified
  std::optional<Day> feed_from;
  std::optional<NextLegSpan> next_leg_span;  ///< given that it molts again; none for an animal never measured
  int own_stadia = 0, taxon_stadia = 0;
  double own_weight = 0;
  std::vector<std::string> notes;
};

inline constexpr int chance_horizons_days[] = {7, 14, 30, 90};

/// One forecast an animal, in the collection's order. Levels must lie in (0, 1): std::invalid_argument. Draws no random
/// numbers.
std::vector<AnimalForecast> forecast(const CollectionFit& fit, const std::vector<double>& levels = {0.5, 0.8, 0.95});

}  // namespace moltspan
