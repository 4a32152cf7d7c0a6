#pragma once

#include <cmath>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "moltspan/base/calendar.hpp"
#include "moltspan/records/records.hpp"

/// @file
/// One verdict an animal and day: what it is in, and with that whether it may be fed and moved. Forecast, feeding round,
/// plan, printed sheet, calendar file and report show this verdict and decide nothing of their own.
///
/// On day d, with M the day of the next molt as the forecast has it (signs and unseen molts in it), lead = days of
/// premolt and h = days of hardening for its size, f = chance that it molts no more:
///   molted unseen  1 - (1 - m) (1 - (1 - f) P(M < d)), m the chance that a molt before the last look went unseen,
///   soft           1 until it has hardened after its last molt on record, else (1 - f) P(d - h < M < d),
///   in premolt     (1 - f) P(d <= M <= d + lead), 0 while it is soft after its last molt on record.
/// Where two readings differ the cautious one wins, in this order: on its back; sealed in; soft; egg sac; new arrival;
/// mature; look first (a molt may have come unseen: from a chance of .1, or from 1.3 of its own longest stadium, or
/// overdue, or a sign of premolt too old for its molt); premolt (a trusted sign, or soft or in premolt with over .2);
/// between molts. Numbers: shared/housing.toml, [safety], each with its status.
namespace moltspan {

/// Where a number of the rules is from.
enum class RuleStatus { published, common_practice, assumption };

struct RuleNumber {
  double value = unknown_number;  ///< NaN = there is no such rule
  RuleStatus status = RuleStatus::assumption;
};

/// Rules of `shared/housing.toml` that verdicts rest on.
struct CareRules {
  RuleNumber premolt_chance;    ///< chance of being soft or in premolt from which it is held
  RuleNumber likely_premolt;    ///< chance of premolt from which nothing is offered
  RuleNumber look_chance;       ///< chance that a molt came unseen from which it is looked at first
  RuleNumber own_longest;       ///< multiple of its own longest stadium from which it is looked at first
  RuleNumber arrival_days;      ///< rest of a new arrival
  RuleNumber sign_leads;        ///< leads of premolt for which a sign counts
  RuleNumber sac_days;          ///< days for which a sac counts
  RuleNumber settle_days;       ///< before the first meal after a move or an arrival
  RuleNumber offer_again_days;  ///< before food is offered again after a refusal
  std::vector<Event> trusted_signs;
};

/// The shipped rules.
const CareRules& care_rules();

/// Distribution of the days until the next molt, from the beginning of the `as_of` day: P(M <= days[i]) = chances[i],
/// linear in between. Empty = it molts no more, or nothing is known.
struct MoltChances {
  std::vector<double> days, chances;

  double by(double x_days) const;
  /// Day at which the chance reaches p, 0 < p < 1.
  double quantile(double p) const;
};

/// A note of the journal that bears on a molt or a move.
struct SignNote {
  Event event = Event::darkened;
  Day day = 0;
};

/// What a verdict rests on: one animal as its records and the forecast have it at the end of day `as_of`.
struct CareSituation {
  Day as_of = 0;
  std::optional<Event> ended;  ///< died, left or escaped
  std::optional<Day> ended_day;
  std::string not_answered;                  ///< why nothing is said (a record of it is faulty; not there yet)
  bool is_tarantula = false;
  double days_leg_span_mm = unknown_number;  ///< for days by size
  double adult_leg_span_mm = unknown_number;
  /// Of kinds with facts of their own: median of the present stadium, and the share of it that premolt takes.
  double stadium_median_days = unknown_number, premolt_share = unknown_number;
  bool matured = false, molts_no_more = false;
  double male_chance = 0.5;
  std::optional<DayRange> last_molt;      ///< none: none on record
  Day watched_from = 0;                   ///< without a molt on record it may have molted just before this day
  std::optional<Day> last_watched;        ///< last day on which a molt would have been noticed, where before as_of
  std::optional<Day> last_entry;          ///< last day written of in the journal
  std::optional<Day> fangs_black, meal;   ///< first since the last molt
  std::optional<Day> last_meal;           ///< last since the last molt
  std::vector<SignNote> signs;            ///< since the last molt, by day
  std::optional<Day> sealed_in, opened;   ///< since the last molt: last sealing, last proof that it was open
  std::optional<Day> egg_sac, mated, acquired;
  bool on_back = false;                   ///< on the as_of day
  MoltChances next_molt;                  ///< given that it molts again
  double chance_final = 0;                ///< that it molts no more
  double chance_missed = 0;               ///< that a molt before the last look went unseen
  double signs_true = 0;                  ///< chance that the signs on record tell of the next molt
  bool overdue = false;                   ///< all but 1 in 20 such animals would have molted by the last look
  double longest_own_days = unknown_number;  ///< of its stadia with a seen end
};

enum class VerdictCode {
  not_answered,
  dead,
  gone,
  molting,
  sealed,
  soft,
  sac,
  resting,
  final_instar,
  look,
  premolt,
  between
};
/// `not_answered`, ..., `final`, ..., as JSON and tables print it.
std::string_view verdict_name(VerdictCode code);

enum class VerdictReason {
  not_answered,
  died,
  left,
  escaped,
  on_its_back,
  sealed_while_soft,
  sealed_in,
  molted_lately,
  perhaps_molted_lately,  ///< no molt on record, watched for less than it takes to harden
  egg_sac,
  perhaps_egg_sac,
  arrived,
  matured,
  unseen_since_entry,
  missed_molt,
  longer_than_own,
  overdue,
  old_sign,
  sign,
  signs_likely,
  premolt_chance,
  between
};
std::string_view reason_name(VerdictReason reason);

/// Chances of what it is in on the day: `soft`, `premolt`, `between` and `molts_no_more` add up to 1; `molted_unseen` lies
/// across them. NaN = not known.
struct DayChances {
  double soft = unknown_number, premolt = unknown_number, between = unknown_number, molts_no_more = unknown_number,
         molted_unseen = unknown_number;
};

enum class Feeding { none, hold, not_yet, lightly, offer };
std::string_view feeding_name(Feeding feeding);

struct Verdict {
  Day on = 0;
  VerdictCode code = VerdictCode::not_answered;
  VerdictReason reason = VerdictReason::not_answered;
  std::string why;  ///< the reason in plain words, one sentence without a full stop
  DayChances chances;
  Feeding feeding = Feeding::none;
  std::string feeding_why;
  /// What the two sentences say, as codes: the reason, `palps_and_hooks` where these are to be looked at; `take_prey_out`, ...
  std::vector<std::string> why_codes, feeding_codes;
  std::optional<Day> feed_from;  ///< first day of plain feeding where nothing holds it; none: held

  /// As far as the animal goes it may be moved on that day.
  bool may_move() const { return code == VerdictCode::between || code == VerdictCode::final_instar; }
};

/// The verdict on day `on`, not before `as_of`, with what is known at the end of `as_of`.
Verdict judge(const CareSituation& situation, const CareRules& rules, Day on);

/// The first run of days on or after `from` on which it may be moved, with what is known at the end of `as_of`: before
/// its next molt only. No end: `until` empty.
struct SafeRun {
  std::optional<Day> from, until;
};
SafeRun safe_run(const CareSituation& situation, const CareRules& rules, Day from);

/// First day on which it is hard after its last molt on record: days by its size from the latest possible molt day (or
/// from the first day watched), ended early by black fangs or a meal.
struct Hardening {
  Day day = 0;
  double wait_days = 0;
  bool by_days = true;  ///< neither black fangs nor a meal ended the wait
};
Hardening hardening(const CareSituation& situation);

/// Days of premolt before a molt, for its size.
double premolt_lead_days(const CareSituation& situation);

/// The trusted sign of premolt that counts: young enough, no meal after it, not noted while it hardened, not sealed in
/// after mating. Null = none.
const SignNote* trusted_sign(const CareSituation& situation, const CareRules& rules);

/// A sign of the first days after a molt says nothing of the next one.
bool noted_while_soft(const CareSituation& situation, const SignNote& sign);

}  // namespace moltspan
