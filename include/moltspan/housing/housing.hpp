#pragma once

#include <array>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "moltspan/base/note.hpp"
#include "moltspan/forecast/forecast.hpp"

/// @file
/// Whether an animal has outgrown its enclosure, and on which days it is safe to move it.
///
/// **Need.** Multiples of leg span by habit (`shared/housing.toml`): shorter side of the floor, height, drop from the
/// soil to the lid, depth of soil. A burrower whose depth of soil is not recorded never counts as well housed. Size
/// changes only at molts, so that the day on which an enclosure is outgrown is the day of the molt after which a limit
/// is passed: P(outgrown by d) = sum_k P(size passes the limit with the k-th molt from now) P(k-th molt by d).
/// Where a molt may have gone unseen, it is the size one molt further with the chance of that. Growth ends (AdultNode), so
/// that there is a chance that a box is never outgrown.
///
/// **Safe days.** Those on which the verdict (verdict.hpp) lets it be moved: neither soft nor in premolt, and no molt
/// likely to pass unseen before. They lie before its next molt; after a molt that is still to come there are no dates,
/// only days counted from it: from the end of hardening to where 1 in 5 would be in premolt again.
///
/// **Cautions** (`moltspan/cautions.hpp`) are those of its kind, by `shared/housing.toml`; stated hazards add to them and
/// take none away; a kind that is not known gets all. Those of its reasons' prompts follow. An animal that escaped has
/// what a household should do.
///
/// Every number that is no published fact is named with its status in the texts: "assumption" or "common practice, no
/// source".
namespace moltspan {

/// Multiples of leg span for one habit; see `shared/housing.toml`.
struct HabitRules {
  RuleNumber floor_due, floor_plan, floor_target, floor_target_most, height_due, height_plan, height_target, drop_warn,
      drop_limit, soil_due, soil_target, sling_soil;
};

/// What handling some kinds has to beware of, and how that is known.
struct KindHazards {
  std::string name;                        ///< of a group of `shared/kinds.toml`, or of kinds within one
  std::vector<std::string> genera, words;  ///< small letters; both empty: the whole group of that name
  Hazards hazards;
  std::string basis;  ///< `published: ...`, `common practice, no source`, ...
};

/// All rules of `shared/housing.toml`, in its order.
struct HousingRules : CareRules {
  HabitRules terrestrial, fossorial, semi_arboreal, arboreal;
  RuleNumber drop_from_leg_span_mm, oversize_floor, oversize_side_mm, sling_share, sling_mm, juvenile_share,
      juvenile_mm;
  RuleNumber rest_days, later_chance;
  RuleNumber adult_ratio, adult_log_sd, interval_ratio, next_stadium_log_sd;
  std::vector<KindHazards> hazards_of_group;  ///< of a whole group
  std::vector<KindHazards> hazards_of_kind;   ///< of genera in it, which win over their group

  /// Every number that does not belong to one habit is there.
  bool safety_complete() const;
};

/// The shipped rules with the numbers of `toml` in their place; blank = as shipped. Throws std::invalid_argument that
/// names the section and the name of what is unknown, no number or has no status, or the line that cannot be read.
HousingRules housing_rules(std::string_view toml = {});

enum class Advice { move_now, conflict, wait_hardening, wait_premolt, hold, measure_first, later, fits, final, gone };

/// `move_now`, ..., as JSON and tables print it.
std::string_view advice_name(Advice advice);

/// All that advice on one animal rests on.
struct HousingSituation : CareSituation {
  int animal = -1;  ///< index into Collection::animals
  std::string id, taxon, group;  ///< group: where the records state it
  Day on = 0;                    ///< day of the move
  Habit habit = Habit::unknown;
  Hazards hazards;
  World world = World::unknown;
  double leg_span_mm = unknown_number;  ///< NaN = never measured
  double size_log_sd = 0;               ///< of it
  std::string size_word = "leg span";   ///< what stands for it in kinds that are housed by another measure
  bool by_leg_span = true;              ///< its box goes by leg span itself
  std::string no_box_rule;              ///< kind on which no leg span was read and of whose boxes no rule is known
  bool measured_now = true;             ///< read in this instar
  std::optional<EnclosureSize> enclosure;
  std::string unfit;  ///< mold, ...; blank = the box is sound
  std::optional<Day> unfit_day;
  std::optional<GrowthAhead> growth;  ///< none: the usual ratio of shared/husbandry.toml
  double next_stadium_log_mean = unknown_number, next_stadium_log_sd = unknown_number;  ///< of the stadium after M
  double next_stadium_shared_log_sd = 0;  ///< the part of that spread which all its stadia to come share
  double stops_when_mature = 0;           ///< chance that it is of a sex that molts no more once mature
  double missed_if_molts_on = 0;  ///< chance that a molt went unseen since the last on record, if it molts on
};

/// Days until an enclosure is outgrown, from the beginning of `as_of`; NaN = likelier never than by a day.
struct OutgrownBand {
  double level = 0.8;
  double from_days = unknown_number, to_days = unknown_number;
};

struct Outgrown {
  double median_days = unknown_number;
  std::vector<OutgrownBand> bands;           ///< empty = not known, or never
  double chance_next_molt = unknown_number;  ///< that a limit is passed once it has molted again; 1 = it is passed now
  double chance_never = unknown_number;  ///< that its growth ends below every limit, or that it has molted for the last time
  std::array<double, 3> chance_within{unknown_number, unknown_number,
                                      unknown_number};  ///< one a horizon of need_horizons_days
};

inline constexpr int need_horizons_days[] = {30, 60, 90};

/// A box for an animal. The soil is the depth to fill in; NaN = no rule.
struct SuggestedBox {
  std::string name;  ///< own box; blank = any of this size
  double w_mm = 0, d_mm = 0, h_mm = 0, soil_mm = unknown_number;
  int lasts_molts = 0;  ///< molts after which it is expected to be large enough still
};

/// Advice on one animal.
struct HousingAdvice {
  int animal = -1;
  std::string id, taxon;
  Advice advice = Advice::measure_first;
  std::vector<Note> reasons, assumptions, cautions;  ///< cautions: codes of shared/cautions.toml
  double leg_span_mm = unknown_number;  ///< or what stands for it in its kind
  std::string size_word = "leg span";   ///< what that is
  bool by_leg_span = true;
  std::optional<EnclosureSize> enclosure;
  double ratio = unknown_number;  ///< shorter side of the floor / leg span
  Outgrown outgrown;
  std::optional<Day> egg_sac;                ///< day of the sac that is still counted on `on`; none: no such sac
  Verdict verdict;                           ///< of day `on`
  std::optional<Day> last_entry;             ///< last day written of in the journal
  std::optional<Day> safe_from, safe_until;  ///< first run of safe days on or after `on`; no end: safe_until empty
  std::optional<std::pair<int, int>> safe_after_molt_days;  ///< counted from its next molt, where no day before is safe
  std::optional<SuggestedBox> suggested;
  bool due = false;      ///< a limit is passed or the box is unfit
  double shortfall = 1;  ///< least of measure / due over all limits: < 1 = due
  int sitting = 0;       ///< 1 = on the day of the plan, 2 = the next, ...; 0 = none
  std::optional<Day> sitting_day;
};

/// Advice on one animal by itself: the whole of the rules, free of any fit. Draws no random numbers.
HousingAdvice advise(const HousingSituation& situation, const HousingRules& rules);

struct RehouseOptions {
  std::optional<Day> on;       ///< day of the move; default: the fit's as_of
  std::optional<int> at_most;  ///< animals a sitting; default: all in one
  HousingRules rules = housing_rules();
};

/// Boxes of one size that are needed within 30, 60 and 90 days: expected number and 80 % band.
struct BoxNeed {
  std::string name;  ///< own box, or its size
  bool own = false;
  std::array<double, 3> expected{};
  std::array<int, 3> from{}, to{};
};

/// The plan, in its order: first the animals to move, in the order of the day, at the end those that need nothing.
struct RehousePlan {
  Day as_of = 0, on = 0;
  std::optional<int> at_most;
  std::vector<HousingAdvice> animals;  ///< every animal of the collection, once
  std::vector<BoxNeed> boxes;
  std::vector<std::string>
      make_ready;  ///< what to prepare, the closing head count, one line for an escape; last: to whom it defers
  std::vector<HealthNote> health;
};

/// What the fit knows of each animal, in the collection's order.
std::vector<HousingSituation> housing_situations(const CollectionFit& fit, Day on, const HousingRules& rules);

/// Plans the moves of a collection. Throws std::invalid_argument where `on` lies before `as_of` or `at_most` is
/// under 1.
RehousePlan rehouse(const CollectionFit& fit, const RehouseOptions& options = {});

}  // namespace moltspan
