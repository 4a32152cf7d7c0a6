#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "moltspan/base/calendar.hpp"
#include "moltspan/records/records.hpp"

/// @file
/// From checked records to the histories of animals and their stadia, with censoring and truncation.
namespace moltspan {

/// How it is known that an unrecorded molt did not happen: every animal is looked at every day, or only as its rows
/// say.
enum class Watched { all, rows };

enum class StadiumStatus { closed, running, died, left };

/// Where an animal stands at the end of the records used.
enum class AnimalState { alive, died, left, escaped };

enum class SizeMeasure { leg_span, body_length, carapace_length, carapace_width, mass };
/// `leg_span`, ..., as the journal writes it.
constexpr std::string_view measure_name(SizeMeasure measure) {
  constexpr std::string_view names[] = {"leg_span", "body_length", "carapace_length", "carapace_width", "mass"};
  return names[static_cast<int>(measure)];
}

/// One molt as a range of days.
struct Molt {
  DayRange when;
  int instar = -1;             ///< instar reached, where stated
  std::int64_t row = 0;        ///< row number of the entry that opened it; 0 = only `matured` of `animals.csv` says so
  bool earliest_known = true;  ///< false: a skin found with no look before it; `when` is then the day of the find
};

/// One reading of size, placed in the instar that it belongs to.
struct SizeReading {
  SizeMeasure measure = SizeMeasure::leg_span;
  double value = unknown_number;  ///< mm, or g for mass
  double unit_mm = 1;             ///< unit it was written in, in mm (or g)
  int molts_before = 0;           ///< number of recorded molts of the animal before the instar that was measured
  bool on_skin = false;
  Day day = 0;
};

/// One stadium: the time from one molt of an animal to its next. Lengths in days; see the design of the table in
/// Python.
struct Stadium {
  int animal = -1;  ///< index into Collection::animals
  int molt = -1;    ///< index into AnimalHistory::molts of the molt that opens it
  DayRange start;
  std::optional<DayRange> end;
  double min_days = 0;               ///< T is at least this; 0 = left-censored
  double max_days = unknown_number;  ///< T is at most this; NaN = the end was not seen
  double start_range_days = 1;       ///< width of the start range: the start is uniform over it
  double entry_days = 0;             ///< > 0: watched only from that age on
  StadiumStatus status = StadiumStatus::closed;
  /// Molts from its start to its end, by the stated instar numbers: 1 = one stadium; 2 = two in one row, as one molt
  /// between them is not on record; NaN = one or more, where several rows in turn hold more molts than rows.
  double molts = 1;
  double start_size_mm =
      unknown_number;  ///< leg span as read in this instar: the first on the animal, else the first on its skin
  double temperature_c = unknown_number;    ///< time-weighted mean over the stadium up to as_of; NaN = not recorded
  bool limb_lost = false, egg_sac = false;  ///< noted within the stadium
};

/// Begun on the last day watched, so that its length has no bound at all.
bool without_length(const Stadium& stadium);

/// A mean temperature that holds for the days [from, until).
struct TemperatureSpan {
  Day from = 0, until = 0;
  double mean_c = 0;
};

/// What is known of one animal on the day `as_of`; nothing dated later has been looked at.
struct AnimalHistory {
  bool recorded = false;           ///< any row or date of it up to as_of; false: nothing is known of it yet
  std::vector<Molt> molts;         ///< in order, hidden duplicates joined
  std::vector<SizeReading> sizes;  ///< by day
  AnimalState state = AnimalState::alive;
  std::optional<Day> ended;    ///< day of death, leaving or escape
  std::optional<Day> matured;  ///< day of the molt into maturity (the last possible one of a range)
  int matured_molt = -1;       ///< index into molts of the molt into maturity
  double male_chance = 0.5;    ///< of the last `sex` row, else of `animals.csv`, which is undated and always counts
  bool molts_no_more = false;  ///< matured, and of a kind and sex that stops
  bool after_maturity_unknown = false;    ///< matured, but whether its kind or sex goes on is not known
  Day watched_from = 0;                   ///< first day from which a molt would have been noticed
  Day last_watched = 0;                   ///< last day on which a molt would have been noticed
  bool on_back = false;                   ///< seen on its back on the last watched day
  std::optional<Day> fangs_black, meal;   ///< first such row since the last molt (a meal: later than its last day)
  int stadia_without_start = 0;           ///< stadia that give no row as their start is not known
  std::vector<TemperatureSpan> temperatures;  ///< of its rows, in their order
  double temperature_c = unknown_number;  ///< the animal's usual: time-weighted over its rows, else as stated for it
};

/// Everything that a fit needs of a collection on one day.
struct StadiaTable {
  Day as_of = 0;
  Watched watched = Watched::all;
  std::vector<AnimalHistory> animals;  ///< one an animal of the collection, in its order
  std::vector<Stadium> stadia;         ///< by animal, then by start
  std::vector<Problem> doubts;         ///< what had to be decided to place molts and readings
};

/// Derives histories and stadia from all records dated up to `as_of` (default: the last recorded day).
///
/// **Bounds.** With the start in `[s_e, s_l + 1)` and the end in `[e_e, e_l + 1)`: `min_days = max(0, e_e - s_l - 1)`,
/// `max_days = e_l + 1 - s_e`; both ends known to the day (and not the same day) give `min_days = max_days = e_e -
/// s_e`; an end not seen gives `min_days = max(0, last_watched - s_l)`. `start_range_days = s_l - s_e + 1`. Animals set
/// aside give none. No row begins with the last molt of an animal that molts no more.
///
/// **As of.** A row is used once it is over: a range that ends after `as_of` is not known yet. Of `animals.csv`,
/// `hatched`, `acquired`, `matured` and `died` are used where they are not later than `as_of`.
///
/// **End.** The record ends with the first `died`, `left` or `escaped`; rows after it, but for readings, are not used
/// and said.
///
/// **Molts.** Evidence of a molt is a `molt` row (its range); `on_back` (its day); `skin_found` (the day after the last
/// look up to its day, or the range that it states itself); `matured`, as row or column. Evidence whose ranges overlap
/// is one molt, and the ranges are intersected, unless the instar numbers differ: then it is two, in the order of the
/// numbers. As one molt is often written down twice, evidence of another kind joins the nearest `molt` row, `on_back`
/// or skin: `on_back` and `skin_found` within 2 days, `matured` within 7 (assumptions; said as a doubt where the ranges
/// do not overlap). `matured` with no such molt is a molt on that day. `hatched` is no molt.
///
/// **A look** is a row that proves that the animal was seen and had not molted unnoticed: `checked`, `ate`, a reading
/// on the animal, `darkened`, `sluggish`, `molt_mat`, `fangs_black`, `limb_lost`, `egg_sac`, `mated`, `molt`,
/// `skin_found`, `on_back`, `left`, `died`, and `acquired`. `fed`, `refused`, `sealed_in` and a reading on the skin are
/// none: they need no sight of the animal. Of a range the first day counts, of a molt the last. Watched::all censors at
/// `as_of` or the end of the record, Watched::rows at the last look.
///
/// **Sizes.** A reading on the animal (or unsaid) belongs to the instar after all molts that are over by its day, a
/// reading on the skin to the instar that ended with the last molt that may have begun by then.
///
/// **Instar numbers.** Numbers stated on both sides of a row say how many molts it spans (3 to 5: two); a number that
/// is not stated, or one that does not rise, says nothing and counts as the next.
///
/// **Left truncation.** Where an animal was acquired after the start of a stadium that went on, `entry_days = acquired
/// - s_l`. A stadium whose start is not known gives no row and is counted.
///
/// Throws std::invalid_argument where `as_of` is not given and no record has a date.
StadiaTable build_stadia(const Collection& collection, std::optional<Day> as_of = {}, Watched watched = Watched::all);

}  // namespace moltspan
