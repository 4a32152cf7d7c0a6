#pragma once

#include <array>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "moltspan/forecast.hpp"

/// Whether an animal has outgrown its enclosure, and on which days it is safe to move it.
///
/// **Need.** Multiples of leg span by habit (`shared/housing.toml`): shorter side of the floor, height, drop from the
/// soil to the lid, depth of soil. A burrower whose depth of soil is not recorded never counts as well housed. Size
/// changes only at molts, so that the day on which an enclosure is outgrown is the day of the molt after which a limit
/// is passed: P(outgrown by d) = sum_k P(size passes the limit with the k-th molt from now) P(k-th molt by d).
/// Where a molt may have gone unseen, it is the size one molt further with the chance of that.
///
/// **Safe days.** Hardened = days by size after the latest possible molt day, ended early by black fangs or a meal. On
/// day d the risk is P(d - hardening < M <= d + lead) + P(M2 <= d + lead), M the next molt, M2 the one after it, lead =
/// days of premolt for its size: the chance that it is in premolt or soft on that day. Days up to a risk of .2 are
/// safe. While a trusted sign of premolt is on record no day before M is. Where no day before M is safe the day of
/// least risk is named.
///
/// **Cautions** (`moltspan/cautions.hpp`) are those of its kind, by `shared/housing.toml`; stated hazards add to them and
/// take none away; a kind that is not known gets all. Those of its reasons' prompts follow. An animal that escaped has
/// what a household should do.
///
/// Every number that is no published fact is named with its status in the texts: "assumption" or "common practice, no
/// source".
namespace moltspan {

/// Where a number of the rules is from.
enum class RuleStatus { published, common_practice, assumption };

struct RuleNumber {
  double value = unknown_number;  ///< NaN = there is no such rule
  RuleStatus status = RuleStatus::assumption;
};

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
struct HousingRules {
  HabitRules terrestrial, fossorial, semi_arboreal, arboreal;
  RuleNumber drop_from_leg_span_mm, oversize_floor, oversize_side_mm, sling_share, sling_mm, juvenile_share,
      juvenile_mm;
  RuleNumber premolt_chance, arrival_days, sign_leads, sac_days, rest_days, settle_days, later_chance;
  RuleNumber adult_ratio, adult_log_sd, interval_ratio, next_stadium_log_sd;
  std::vector<Event> trusted_signs;
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

/// Distribution of the days until the next molt, from the beginning of the `as_of` day: P(M <= days[i]) = chances[i],
/// linear in between. Empty = it molts no more, or nothing is known.
struct MoltChances {
  std::vector<double> days, chances;

  double by(double x_days) const;
  /// Day at which the chance reaches p, 0 < p < 1.
  double quantile(double p) const;
};

/// A note of the journal that bears on a move.
struct SignNote {
  Event event = Event::darkened;
  Day day = 0;
};

/// All that advice on one animal rests on.
struct HousingSituation {
  int animal = -1;  ///< index into Collection::animals
  std::string id, taxon;
  Day as_of = 0, on = 0;  ///< last day watched; day of the move
  std::string gone;       ///< why it is not there ("died on ..."); blank = it is
  std::string
      not_answered;  ///< why nothing is advised (a record of it is faulty; not there yet); blank = advice is given
  Habit habit = Habit::unknown;
  Hazards hazards;
  World world = World::unknown;
  double leg_span_mm = unknown_number;       ///< NaN = never measured
  double size_log_sd = 0;                    ///< of it
  bool measured_now = true;                  ///< read in this instar
  double days_leg_span_mm = unknown_number;  ///< for days by size where it was never measured: its kind's
  double adult_leg_span_mm = unknown_number;
  bool matured = false, molts_no_more = false;
  double male_chance = 0.5;
  std::optional<EnclosureSize> enclosure;
  std::optional<Day> latest_molt;   ///< latest possible day of the last molt; none: none on record
  Day watched_from = 0;             ///< without a molt on record it may have molted just before this day
  std::optional<Day> last_watched;  ///< last day on which a molt would have been noticed, where that is before as_of
  std::optional<Day> fangs_black, meal;  ///< first since the last molt
  std::optional<Day> last_meal;          ///< last since the last molt
  std::vector<SignNote> signs;           ///< since the last molt, by day
  std::string unfit;                     ///< mold, ...; blank = the box is sound
  std::optional<Day> unfit_day, egg_sac, mated, acquired;
  bool on_back = false;  ///< on the as_of day
  MoltChances next_molt;
  std::optional<GrowthAhead> growth;  ///< none: the usual ratio of shared/husbandry.toml
  double next_stadium_log_mean = unknown_number, next_stadium_log_sd = unknown_number;  ///< of the stadium after M
  double chance_final = 0;
  double chance_missed = 0;  ///< that a molt went unseen since the last on record, if it molts on
};

/// Days until an enclosure is outgrown, from the beginning of `as_of`; NaN = not within the molts looked at.
struct OutgrownBand {
  double level = 0.8;
  double from_days = unknown_number, to_days = unknown_number;
};

struct Outgrown {
  double median_days = unknown_number;
  std::vector<OutgrownBand> bands;           ///< empty = not known, or never
  double chance_next_molt = unknown_number;  ///< that a limit is passed once it has molted again; 1 = it is passed now
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
  std::vector<std::string> reasons, assumptions, cautions;
  double leg_span_mm = unknown_number;
  std::optional<EnclosureSize> enclosure;
  double ratio = unknown_number;  ///< shorter side of the floor / leg span
  Outgrown outgrown;
  std::optional<Day> egg_sac;                ///< day of the sac that is still counted on `on`; none: no such sac
  std::optional<Day> safe_from, safe_until;  ///< first run of safe days on or after `on`; no end: safe_until empty
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
