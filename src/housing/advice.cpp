#include <algorithm>
#include <cmath>

#include "housing/parts.hpp"
#include "facts/husbandry.hpp"
#include "moltspan/forecast/forecast.hpp"
#include "moltspan/stadia/stadia.hpp"

namespace moltspan {
namespace {

constexpr double told_unseen = 0.005;  ///< chance of a molt unseen from which it is told

/// Works out the advice on one animal; each step adds its reasons.
class Adviser {
 public:
  Adviser(const HousingSituation& s, const HousingRules& rules) : s_(s), rules_(rules) {}
  HousingAdvice advise();

 private:
  void say(std::string text) { a_.reasons.push_back(std::move(text)); }
  /// What decides stands first.
  void say_first(std::string text) { a_.reasons.insert(a_.reasons.begin(), std::move(text)); }
  void assume(std::string text) {
    if (std::find(a_.assumptions.begin(), a_.assumptions.end(), text) == a_.assumptions.end())
      a_.assumptions.push_back(std::move(text));
  }
  bool learned() const { return s_.growth && s_.growth->learned; }
  void copy_facts();
  bool not_there();
  void judge_size();
  void say_measures();
  void say_ahead();
  void judge_days();
  void say_hardening(const Hardening& hard);
  void say_premolt();
  void say_after_molt();
  void say_old_signs();
  bool left_in_peace() const;
  Advice decide();
  Advice decide_move();
  Advice conflict();
  bool needs_measuring();
  void suggest();
  std::string risk_of_moving() const;

  const HousingSituation& s_;
  const HousingRules& rules_;
  HousingAdvice a_;
  std::vector<Measure> now_;
  AfterMolt after_;
  bool depth_missing_ = false;
};

void Adviser::copy_facts() {
  a_.animal = s_.animal;
  a_.id = s_.id;
  a_.taxon = s_.taxon;
  a_.leg_span_mm = s_.leg_span_mm;
  a_.size_word = s_.size_word;
  a_.last_entry = s_.last_entry;
  if (has_sides(s_.enclosure)) a_.enclosure = s_.enclosure;
}

bool Adviser::not_there() {
  if (!s_.ended && s_.not_answered.empty()) return false;
  a_.advice = s_.ended ? Advice::gone : Advice::hold;
  say(a_.verdict.why);
  return true;
}

void Adviser::judge_size() {
  if (!a_.enclosure || std::isnan(s_.leg_span_mm)) return;
  a_.ratio = short_side_mm(*a_.enclosure) / s_.leg_span_mm;
  now_ = measures(*a_.enclosure, s_.leg_span_mm, s_, rules_);
  a_.shortfall = INFINITY;
  for (const Measure& m : now_) {
    if (std::isfinite(m.due.value)) a_.shortfall = std::min(a_.shortfall, m.slack());
    a_.due = a_.due || (m.is_due() && !s_.molts_no_more);
  }
  depth_missing_ = s_.habit == Habit::fossorial && std::isnan(a_.enclosure->substrate_mm);
  a_.outgrown = outgrown(s_, rules_, now_);
  say_measures();
  if (!s_.molts_no_more) say_ahead();
}

void Adviser::say_measures() {
  for (const Measure& m : now_)
    if (m.what == Measure::What::floor || m.is_due() || m.is_planned())
      say(measure_text(m, s_.leg_span_mm, !s_.molts_no_more, s_.size_word));
  if (depth_missing_) say("depth not recorded: read the depth of soil through the wall, never dig");
  const HabitRules& rules = habit_rules(s_, rules_);
  if (std::isnan(a_.enclosure->substrate_mm) && s_.leg_span_mm >= rules_.drop_from_leg_span_mm.value &&
      a_.enclosure->h_mm > rules.drop_warn.value * s_.leg_span_mm && !depth_missing_)
    say("depth of soil not recorded: the drop to the lid is not judged; over " + with_status(rules.drop_warn, "x leg span") +
        " a fall can harm");
  if (is_oversized(short_side_mm(*a_.enclosure), s_.leg_span_mm, s_, rules_))
    say("box may be too large: over " + with_status(rules_.oversize_floor, "x leg span") + " and over " +
        with_status(rules_.oversize_side_mm, "mm") + ", so that prey may not be found; feed under watch");
  if (const Kind& kind = kind_of(s_.taxon, s_.group); !kind.group.empty() && !kind.is_tarantula)
    assume(s_.size_word == "leg span"
               ? "multiples of leg span are those for tarantulas, used here for " + kind.group + " (assumption)"
               : s_.size_word + " stands for the leg span in multiples for " + kind.group + " (common practice, no source)");
  if (s_.habit == Habit::unknown) assume("habit not recorded: judged as a ground dweller (assumption)");
  if (!s_.measured_now)
    assume("not measured since its last molt: size carried on with a growth ratio of " +
           (learned() ? "about " + brief(std::exp(s_.growth->log_ratio), 2) + " a molt"
                      : brief(husbandry().growth_ratio, 2) + " a molt (assumption)"));
}

void Adviser::say_ahead() {
  std::string text = "floor after the next molt about ";
  for (int k : {1, 2}) {
    const double span = std::exp(size_after_molts(s_, rules_, k).log_mm);
    char multiple[16];
    std::snprintf(multiple, sizeof multiple, "%.1f", short_side_mm(*a_.enclosure) / span);
    text += std::string(k == 1 ? "" : ", after the one behind it about ") + multiple + " x";
  }
  say(text);
  if (s_.missed_if_molts_on >= reported_missed_chance)
    assume("if it molts on, a molt went unseen with a chance of " + percent(s_.missed_if_molts_on) +
           ": the day on which its box is outgrown counts one molt more");
  const double growth = std::exp(size_after_molts(s_, rules_, 1).log_mm - size_after_molts(s_, rules_, 0).log_mm);
  if (learned() && !near_adult(s_, s_.leg_span_mm))
    say("growth ratio about " + brief(growth, 2) + " at the next molt, as the records of the collection say");
  else
    assume("growth ratio " + with_status({growth, RuleStatus::assumption}) + " at the next molt");
}

void Adviser::judge_days() {
  const SafeRun run = safe_run(s_, rules_, s_.on);
  a_.safe_from = run.from;
  a_.safe_until = run.until;
  const VerdictCode code = a_.verdict.code;
  if (!run.from && (code == VerdictCode::premolt || code == VerdictCode::look)) after_ = after_next_molt(s_, rules_);
  a_.safe_after_molt_days = after_.days;
  say_hardening(hardening(s_));
  if (s_.last_watched && !s_.molts_no_more)
    say("last looked at on " + to_iso(*s_.last_watched) + ": it may have molted since and be soft; look before a move");
  if (std::isnan(s_.leg_span_mm) && s_.no_box_rule.empty())
    assume("never measured: days by size as for the usual size of its kind (assumption)");
  if (!s_.next_molt.days.empty()) say_premolt();
  say_after_molt();
  say_old_signs();
}

void Adviser::say_hardening(const Hardening& hard) {
  const std::string wait = with_status({hard.wait_days, RuleStatus::common_practice}, "days");
  const std::string since =
      s_.last_molt ? "the latest possible day of its molt, " + to_iso(s_.last_molt->latest)
                   : "the day from which it was watched, " + to_iso(s_.watched_from) + ", as no molt is on record";
  if (hard.day > s_.on)
    say("may still be soft until " + to_iso(hard.day) + ": " + wait + " from " + since +
        ", ended early by black fangs or a meal");
  else if (hard.by_days)
    say("hardened: " + wait + " have passed since " + since);
  else if (s_.meal && *s_.meal == hard.day)
    say("ate on " + to_iso(*s_.meal) + ": hardened");
  else
    say("fangs black on " + to_iso(hard.day) + ": hardened");
  if (hard.day <= s_.on && !s_.last_meal && s_.last_molt) say("no meal since its molt yet: better after one");
  if (hard.by_days) assume("hardened after " + wait);
}

void Adviser::say_premolt() {
  const std::string limit = with_status({100 * rules_.premolt_chance.value, rules_.premolt_chance.status}, "%");
  const DayChances& chances = a_.verdict.chances;
  if (a_.verdict.code == VerdictCode::between || a_.verdict.code == VerdictCode::premolt)
    say("chance of premolt on " + to_iso(s_.on) + ": " + percent(chances.premolt) +
        (chances.molted_unseen >= told_unseen ? ", of a molt unseen " + percent(chances.molted_unseen) : "") +
        ", hold over " + limit);
  const bool own = std::isfinite(s_.stadium_median_days);
  assume("premolt begins " +
         with_status({std::max(1.0, std::round(premolt_lead_days(s_))), own ? RuleStatus::assumption : RuleStatus::common_practice}, "days") + " before the molt");
  assume("held over a chance of premolt of " + limit);
}

void Adviser::say_after_molt() {
  if (after_.days)
    say("no day before its next molt is safe; a move is from day " + std::to_string(after_.days->first) + " to day " +
        std::to_string(after_.days->second) + " after that molt, or once its fangs are black");
  else if (after_.premolt_again > 0)
    say("no day before its next molt is safe, and once it has hardened after it premolt has begun again with a chance "
        "of " +
        percent(after_.premolt_again));
}

void Adviser::say_old_signs() {
  const SignNote* refused = nullptr;
  for (const SignNote& sign : s_.signs) {
    const bool trusted =
        std::find(rules_.trusted_signs.begin(), rules_.trusted_signs.end(), sign.event) != rules_.trusted_signs.end();
    const std::string noted = spoken(event_name(sign.event)) + " on " + to_iso(sign.day);
    if (!trusted)
      refused = !s_.last_meal || *s_.last_meal <= sign.day ? &sign : refused;
    else if (s_.last_meal && *s_.last_meal > sign.day)
      say(noted + ", but it ate since, on " + to_iso(*s_.last_meal) + ": no longer trusted");
    else if (noted_while_soft(s_, sign) && a_.verdict.code != VerdictCode::sealed)
      say(noted + ", while it hardened: no sign of the next molt");
  }
  if (refused && !s_.molts_no_more)
    say(spoken(event_name(refused->event)) + " on " + to_iso(refused->day) + ": a weak sign with many other causes");
}

/// Held whatever the size of its box.
bool Adviser::left_in_peace() const {
  switch (a_.verdict.code) {
    case VerdictCode::molting:
    case VerdictCode::sealed:
    case VerdictCode::sac:
    case VerdictCode::resting:
      return true;
    default:
      return false;
  }
}

bool Adviser::needs_measuring() {
  const bool no_size = std::isnan(s_.leg_span_mm);
  if (!s_.no_box_rule.empty())
    say_first("no rule of boxes is known for " + s_.no_box_rule +
              ", and no leg span was read on it: size of its box not judged");
  else if (no_size)
    say_first(
        "size not recorded: measure its next skin, or read it through the wall while it stretches; never disturb it to "
        "measure it");
  if (!s_.enclosure)
    say_first("enclosure not recorded: write down its inner width, depth and height");
  else if (!a_.enclosure)
    say_first(
        "only the volume of its box is recorded: a volume gives no ratio; write down its inner width, depth and "
        "height");
  return no_size || !a_.enclosure || (depth_missing_ && !a_.due);
}

std::string Adviser::risk_of_moving() const {
  switch (a_.verdict.code) {
    case VerdictCode::soft:
      return "it may be soft, and an injury now can kill";
    case VerdictCode::premolt:
      return "it may be in premolt, and an injury to the skin that forms can kill at the molt";
    default:
      return a_.verdict.why;
  }
}

Advice Adviser::conflict() {
  say_first(a_.verdict.why);
  const std::string staying = s_.unfit.empty() ? "it has outgrown its box" : "the box is unfit (" + s_.unfit + ")";
  say_first(
      "risk of staying: " + staying + "; risk of moving: " + risk_of_moving() +
      "; mend the box around it if that can be done without touching it, move it only if staying is the greater risk");
  return Advice::conflict;
}

Advice Adviser::decide_move() {
  const VerdictCode code = a_.verdict.code;
  if (a_.verdict.may_move()) return Advice::move_now;
  // Waiting for a molt that is seen gains nothing where premolt would have begun again by the time it has hardened.
  const bool nothing_gained = code == VerdictCode::premolt && after_.premolt_again > rules_.premolt_chance.value;
  if (!s_.unfit.empty() || nothing_gained) return conflict();
  say_first(a_.verdict.why);
  if (code == VerdictCode::soft) return Advice::wait_hardening;
  return code == VerdictCode::premolt ? Advice::wait_premolt : Advice::hold;
}

Advice Adviser::decide() {
  if (!s_.unfit.empty()) {
    say_first("box unfit since " + to_iso(*s_.unfit_day) + ": " + s_.unfit + "; a move is due whatever its size");
    a_.due = true;
    a_.shortfall = 0;
  }
  if (left_in_peace()) {
    if (!s_.unfit.empty() && a_.verdict.code != VerdictCode::molting) return conflict();
    say_first(a_.verdict.why);
    return Advice::hold;
  }
  if (s_.molts_no_more && s_.unfit.empty()) {
    say_first("mature and grows no more: not outgrown by growth");
    return Advice::final;
  }
  if (s_.unfit.empty() && needs_measuring()) return Advice::measure_first;
  if (a_.due) return decide_move();
  const bool planned = std::any_of(now_.begin(), now_.end(), [](const Measure& m) {
    return m.is_planned() && m.what != Measure::What::drop && std::isfinite(m.due.value);
  });
  if (a_.verdict.code == VerdictCode::look) say_first(a_.verdict.why);
  if (!planned && !(a_.outgrown.chance_next_molt >= rules_.later_chance.value)) return Advice::fits;
  if (a_.outgrown.chance_next_molt >= 0)
    say("outgrown after its next molt with a chance of " + percent(a_.outgrown.chance_next_molt));
  return Advice::later;
}

void Adviser::suggest() {
  static constexpr Advice none[] = {Advice::fits, Advice::final, Advice::gone, Advice::measure_first};
  if (std::isnan(s_.leg_span_mm) || std::find(std::begin(none), std::end(none), a_.advice) != std::end(none)) return;
  if (a_.advice == Advice::hold && !a_.due) return;
  a_.suggested = suggest_box(s_, rules_, molts_before_move(a_.advice));
}

HousingAdvice Adviser::advise() {
  copy_facts();
  a_.verdict = judge(s_, rules_, s_.on);
  if (not_there()) return a_;
  if (a_.verdict.reason == VerdictReason::egg_sac) a_.egg_sac = s_.egg_sac;
  judge_size();
  judge_days();
  a_.advice = decide();
  suggest();
  return a_;
}

}  // namespace

std::string_view advice_name(Advice advice) {
  static constexpr std::string_view names[] = {"move_now",      "conflict", "wait_hardening", "wait_premolt", "hold",
                                               "measure_first", "later",    "fits",           "final",        "gone"};
  return names[static_cast<std::size_t>(advice)];
}

int molts_before_move(Advice advice) { return advice == Advice::later || advice == Advice::wait_premolt ? 1 : 0; }

HousingAdvice advise(const HousingSituation& situation, const HousingRules& rules) {
  HousingAdvice advice = Adviser(situation, rules).advise();
  add_cautions(situation, rules, advice);
  return advice;
}

}  // namespace moltspan
