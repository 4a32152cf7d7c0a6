#pragma once

#include <cstdint>
#include <filesystem>
#include <limits>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "moltspan/base/calendar.hpp"

/// @file
/// Animals, journal entries, and what is wrong with them.
///
/// A table comes in as text, cell by cell, from a CSV file or a data frame. Every cell is checked; **all** faults and
/// doubts are gathered and none is dropped in silence. A fault sets its animal aside; a doubt is answered, but said.
namespace moltspan {

inline constexpr double unknown_number = std::numeric_limits<double>::quiet_NaN();

/// Readings above these are faults: no arthropod that is kept and measured in this way reaches them (assumptions, wide
/// on purpose: they catch a wrong unit, not a large animal).
inline constexpr double largest_leg_span_mm = 400;
inline constexpr double largest_body_length_mm = 700;
inline constexpr double largest_carapace_length_mm = 150;
inline constexpr double largest_carapace_width_mm = 300;
inline constexpr double largest_mass_g = 2000;
inline constexpr double largest_enclosure_mm = 10000;
inline constexpr double largest_instar = 100;
inline constexpr double coldest_c = -20, warmest_c = 60;

enum class Severity { fault, doubt };

/// One thing that is wrong or doubtful, complete enough to be mended by its reader.
struct Problem {
  Severity severity = Severity::fault;
  std::string file;
  std::int64_t row = 0;  ///< 0 where the problem belongs to no single row
  std::string animal;    ///< blank where no animal is known
  std::string column;
  std::string value;
  std::string rule;       ///< what was expected
  std::string next_step;  ///< what to do

  auto operator<=>(const Problem&) const = default;
};

/// A table of text, column by column, with the line of its file that each row began on (1 = first line of the file).
struct TextTable {
  std::string source;  ///< file name, or the name of the frame, as faults print it
  std::vector<std::string> columns;
  std::vector<std::vector<std::string>> cells;  ///< cells[column][row]
  std::vector<std::int64_t> rows;               ///< row number to print, one a row
  std::vector<Problem> problems;  ///< what was wrong with the text itself: rows too short or too long, ...

  std::size_t size() const { return rows.size(); }
};

enum class Habit { unknown, arboreal, semi_arboreal, terrestrial, fossorial };
enum class Pace { unknown, slow, medium, fast };
enum class AfterMaturity { unknown, goes_on, stops };
enum class World { unknown, old_world, new_world };

/// What handling has to beware of; all false and `stated` false where nothing is recorded.
struct Hazards {
  bool stated = false;
  bool urticating_setae = false, systemic_venom = false, irritant_spray = false, fast = false;
};

/// What the records state of a kind over the facts of shared/kind_facts.toml; NaN = not stated. Sizes in `measure`: mm,
/// mass in g.
struct StatedFacts {
  int measure = -1;  ///< SizeMeasure; -1 = not stated
  double adult_female = unknown_number, adult_male = unknown_number;
  double growth_ratio = unknown_number;
  double stadium_days = unknown_number, stadium_at = unknown_number;
  double premolt_share = unknown_number;
};

/// A row of `animals.csv`, with the columns of `taxa.csv` filled in from its taxon where the animal states none.
struct Animal {
  std::string id;
  std::string taxon;
  std::string genus;   ///< first word of the taxon
  std::string cohort;  ///< blank = none
  std::string group;   ///< of shared/kinds.toml, where the records state it; blank = as the taxon tells
  std::optional<Day> hatched, acquired, matured, died;
  double male_chance = 0.5;  ///< 0 female, 1 male, .5 unknown, .2 / .8 for probable
  Habit habit = Habit::unknown;
  Pace pace = Pace::unknown;
  World world = World::unknown;
  Hazards hazards;
  AfterMaturity after_maturity_female = AfterMaturity::unknown, after_maturity_male = AfterMaturity::unknown;
  double adult_leg_span_mm = unknown_number;
  StatedFacts stated;
  double temperature_c = unknown_number;
  std::string kept_as, note;
  bool set_aside = false;  ///< a fault names this animal: it is not answered
  std::int64_t row = 0;    ///< index into the text table of animals
};

/// A group of animals that share what happens after maturity (`shared/kinds.toml`).
struct Kind {
  std::string group;  ///< such as "tarantulas"; blank = not known
  bool is_tarantula = false;
  AfterMaturity female = AfterMaturity::unknown, male = AfterMaturity::unknown;
};

/// The group that the records state, else that of a genus or a whole taxon: by its first word (the genus), else by any
/// word of it that names a group ("whip spider", "Theraphosidae"). A kind that is not listed has a blank group and
/// unknown rules. Capitals do not matter.
const Kind& kind_of(std::string_view taxon, std::string_view stated_group = {});
const Kind& kind_of(const Animal& animal);

enum class Event {
  molt,
  skin_found,
  on_back,
  leg_span,
  body_length,
  carapace_length,
  carapace_width,
  mass,
  ate,
  refused,
  fed,
  darkened,
  sealed_in,
  sluggish,
  molt_mat,
  fangs_black,
  checked,
  enclosure,
  unfit,
  setup,
  temperature,
  habit,
  sex,
  limb_lost,
  egg_sac,
  mated,
  matured,
  died,
  left,
  escaped
};

/// The word of `journal.csv` for an event, such as `leg_span`.
std::string_view event_name(Event event);

/// What a reading was taken on. `unsaid` stands for a blank `on` (which counts as the animal).
enum class MeasuredOn { unsaid, animal, skin };

/// Inner size of an enclosure. Round ones have w = d = diameter. All sizes NaN where only a volume is known.
struct EnclosureSize {
  double w_mm = unknown_number, d_mm = unknown_number;
  double h_mm = unknown_number;          ///< floor to lid
  double substrate_mm = unknown_number;  ///< depth of the substrate; NaN = not recorded
  double volume_l = unknown_number;      ///< only where nothing else is known
  bool round = false;
  std::string name;  ///< own box it is; blank = none
};

/// One of the keeper's own boxes, a row of `enclosures.csv`.
struct Enclosure {
  std::string name;
  EnclosureSize size;
  int count = 1;
  std::int64_t row = 0;  ///< row number to print
};

/// One checked journal row of one animal (a row that names several animals gives several entries).
struct Entry {
  int animal = -1;  ///< index into Collection::animals
  DayRange when;
  Event event = Event::checked;
  double value = unknown_number;  ///< sizes mm, mass g, temperature C, instar number; sex as male chance
  double step = unknown_number;   ///< unit in mm (or g) of the value as written, so that a rounding step can be read
                                  ///< off: 1, 10, 25.4
  MeasuredOn on = MeasuredOn::unsaid;
  std::string text;  ///< value as written; for unfit and habit our own word for it
  std::string note;
  std::shared_ptr<const EnclosureSize> enclosure;  ///< of `enclosure` entries, else empty
  std::int64_t row = 0;                            ///< row number to print
};

/// `folder.toml`: what a folder states once.
struct FolderRules {
  DateOrder date_order = DateOrder::unstated;
  std::string length_unit, mass_unit, temperature_unit;              ///< used where a row gives none
  std::vector<std::pair<std::string, std::string>> columns, events;  ///< the user's own word -> ours
};

/// The text of a folder, before any check.
struct RawCollection {
  TextTable animals, journal;
  std::optional<TextTable> taxa, enclosures;
  FolderRules rules;
};

/// Checked records. Immutable once made.
struct Collection {
  std::vector<Animal> animals;
  std::vector<Entry> entries;         ///< by animal, then by first day, then as written
  std::vector<Enclosure> enclosures;  ///< the keeper's own boxes
  std::vector<Problem> problems;      ///< by file, then row
  RawCollection raw;                  ///< every cell as it came, unknown columns too
  std::optional<Day> today;           ///< as the caller gave it

  bool has_faults() const;
  /// Last day that any record of an animal that is not set aside names, but for days after `today` and for a few rows
  /// that stand alone far behind all others, as a wrong year does (both are doubts); nothing when there is none.
  std::optional<Day> last_recorded_day() const;
};

/// Checks the tables. Never throws on a faulty record: faults are listed in the result.
///
/// The library reads no clock: `today` is the caller's, and dates after it are doubts; without it none is.
/// A fault in a journal row sets every animal that the row names aside; an unknown animal in it sets nobody aside. A
/// row for a cohort counts for those of its animals that had not died, left or escaped before it. Throws
/// std::invalid_argument only for a table whose columns differ in length.
Collection make_collection(RawCollection raw, std::optional<Day> today = {});

/// Reads `animals.csv`, `journal.csv` and where present `taxa.csv`, `enclosures.csv`, `folder.toml` of a folder.
/// Throws std::runtime_error that names the file when a required one is missing or cannot be opened.
RawCollection read_folder(const std::filesystem::path& folder);

/// One CSV text as people write it: byte order mark, `,` `;` or tab (the commonest outside quotes in the first line, or
/// as a first line `sep=;` says), CRLF, quoted line breaks, blank lines. Never throws on what it reads: rows with more
/// cells than columns, columns named twice and quotes never closed are listed in `problems`. Cells past the last column
/// are no fault while blank; cells left out at the end of a row are blank. Text that is no UTF-8 is read as Latin-1,
/// said as a doubt.
TextTable read_csv(std::string_view text, std::string source);

/// A sheet of a workbook, a vector of texts a row of it, all of one length. As in a CSV file the first row that is not
/// blank names the columns, blank rows are passed over, and headings that are blank or there twice are listed in
/// `problems`.
TextTable table_of_sheet(const std::vector<std::vector<std::string>>& rows, std::string source);

/// `folder.toml`:
///
///     date_order = "day_first"        # or "month_first"
///     [units]                         # where a row gives none
///     length = "cm"                   # mm, cm, in
///     mass = "g"                      # g, mg
///     temperature = "C"               # C, F
///     [columns]                       # your word = ours
///     "Spider" = "animal"
///     [events]
///     "eats" = "ate"
///
/// Throws std::runtime_error that names the line of what cannot be read, unknown keys and words included.
FolderRules read_folder_rules(std::string_view text, const std::string& source);

}  // namespace moltspan
