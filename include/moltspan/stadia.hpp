#pragma once

#include <optional>
#include <string>
#include <vector>

#include "moltspan/calendar.hpp"
#include "moltspan/records.hpp"

/// From checked records to the histories of animals and their stadia, with censoring and truncation.
namespace moltspan {

/// How it is known that an unrecorded molt did not happen: every animal is looked at every day, or only as its rows say.
enum class Watched { all, rows };

enum class StadiumStatus { closed, running, died, left };

/// Where an animal stands at the end of the records used.
enum class AnimalState { alive, died, left, escaped };

enum class SizeMeasure { leg_span, body_length, carapace_length, carapace_width, mass };

/// One molt as a range of days.
struct Molt {
  DayRange when;
  int instar = -1;        ///< instar reached, where stated
  std::int64_t row = 0;   ///< row number of the entry that opened it
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

/// One stadium: the time from one molt of an animal to its next. Lengths in days; see the design of the table in Python.
struct Stadium {
  int animal = -1;            ///< index into Collection::animals
  int molt = -1;              ///< index into AnimalHistory::molts of the molt that opens it
  DayRange start;
  std::optional<DayRange> end;
  double min_days = 0;        ///< T is at least this; 0 = left-censored
  double max_days = unknown_number;  ///< T is at most this; NaN = the end was not seen
  double start_range_days = 1;  ///< width of the start range: the start is uniform over it
  double entry_days = 0;      ///< > 0: watched only from that age on
  StadiumStatus status = StadiumStatus::closed;
  double temperature_c = unknown_number;  ///< time-weighted mean over the stadium up to as_of; NaN = not recorded
  bool limb_lost = false, egg_sac = false;  ///< noted within the stadium
};

/// What is known of one animal on the day `as_of`; nothing dated later has been looked at.
struct AnimalHistory {
  std::vector<Molt> molts;           ///< in order, hidden duplicates joined
  std::vector<SizeReading> sizes;    ///< by day
  AnimalState state = AnimalState::alive;
  std::optional<Day> ended;          ///< day of death, leaving or escape
  std::optional<Day> matured;        ///< day of the molt into maturity
  double male_chance = 0.5;
  bool molts_no_more = false;        ///< matured, and of a kind and sex that stops
  bool after_maturity_unknown = false;  ///< matured, but whether its kind goes on is not known
  Day watched_from = 0;              ///< first day from which a molt would have been noticed
  Day last_watched = 0;              ///< last day on which a molt would have been noticed
  bool on_back = false;              ///< seen on its back on the last watched day
  std::optional<Day> fangs_black, meal;  ///< first such row after the last molt
  int stadia_without_start = 0;      ///< stadia that give no row as their start is not known
  double temperature_c = unknown_number;  ///< the animal's usual, time-weighted over all its rows
};

/// Everything that a fit needs of a collection on one day.
struct StadiaTable {
  Day as_of = 0;
  Watched watched = Watched::all;
  std::vector<AnimalHistory> animals;  ///< one an animal of the collection, in its order
  std::vector<Stadium> stadia;         ///< by animal, then by start
};

/// Derives histories and stadia from all records dated up to `as_of` (default: the last recorded day).
///
/// Bounds, with the start in `[s_e, s_l + 1)` and the end in `[e_e, e_l + 1)`: `min_days = max(0, e_e - s_l - 1)`,
/// `max_days = e_l + 1 - s_e`; both ends known to the day give `min_days = max_days = e_e - s_e`; an end not seen gives
/// `min_days = last_watched - s_l`. `start_range_days = s_l - s_e + 1`. Animals set aside give none. No row begins with
/// the last molt of an animal that molts no more.
StadiaTable build_stadia(const Collection& collection, std::optional<Day> as_of = {}, Watched watched = Watched::all);

}  // namespace moltspan
