#include <algorithm>
#include <cmath>

#include "housing/words.hpp"
#include "moltspan/forecast/forecast.hpp"
#include "moltspan/stadia/stadia.hpp"

namespace moltspan {
namespace {

namespace words = housing_words;

/// Works out the advice on one animal; each step adds its reasons.
class Adviser {
 public:
  Adviser(const HousingSituation& s, const HousingRules& rules) : s_(s), rules_(rules) {}
  HousingAdvice advise();

 private:
  void say(Note note) { a_.reasons.push_back(std::move(note)); }
  /// What decides stands first.
  void say_first(Note note) { a_.reasons.insert(a_.reasons.begin(), std::move(note)); }
  void assume(Note note) {
    if (!says(a_.assumptions, note.code)) a_.assumptions.push_back(std::move(note));
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
  a_.by_leg_span = s_.by_leg_span;
  a_.last_entry = s_.last_entry;
  if (has_sides(s_.enclosure)) a_.enclosure = s_.enclosure;
}

bool Adviser::not_there() {
  if (!s_.ended && s_.not_answered.empty()) return false;
  a_.advice = s_.ended ? Advice::gone : Advice::hold;
  say(words::verdict(a_.verdict));
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
      say(words::measure(m, s_));
  if (depth_missing_) say(words::depth_not_recorded());
  const HabitRules& rules = habit_rules(s_, rules_);
  if (std::isnan(a_.enclosure->substrate_mm) && s_.leg_span_mm >= rules_.drop_from_leg_span_mm.value &&
      a_.enclosure->h_mm > rules.drop_warn.value * s_.leg_span_mm && !depth_missing_)
    say(words::drop_not_judged(rules.drop_warn));
  if (is_oversized(short_side_mm(*a_.enclosure), s_.leg_span_mm, s_, rules_))
    say(words::box_too_large(rules_));
  if (const Kind& kind = kind_of(s_.taxon, s_.group); !kind.group.empty() && !kind.is_tarantula)
    assume(words::other_kind(kind.group, s_));
  if (s_.habit == Habit::unknown) assume(words::habit_not_recorded());
  if (!s_.measured_now) assume(words::size_carried_on(learned() ? std::optional(std::exp(s_.growth->log_ratio)) : std::nullopt));
}

void Adviser::say_ahead() {
  const auto floor_after = [&](int molts) {
    return short_side_mm(*a_.enclosure) / std::exp(size_after_molts(s_, rules_, molts).log_mm);
  };
  say(words::floor_ahead(floor_after(1), floor_after(2)));
  if (s_.missed_if_molts_on >= reported_missed_chance) assume(words::counts_unseen_molt(s_.missed_if_molts_on));
  const double growth = std::exp(size_after_molts(s_, rules_, 1).log_mm - size_after_molts(s_, rules_, 0).log_mm);
  if (learned() && !near_adult(s_, s_.leg_span_mm))
    say(words::growth_learned(growth));
  else
    assume(words::growth_assumed(growth));
}

void Adviser::judge_days() {
  const SafeRun run = safe_run(s_, rules_, s_.on);
  a_.safe_from = run.from;
  a_.safe_until = run.until;
  const VerdictCode code = a_.verdict.code;
  if (!run.from && (code == VerdictCode::premolt || code == VerdictCode::look)) after_ = after_next_molt(s_, rules_);
  a_.safe_after_molt_days = after_.days;
  say_hardening(hardening(s_));
  if (s_.last_watched && !s_.molts_no_more) say(words::look_before_move(*s_.last_watched));
  if (std::isnan(s_.leg_span_mm) && s_.no_box_rule.empty()) assume(words::days_by_usual_size());
  if (!s_.next_molt.days.empty()) say_premolt();
  say_after_molt();
  say_old_signs();
}

void Adviser::say_hardening(const Hardening& hard) {
  say(hard.day > s_.on ? words::may_be_soft(hard, s_) : words::hardened(hard, s_));
  if (hard.day <= s_.on && !s_.last_meal && s_.last_molt) say(words::no_meal_yet());
  if (hard.by_days) assume(words::hardened_after(hard));
}

void Adviser::say_premolt() {
  if (a_.verdict.code == VerdictCode::between || a_.verdict.code == VerdictCode::premolt)
    say(words::premolt_chance(a_.verdict.chances, s_.on, rules_.premolt_chance));
  assume(words::premolt_begins(premolt_lead_days(s_), std::isfinite(s_.stadium_median_days)));
  assume(words::held_over(rules_.premolt_chance));
}

void Adviser::say_after_molt() {
  if (after_.days)
    say(words::safe_after_molt(*after_.days));
  else if (after_.premolt_again > 0)
    say(words::premolt_again(after_.premolt_again));
}

void Adviser::say_old_signs() {
  const SignNote* refused = nullptr;
  for (const SignNote& sign : s_.signs) {
    const bool trusted =
        std::find(rules_.trusted_signs.begin(), rules_.trusted_signs.end(), sign.event) != rules_.trusted_signs.end();
    if (!trusted)
      refused = !s_.last_meal || *s_.last_meal <= sign.day ? &sign : refused;
    else if (s_.last_meal && *s_.last_meal > sign.day)
      say(words::sign_but_ate(sign, *s_.last_meal));
    else if (noted_while_soft(s_, sign) && a_.verdict.code != VerdictCode::sealed)
      say(words::sign_while_soft(sign));
  }
  if (refused && !s_.molts_no_more) say(words::weak_sign(*refused));
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
    say_first(words::no_box_rule(s_.no_box_rule));
  else if (no_size)
    say_first(words::size_missing());
  if (!s_.enclosure)
    say_first(words::box_missing());
  else if (!a_.enclosure)
    say_first(words::only_volume());
  return no_size || !a_.enclosure || (depth_missing_ && !a_.due);
}

Advice Adviser::conflict() {
  say_first(words::verdict(a_.verdict));
  say_first(words::conflict(s_, a_.verdict));
  return Advice::conflict;
}

Advice Adviser::decide_move() {
  const VerdictCode code = a_.verdict.code;
  if (a_.verdict.may_move()) return Advice::move_now;
  // Waiting for a molt that is seen gains nothing where premolt would have begun again by the time it has hardened.
  const bool nothing_gained = code == VerdictCode::premolt && after_.premolt_again > rules_.premolt_chance.value;
  if (!s_.unfit.empty() || nothing_gained) return conflict();
  say_first(words::verdict(a_.verdict));
  if (code == VerdictCode::soft) return Advice::wait_hardening;
  return code == VerdictCode::premolt ? Advice::wait_premolt : Advice::hold;
}

Advice Adviser::decide() {
  if (!s_.unfit.empty()) {
    say_first(words::box_unfit(s_.unfit, *s_.unfit_day));
    a_.due = true;
    a_.shortfall = 0;
  }
  if (left_in_peace()) {
    if (!s_.unfit.empty() && a_.verdict.code != VerdictCode::molting) return conflict();
    say_first(words::verdict(a_.verdict));
    return Advice::hold;
  }
  if (s_.molts_no_more && s_.unfit.empty()) {
    say_first(words::grown());
    return Advice::final;
  }
  if (s_.unfit.empty() && needs_measuring()) return Advice::measure_first;
  if (a_.due) return decide_move();
  const bool planned = std::any_of(now_.begin(), now_.end(), [](const Measure& m) {
    return m.is_planned() && m.what != Measure::What::drop && std::isfinite(m.due.value);
  });
  if (a_.verdict.code == VerdictCode::look) say_first(words::verdict(a_.verdict));
  if (!planned && !(a_.outgrown.chance_next_molt >= rules_.later_chance.value)) return Advice::fits;
  if (a_.outgrown.chance_next_molt >= 0)
    say(words::outgrown_after_next_molt(a_.outgrown.chance_next_molt));
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
