#include "moltspan/verdict/verdict.hpp"

#include <algorithm>
#include <cmath>

#include "facts/husbandry.hpp"
#include "verdict/parts.hpp"

namespace moltspan {
namespace {

constexpr int most_days_ahead = 1500;   ///< looked through for the end of the safe days
constexpr double mostly_opened = 0.5;   ///< chance of a molt since from which a sealed animal is looked at
constexpr double likely_signs = 0.5;    ///< chance from which signs are taken for those of the next molt
constexpr double rounding = 1e-9;

/// Days by size, but no more than this share of a stadium of its own where its kind has one.
double days_for(const DaysByStage& table, double share, const CareSituation& s) {
  const double days = days_by_stage(table, s.days_leg_span_mm, s.adult_leg_span_mm, s.matured);
  return std::isfinite(s.stadium_median_days) ? std::min(days, share * s.stadium_median_days) : days;
}

bool is_trusted(const CareRules& rules, Event event) {
  return std::find(rules.trusted_signs.begin(), rules.trusted_signs.end(), event) != rules.trusted_signs.end();
}

bool ate_after(const CareSituation& s, Day day) { return s.last_meal && *s.last_meal > day; }

bool too_old(const CareSituation& s, const CareRules& rules, const SignNote& sign) {
  return s.as_of - sign.day > rules.sign_leads.value * premolt_lead_days(s);
}

/// A trusted sign of this stadium after which it did not eat, whatever its age.
bool tells_of_molt(const CareSituation& s, const CareRules& rules, const SignNote& sign) {
  return is_trusted(rules, sign.event) && !noted_while_soft(s, sign) && !ate_after(s, sign.day) &&
         !(sign.event == Event::sealed_in && s.mated);
}

/// One animal on one day.
class Judge {
 public:
  Judge(const CareSituation& s, const CareRules& rules, Day on) : s_(s), rules_(rules), ahead_(on - s.as_of) {
    v_.on = on;
  }
  Verdict verdict();

 private:
  bool set(VerdictCode code, VerdictReason reason) {
    v_.code = code;
    v_.reason = reason;
    return true;
  }
  void weigh();
  bool not_there();
  bool left_alone();
  bool sealed();
  bool look();
  bool premolt();
  void feed();
  void feed_between();
  double molted_by(double x_days) const { return (1 - final_) * s_.next_molt.by(x_days); }

  const CareSituation& s_;
  const CareRules& rules_;
  const int ahead_;
  Hardening hardening_;
  double final_ = 0, unseen_since_ = 0, risk_ = 0;
  bool soft_ = false;
  Verdict v_;
};

void Judge::weigh() {
  hardening_ = hardening(s_);
  soft_ = hardening_.day > v_.on;
  final_ = s_.molts_no_more ? 1 : s_.chance_final;
  const double lead = premolt_lead_days(s_), now = molted_by(ahead_);
  unseen_since_ = now;
  DayChances& c = v_.chances;
  c.molted_unseen = 1 - (1 - s_.chance_missed) * (1 - now);
  c.soft = soft_ ? 1 : now - molted_by(ahead_ - hardening_.wait_days);
  c.premolt = soft_ ? 0 : molted_by(ahead_ + 1 + lead) - now;
  c.molts_no_more = soft_ ? 0 : final_;
  c.between = std::max(0.0, 1 - c.soft - c.premolt - c.molts_no_more);
  risk_ = c.soft + c.premolt;
}

bool Judge::not_there() {
  if (!s_.not_answered.empty()) return set(VerdictCode::not_answered, VerdictReason::not_answered);
  if (!s_.ended) return false;
  if (*s_.ended == Event::died) return set(VerdictCode::dead, VerdictReason::died);
  return set(VerdictCode::gone, *s_.ended == Event::left ? VerdictReason::left : VerdictReason::escaped);
}

/// Shut in since it hardened, or with a sign of premolt that is no longer trusted: until something shows that it opened.
bool Judge::sealed() {
  if (!s_.sealed_in || s_.molts_no_more || (s_.opened && *s_.opened > *s_.sealed_in)) return false;
  if (sac_day(s_, rules_, v_.on) || v_.chances.molted_unseen >= mostly_opened) return false;
  const bool while_soft = noted_while_soft(s_, {Event::sealed_in, *s_.sealed_in});
  if (!while_soft && (trusted_sign(s_, rules_) || outdated_sign(s_, rules_))) return false;
  return set(VerdictCode::sealed, while_soft ? VerdictReason::sealed_while_soft : VerdictReason::sealed_in);
}

bool Judge::left_alone() {
  if (s_.on_back && ahead_ == 0) return set(VerdictCode::molting, VerdictReason::on_its_back);
  if (sealed()) return true;
  if (s_.acquired && !s_.last_molt && v_.on < *s_.acquired + static_cast<Day>(rules_.arrival_days.value))
    return set(VerdictCode::resting, VerdictReason::arrived);
  if (soft_)
    return set(VerdictCode::soft, s_.last_molt ? VerdictReason::molted_lately : VerdictReason::perhaps_molted_lately);
  if (sac_day(s_, rules_, v_.on))
    return set(VerdictCode::sac, s_.egg_sac ? VerdictReason::egg_sac : VerdictReason::perhaps_egg_sac);
  if (s_.acquired && v_.on < *s_.acquired + static_cast<Day>(rules_.arrival_days.value))
    return set(VerdictCode::resting, VerdictReason::arrived);
  return s_.molts_no_more && set(VerdictCode::final_instar, VerdictReason::matured);
}

bool Judge::look() {
  const double limit = rules_.look_chance.value;
  if (unseen_since_ >= limit) return set(VerdictCode::look, VerdictReason::unseen_since_entry);
  if (v_.chances.molted_unseen >= limit) return set(VerdictCode::look, VerdictReason::missed_molt);
  if (trusted_sign(s_, rules_)) return false;  // a sign that counts explains a long stadium
  if (outdated_sign(s_, rules_)) return set(VerdictCode::look, VerdictReason::old_sign);
  if (s_.overdue) return set(VerdictCode::look, VerdictReason::overdue);
  const bool longer = s_.last_molt && age_days(s_, v_.on) > rules_.own_longest.value * s_.longest_own_days;
  return longer && set(VerdictCode::look, VerdictReason::longer_than_own);
}

bool Judge::premolt() {
  if (trusted_sign(s_, rules_)) return set(VerdictCode::premolt, VerdictReason::sign);
  if (s_.signs_true > likely_signs) return set(VerdictCode::premolt, VerdictReason::signs_likely);
  return risk_ > rules_.premolt_chance.value + rounding && set(VerdictCode::premolt, VerdictReason::premolt_chance);
}

void Judge::feed_between() {
  v_.feed_from = (s_.last_molt ? s_.last_molt->latest : s_.watched_from) + static_cast<Day>(feeding_wait_days(s_));
  for (const auto& ended : {s_.fangs_black, s_.meal})
    if (ended) v_.feed_from = std::min(*v_.feed_from, *ended);
  if (v_.code == VerdictCode::resting)
    v_.feed_from = std::max(*v_.feed_from, *s_.acquired + static_cast<Day>(rules_.settle_days.value));
  if (const auto refused = last_refusal(s_); refused && v_.code != VerdictCode::soft)
    v_.feed_from = std::max(*v_.feed_from, *refused + static_cast<Day>(rules_.offer_again_days.value));
  v_.feeding = *v_.feed_from > v_.on ? Feeding::not_yet : Feeding::offer;
}

void Judge::feed() {
  switch (v_.code) {
    case VerdictCode::not_answered:
    case VerdictCode::dead:
    case VerdictCode::gone:
      return;
    case VerdictCode::molting:
    case VerdictCode::sealed:
    case VerdictCode::look:
      v_.feeding = Feeding::hold;
      return;
    case VerdictCode::sac:
      v_.feeding = Feeding::lightly;
      return;
    case VerdictCode::premolt:
      v_.feeding = v_.reason == VerdictReason::premolt_chance && v_.chances.premolt <= rules_.likely_premolt.value
                       ? Feeding::lightly
                       : Feeding::hold;
      return;
    default:
      feed_between();
  }
}

Verdict Judge::verdict() {
  if (!not_there()) {
    weigh();
    if (!left_alone() && !look() && !premolt()) set(VerdictCode::between, VerdictReason::between);
  }
  feed();
  return v_;
}

Verdict decide(const CareSituation& s, const CareRules& rules, Day on) { return Judge(s, rules, on).verdict(); }

/// First day from which nothing but its molt stands against a move.
Day first_free_day(const CareSituation& s, const CareRules& rules, Day from) {
  Day first = std::max(from, hardening(s).day);
  if (s.acquired) first = std::max(first, *s.acquired + static_cast<Day>(rules.arrival_days.value));
  if (const auto sac = sac_day(s, rules, first)) first = *sac + static_cast<Day>(rules.sac_days.value) + 1;
  if (s.on_back) first = std::max(first, s.as_of + 1);
  return first;
}

}  // namespace

double MoltChances::by(double x_days) const {
  if (days.empty() || x_days <= days.front()) return days.empty() || x_days < days.front() ? 0 : chances.front();
  const auto above = std::upper_bound(days.begin(), days.end(), x_days);
  if (above == days.end()) return chances.back();
  const auto i = static_cast<std::size_t>(above - days.begin());
  return chances[i - 1] + (chances[i] - chances[i - 1]) * (x_days - days[i - 1]) / (days[i] - days[i - 1]);
}

double MoltChances::quantile(double p) const {
  if (days.empty()) return unknown_number;
  const auto above = std::lower_bound(chances.begin(), chances.end(), p);
  if (above == chances.begin()) return days.front();
  if (above == chances.end()) return days.back();
  const auto i = static_cast<std::size_t>(above - chances.begin());
  return days[i - 1] + (days[i] - days[i - 1]) * (p - chances[i - 1]) / (chances[i] - chances[i - 1]);
}

Hardening hardening(const CareSituation& s) {
  Hardening result;
  result.wait_days = std::ceil(days_for(husbandry().hardening, husbandry().hardening_share, s));
  result.day = (s.last_molt ? s.last_molt->latest : s.watched_from) + static_cast<Day>(result.wait_days);
  for (const auto& ended : {s.fangs_black, s.meal})
    if (ended && *ended <= result.day) {
      result.day = *ended;
      result.by_days = false;
    }
  return result;
}

double premolt_lead_days(const CareSituation& s) {
  const double own = s.premolt_share * s.stadium_median_days;
  return std::isfinite(own) ? own : days_for(husbandry().premolt_lead, INFINITY, s);
}
double feeding_wait_days(const CareSituation& s) {
  return days_for(husbandry().feeding_wait, husbandry().feeding_wait_share, s);
}

double age_days(const CareSituation& s, Day on) { return on - 0.5 * (s.last_molt->earliest + s.last_molt->latest); }

bool noted_while_soft(const CareSituation& s, const SignNote& sign) {
  return s.last_molt && sign.day < s.last_molt->latest + hardening(s).wait_days;
}

const SignNote* trusted_sign(const CareSituation& s, const CareRules& rules) {
  if (s.molts_no_more) return nullptr;
  const SignNote* found = nullptr;
  for (const SignNote& sign : s.signs)
    if (tells_of_molt(s, rules, sign) && !too_old(s, rules, sign)) found = &sign;
  return found;
}

const SignNote* outdated_sign(const CareSituation& s, const CareRules& rules) {
  const SignNote* found = nullptr;
  for (const SignNote& sign : s.signs)
    if (tells_of_molt(s, rules, sign) && too_old(s, rules, sign)) found = &sign;
  return found;
}

std::optional<Day> last_refusal(const CareSituation& s) {
  std::optional<Day> found;
  for (const SignNote& sign : s.signs)
    if (sign.event == Event::refused && !(s.last_meal && *s.last_meal >= sign.day)) found = sign.day;
  return found;
}

std::optional<Day> sac_day(const CareSituation& s, const CareRules& rules, Day on) {
  const auto counts = [&](Day day) { return on - day <= static_cast<Day>(rules.sac_days.value); };
  if (s.egg_sac && counts(*s.egg_sac)) return s.egg_sac;
  for (const SignNote& sign : s.signs)
    if (s.mated && s.male_chance <= 0.5 && sign.event == Event::sealed_in && sign.day >= *s.mated &&
        counts(sign.day) && !ate_after(s, sign.day))
      return sign.day;
  return {};
}

Verdict judge(const CareSituation& situation, const CareRules& rules, Day on) {
  Verdict verdict = decide(situation, rules, on);
  say_why(situation, rules, verdict);
  return verdict;
}

SafeRun safe_run(const CareSituation& s, const CareRules& rules, Day from) {
  if (!s.not_answered.empty() || s.ended) return {};
  const Day first = first_free_day(s, rules, from);
  if (!decide(s, rules, first).may_move()) return {};
  Day last = first;
  while (last < first + most_days_ahead && decide(s, rules, last + 1).may_move()) ++last;
  return {first, last < first + most_days_ahead ? std::optional(last) : std::nullopt};
}

std::string_view verdict_name(VerdictCode code) {
  static constexpr std::string_view names[] = {"not_answered", "dead",    "gone",  "molting", "sealed",  "soft",
                                               "sac",          "resting", "final", "look",    "premolt", "between"};
  return names[static_cast<std::size_t>(code)];
}

std::string_view reason_name(VerdictReason reason) {
  static constexpr std::string_view names[] = {
      "not_answered",          "died",       "left",            "escaped",     "on_its_back", "sealed_while_soft",
      "sealed_in",             "molted_lately", "perhaps_molted_lately", "egg_sac", "perhaps_egg_sac", "arrived",
      "matured",               "unseen_since_entry", "missed_molt", "longer_than_own", "overdue", "old_sign",
      "sign",                  "signs_likely", "premolt_chance", "between"};
  return names[static_cast<std::size_t>(reason)];
}

std::string_view feeding_name(Feeding feeding) {
  static constexpr std::string_view names[] = {"none", "hold", "not_yet", "lightly", "offer"};
  return names[static_cast<std::size_t>(feeding)];
}

}  // namespace moltspan
