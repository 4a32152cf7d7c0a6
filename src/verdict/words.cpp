#include <algorithm>
#include <cstdio>

#include "records/words.hpp"
#include "verdict/parts.hpp"
#include "base/words.hpp"

namespace moltspan {
namespace {

constexpr double very_probable = 0.9;  ///< chance from which a molt since the last entry is said as good as certain
constexpr double told_final = 0.1;     ///< chance of a last molt from which it is told as another explanation

std::string number_text(double value, int decimals) {
  char text[32];
  std::snprintf(text, sizeof text, "%.*f", decimals, value);
  return text;
}

std::string days_text(double days) {
  const int whole = static_cast<int>(std::lround(days));
  return std::to_string(whole) + (whole == 1 ? " day" : " days");
}

std::string noted(const SignNote& sign) { return spoken(event_name(sign.event)) + " on " + to_iso(sign.day); }

/// Palps and hooks settle whether a male is mature.
bool palps_settle(const CareSituation& s) { return s.is_tarantula && s.male_chance > 0.5 && !s.matured; }

/// What settles it for a male, and what else may be behind it.
std::string other_explanations(const CareSituation& s) {
  std::string text;
  if (s.chance_final >= told_final) text += "; or it has molted for the last time (" + percent(s.chance_final) + ")";
  if (palps_settle(s))
    text += "; look for bulbs on the palps and hooks on the front legs first: that settles whether he is mature";
  return text;
}

std::string unseen_since_entry(const CareSituation& s, const Verdict& v) {
  const Day last = s.last_watched.value_or(s.as_of);
  const std::string since = to_iso(last) + ", " + days_text(v.on - last) + " ago";
  const double chance = v.chances.molted_unseen;
  if (chance >= very_probable) return "has very probably molted since you last wrote (" + since + "): look first";
  return percent(chance) + ": already molted since the last entry (" + since + "); look first";
}

std::string long_stadium(const CareSituation& s, const Verdict& v) {
  return days_text(age_days(s, v.on)) + " since its molt, its longest time between molts was " +
         days_text(s.longest_own_days) + ": a molt may have gone unseen, look for a skin";
}

std::string overdue(const CareSituation& s) {
  return "overdue: all but 1 in 20 such animals would have molted by " + to_iso(s.last_watched.value_or(s.as_of)) +
         "; a molt may have gone unseen, look for a skin and measure it";
}

bool premolt_is_likely(const CareRules& rules, const Verdict& v) { return v.chances.premolt > rules.likely_premolt.value; }

std::string chance_of_premolt(const CareSituation& s, const CareRules& rules, const Verdict& v) {
  std::string text = premolt_is_likely(rules, v) ? "premolt likely: " : "may be in premolt: ";
  text += percent(v.chances.premolt) + " by the dates";
  if (v.chances.soft > rules.look_chance.value / 2) text += ", " + percent(v.chances.soft) + " soft after a molt unseen";
  return s.last_molt ? text : text + ", as no molt is on record";
}

std::string why(const CareSituation& s, const CareRules& rules, const Verdict& v) {
  const std::string ended = s.ended_day ? " on " + to_iso(*s.ended_day) : "";
  switch (v.reason) {
    case VerdictReason::not_answered:
      return s.not_answered;
    case VerdictReason::died:
    case VerdictReason::left:
    case VerdictReason::escaped:
      return std::string(reason_name(v.reason)) + ended;
    case VerdictReason::on_its_back:
      return "on its back: it is molting, do not touch, turn or move it";
    case VerdictReason::sealed_while_soft:
      return "sealed in on " + to_iso(*s.sealed_in) +
             ", while it hardened: no sign of the next molt; left in peace until it opens";
    case VerdictReason::sealed_in:
      return "sealed in since " + to_iso(*s.sealed_in) + ": left in peace until it opens";
    case VerdictReason::molted_lately:
      return "may still be soft until " + to_iso(hardening(s).day) + ", after its molt";
    case VerdictReason::perhaps_molted_lately:
      return "may still be soft until " + to_iso(hardening(s).day) +
             ": no molt is on record, it may have molted just before " + to_iso(s.watched_from);
    case VerdictReason::egg_sac:
      return "egg sac since " + to_iso(*s.egg_sac) + ": left in peace";
    case VerdictReason::perhaps_egg_sac:
      return "mated on " + to_iso(*s.mated) + " and sealed in since " + to_iso(*sac_day(s, rules, v.on)) +
             ": it may be a sac; left in peace";
    case VerdictReason::arrived:
      return "new arrival of " + to_iso(*s.acquired) + ": its first week is for rest, " +
             with_status(rules.arrival_days, "days");
    case VerdictReason::matured:
      return "mature: it molts no more";
    case VerdictReason::unseen_since_entry:
      return unseen_since_entry(s, v) + other_explanations(s);
    case VerdictReason::missed_molt:
      return percent(v.chances.molted_unseen) + " that a molt went unseen: look for a skin, measure it" +
             other_explanations(s);
    case VerdictReason::longer_than_own:
      return long_stadium(s, v) + other_explanations(s);
    case VerdictReason::overdue:
      return overdue(s) + other_explanations(s);
    case VerdictReason::old_sign:
      return noted(*outdated_sign(s, rules)) + " is older than " + with_status(rules.sign_leads) +
             " leads of premolt: a molt may have gone unseen, look for a skin" + other_explanations(s);
    case VerdictReason::sign:
      return "premolt: " + noted(*trusted_sign(s, rules));
    case VerdictReason::signs_likely:
      return "premolt likely: " + percent(s.signs_true) + " that its signs tell of the next molt";
    case VerdictReason::premolt_chance:
      return chance_of_premolt(s, rules, v);
    case VerdictReason::between:
      return s.last_molt ? "between molts" : "no molt on record; neither soft nor in premolt by the time watched";
  }
  return {};
}

std::string not_yet(const CareSituation& s, const CareRules& rules, const Verdict& v) {
  const std::string from = "from " + to_iso(*v.feed_from) + ": ";
  const bool settles = s.acquired && *s.acquired + static_cast<Day>(rules.settle_days.value) == *v.feed_from;
  if (v.code == VerdictCode::resting && settles) return from + "let it settle first, " + with_status(rules.settle_days, "days");
  const auto refused = last_refusal(s);
  if (refused && v.code != VerdictCode::soft &&
      *refused + static_cast<Day>(rules.offer_again_days.value) == *v.feed_from)
    return from + "refused on " + to_iso(*refused) + ", try again after " + with_status(rules.offer_again_days, "days");
  return from + (s.last_molt ? "the wait after its molt" : "the wait after a molt that nobody saw") +
         " (common practice, no source)";
}

std::string feeding_why(const CareSituation& s, const CareRules& rules, const Verdict& v) {
  switch (v.feeding) {
    case Feeding::none:
      return {};
    case Feeding::hold:
      if (v.code == VerdictCode::look) return "look first whether it has molted unseen";
      if (v.code == VerdictCode::sealed) return "sealed in: nothing until it opens";
      return (v.code == VerdictCode::molting ? "molting" : "premolt") + std::string(": nothing, and take uneaten prey out");
    case Feeding::not_yet:
      return not_yet(s, rules, v);
    case Feeding::lightly:
      if (v.code == VerdictCode::sac) return v.why;
      return "may be in premolt (" + percent(v.chances.premolt) + "): one small prey at most, out again the same day";
    case Feeding::offer:
      return "since " + to_iso(*v.feed_from);
  }
  return {};
}

std::vector<std::string> why_codes(const CareSituation& s, const CareRules& rules, const Verdict& v) {
  std::vector<std::string> codes{std::string(reason_name(v.reason))};
  if (v.code == VerdictCode::look && palps_settle(s)) codes.push_back("palps_and_hooks");
  if (v.reason == VerdictReason::premolt_chance) codes.push_back(premolt_is_likely(rules, v) ? "premolt_likely" : "premolt_possible");
  if (v.reason == VerdictReason::between) codes.push_back(s.last_molt ? "between_molts" : "no_molt_on_record");
  return codes;
}

std::vector<std::string> feeding_codes(const Verdict& v) {
  switch (v.feeding) {
    case Feeding::none:
      return {};
    case Feeding::hold:
      if (v.code == VerdictCode::look) return {"look_before_food"};
      return {v.code == VerdictCode::sealed ? "sealed_no_food" : "take_prey_out"};
    case Feeding::not_yet:
      return {"food_from"};
    case Feeding::lightly:
      if (v.code == VerdictCode::sac) return v.why_codes;
      return {"little_food"};
    case Feeding::offer:
      return {"food_since"};
  }
  return {};
}

}  // namespace

std::string brief(double value, int decimals) {
  std::string text = number_text(value, decimals);
  if (text.find('.') == std::string::npos) return text;
  while (text.back() == '0') text.pop_back();
  if (text.back() == '.') text.pop_back();
  return text;
}

std::string with_status(const RuleNumber& number, const std::string& unit) {
  const char* status = number.status == RuleStatus::published         ? " (published)"
                       : number.status == RuleStatus::common_practice ? " (common practice, no source)"
                                                                      : " (assumption)";
  return brief(number.value, 2) + (unit.empty() ? "" : " " + unit) + status;
}

void say_why(const CareSituation& s, const CareRules& rules, Verdict& verdict) {
  verdict.why = why(s, rules, verdict);
  verdict.why_codes = why_codes(s, rules, verdict);
  verdict.feeding_why = feeding_why(s, rules, verdict);
  verdict.feeding_codes = feeding_codes(verdict);
}

}  // namespace moltspan
