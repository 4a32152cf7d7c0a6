#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "moltspan/base/note.hpp"
#include "moltspan/collection/fit.hpp"
#include "moltspan/verdict/verdict.hpp"

/// @file
/// When each animal of a collection molts next.
///
/// A running stadium whose start is known: the molt is at start + T, the start integrated over its range with the
/// weight that the stadium before it gives each day, T from the posterior without the running stadium's own term,
/// conditional on no molt up to the last watched day. Signs of a coming molt (signs.hpp) reweight that law, and molts
/// that may have gone unseen since the last one on record (hidden_molts.hpp) are branches of it, so that an old sign
/// without a molt is evidence of one that was missed. No molt on record: the first record fell on a random moment of a
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

/// The same in the measure that is read on the animal, where no leg span of its kind is known; mm, of a mass g.
struct NextSize {
  struct Band {
    double level = 0.8, from = 0, to = 0;
  };
  SizeMeasure measure = SizeMeasure::leg_span;
  double median = 0;
  std::vector<Band> bands;
};

/// How long a male tarantula lives on after its last molt, in days from the beginning of the `as_of` day: Weibull with
/// a median by the pace of its kind (shared/husbandry.toml, [mature_male]: assumption), moved by the deaths and lives
/// of mature males in these records.
struct MatureLife {
  double median_days = 0;
  std::vector<ForecastBand> bands;  ///< one a level asked for
  int own_deaths = 0;               ///< of mature males in these records
};

/// Forecast of one animal. Dates of days x: as_of + floor(x).
struct AnimalForecast {
  int animal = -1;  ///< index into Collection::animals
  std::string id, taxon;
  Phase phase = Phase::unknown;
  std::optional<DayRange> last_molt;
  std::vector<double> quantile_days;  ///< one a standard quantile; empty = no forecast
  std::vector<ForecastBand> bands;    ///< one a level asked for
  std::string why_no_forecast;        ///< blank where there is one
  /// One a horizon of chance_horizons_days, counted from the day of the answer: that it has molted by the end of that
  /// day, unseen since `as_of` or still to come; the factor 1 - chance_final is in them (where it is known). Empty = no
  /// forecast.
  std::vector<double> chance_within_days;
  /// Chance that it has molted for the last time: 1 and 0 by rule of the kind after maturity; else from sex, size
  /// against adult size, the time since the last molt and signs; NaN = not identified. `quantile_days` and `bands` are
  /// conditional on a next molt.
  double chance_final = unknown_number;
  /// Chance that a molt since the last one on record went unseen and that another is to come; NaN = not reckoned.
  double chance_missed = unknown_number;
  std::optional<Day> feed_from;  ///< as the verdict has it
  std::optional<NextSize> next_size;         ///< given that it molts again; none for an animal never measured
  std::optional<NextLegSpan> next_leg_span;  ///< the same where it is a leg span
  std::optional<MatureLife> mature_life;     ///< of a living male tarantula that is mature
  int own_stadia = 0, taxon_stadia = 0;
  double own_weight = 0;
  std::vector<Note> notes;
  CareSituation care;  ///< what the verdict rests on
  Verdict verdict;     ///< of the day asked for; `phase` and `feed_from` are its words

  /// chance_missed given that it molts on; 0 where it is not reckoned.
  double chance_missed_if_molts_on() const;
};

/// Chance of a molt that went unseen, given that it molts on, from which sizes and courses reckon with it, and from
/// which it is told.
inline constexpr double counted_missed_chance = 0.01, reported_missed_chance = 0.1;

inline constexpr int chance_horizons_days[] = {7, 14, 30, 90};

/// One forecast an animal, in the collection's order, with the verdict of day `on` (default: `as_of`); the days since
/// `as_of` are unwatched. Throws std::invalid_argument for levels outside (0, 1) and where `on` lies before `as_of`.
/// Draws no random numbers.
std::vector<AnimalForecast> forecast(const CollectionFit& fit, const std::vector<double>& levels = {0.5, 0.8, 0.95},
                                     std::optional<Day> on = {}, const CareRules& rules = care_rules());

/// Chance that an animal molts after the last watched day and before `day` (that day not included): what to know before
/// a female is paired, as a molt discards what she has stored. Given that she lives; the chance of a last molt is in
/// it, where it is known. 0 for an animal that molts no more. Throws std::invalid_argument for a day that is not after
/// `as_of` and for an animal without a forecast, with the reason.
double chance_molt_before(const CollectionFit& fit, int animal, Day day);

}  // namespace moltspan
