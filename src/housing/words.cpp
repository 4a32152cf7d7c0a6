#include "housing/words.hpp"

#include <cmath>
#include <cstdio>

#include "facts/husbandry.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

constexpr double told_unseen = 0.005;  ///< chance of a molt unseen from which it is told

std::string number_text(double value, int decimals) {
  char text[32];
  std::snprintf(text, sizeof text, "%.*f", decimals, value);
  return text;
}

std::string sides(double w_mm, double d_mm, double h_mm) {
  return brief(w_mm, 0) + " x " + brief(d_mm, 0) + " x " + brief(h_mm, 0) + " mm";
}

std::string noted(const SignNote& sign) { return spoken(event_name(sign.event)) + " on " + to_iso(sign.day); }

std::string wait_text(const Hardening& hard) { return with_status({hard.wait_days, RuleStatus::common_practice}, "days"); }

/// From when the wait counts.
std::string since_molt(const HousingSituation& s) {
  return s.last_molt ? "the latest possible day of its molt, " + to_iso(s.last_molt->latest)
                     : "the day from which it was watched, " + to_iso(s.watched_from) + ", as no molt is on record";
}

std::string limit_text(const RuleNumber& chance) { return with_status({100 * chance.value, chance.status}, "%"); }

std::string risk_of_moving(const Verdict& v) {
  switch (v.code) {
    case VerdictCode::soft:
      return "it may be soft, and an injury now can kill";
    case VerdictCode::premolt:
      return "it may be in premolt, and an injury to the skin that forms can kill at the molt";
    default:
      return v.why;
  }
}

}  // namespace

std::string measure_text(const Measure& m, double leg_span_mm, bool with_limits, const std::string& size_word) {
  static constexpr const char* names[] = {"floor, shorter side", "height", "depth of soil", "drop from soil to lid"};
  std::string text = names[static_cast<int>(m.what)];
  text +=
      " " + number_text(m.multiple, 1) + " x " + size_word + " (" + brief(m.mm, 0) + " mm / " + brief(leg_span_mm, 0) + " mm)";
  const bool drop = m.what == Measure::What::drop;
  if (!with_limits && !drop) return text;
  if (m.is_due()) return text + (drop ? ": limit " : ": due under ") + with_status(m.due);
  if (m.is_planned()) return text + (drop ? ": warned over " : ": plan under ") + with_status(m.plan);
  return text;
}

namespace housing_words {

Note measure(const Measure& m, const HousingSituation& s) {
  static constexpr const char* codes[] = {"floor", "height", "soil", "drop"};
  return {codes[static_cast<int>(m.what)], measure_text(m, s.leg_span_mm, !s.molts_no_more, s.size_word)};
}

Note depth_not_recorded() {
  return {"depth_not_recorded", "depth not recorded: read the depth of soil through the wall, never dig"};
}

Note drop_not_judged(const RuleNumber& warned_over) {
  return {"drop_not_judged", "depth of soil not recorded: the drop to the lid is not judged; over " + with_status(warned_over, "x leg span") +
                                 " a fall can harm"};
}

Note box_too_large(const HousingRules& rules) {
  return {"box_too_large", "box may be too large: over " + with_status(rules.oversize_floor, "x leg span") + " and over " +
                               with_status(rules.oversize_side_mm, "mm") + ", so that prey may not be found; feed under watch"};
}

Note other_kind(const std::string& group, const HousingSituation& s) {
  return {"other_kind", s.by_leg_span ? "multiples of leg span are those for tarantulas, used here for " + group + " (assumption)"
                                      : s.size_word + " stands for the leg span in multiples for " + group +
                                            " (common practice, no source)"};
}

Note habit_not_recorded() { return {"habit_not_recorded", "habit not recorded: judged as a ground dweller (assumption)"}; }

Note size_carried_on(std::optional<double> learned_ratio) {
  return {"size_carried_on", "not measured since its last molt: size carried on with a growth ratio of " +
                                 (learned_ratio ? "about " + brief(*learned_ratio, 2) + " a molt"
                                                : brief(husbandry().growth_ratio, 2) + " a molt (assumption)")};
}

Note floor_ahead(double after_next, double after_the_one_behind) {
  return {"floor_ahead", "floor after the next molt about " + number_text(after_next, 1) + " x, after the one behind it about " +
                             number_text(after_the_one_behind, 1) + " x"};
}

Note counts_unseen_molt(double chance) {
  return {"counts_unseen_molt", "if it molts on, a molt went unseen with a chance of " + percent(chance) +
                                          ": the day on which its box is outgrown counts one molt more"};
}

Note growth_learned(double ratio) {
  return {"growth_learned", "growth ratio about " + brief(ratio, 2) + " at the next molt, as the records of the collection say"};
}

Note growth_assumed(double ratio) {
  return {"growth_assumed", "growth ratio " + with_status({ratio, RuleStatus::assumption}) + " at the next molt"};
}

Note outgrown_after_next_molt(double chance) {
  return {"outgrown_after_next_molt", "outgrown after its next molt with a chance of " + percent(chance)};
}

Note suggested(const SuggestedBox& box) {
  std::string text = "suggested: ";
  text += box.name.empty() ? "a box of " : "own box '" + box.name + "', ";
  text += sides(box.w_mm, box.d_mm, box.h_mm);
  if (std::isfinite(box.soil_mm) && box.soil_mm > 0) text += ", soil " + brief(box.soil_mm, 0) + " mm deep";
  text +=
      "; expected to do for " + std::to_string(box.lasts_molts) + (box.lasts_molts == 1 ? " molt" : " molts") + " more";
  return {"suggested", text + " (assumption)"};
}

Note look_before_move(Day last_watched) {
  return {"look_before_move",
          "last looked at on " + to_iso(last_watched) + ": it may have molted since and be soft; look before a move"};
}

Note days_by_usual_size() {
  return {"days_by_usual_size", "never measured: days by size as for the usual size of its kind (assumption)"};
}

Note may_be_soft(const Hardening& hard, const HousingSituation& s) {
  return {"may_be_soft", "may still be soft until " + to_iso(hard.day) + ": " + wait_text(hard) + " from " + since_molt(s) +
                             ", ended early by black fangs or a meal"};
}

Note hardened(const Hardening& hard, const HousingSituation& s) {
  if (hard.by_days) return {"hardened_by_days", "hardened: " + wait_text(hard) + " have passed since " + since_molt(s)};
  if (s.meal && *s.meal == hard.day) return {"hardened_by_meal", "ate on " + to_iso(*s.meal) + ": hardened"};
  return {"hardened_by_fangs", "fangs black on " + to_iso(hard.day) + ": hardened"};
}

Note no_meal_yet() { return {"no_meal_yet", "no meal since its molt yet: better after one"}; }

Note hardened_after(const Hardening& hard) { return {"hardened_after", "hardened after " + wait_text(hard)}; }

Note premolt_chance(const DayChances& chances, Day on, const RuleNumber& limit) {
  return {"chance_of_premolt",
          "chance of premolt on " + to_iso(on) + ": " + percent(chances.premolt) +
              (chances.molted_unseen >= told_unseen ? ", of a molt unseen " + percent(chances.molted_unseen) : "") +
              ", hold over " + limit_text(limit)};
}

Note premolt_begins(double days, bool of_its_kind) {
  const RuleStatus status = of_its_kind ? RuleStatus::assumption : RuleStatus::common_practice;
  return {"premolt_begins", "premolt begins " + with_status({std::max(1.0, std::round(days)), status}, "days") + " before the molt"};
}

Note held_over(const RuleNumber& chance) {
  return {"held_over", "held over a chance of premolt of " + limit_text(chance)};
}

Note safe_after_molt(const std::pair<int, int>& days) {
  return {"safe_after_molt", "no day before its next molt is safe; a move is from day " + std::to_string(days.first) + " to day " +
                                 std::to_string(days.second) + " after that molt, or once its fangs are black"};
}

Note premolt_again(double chance) {
  return {"premolt_again",
          "no day before its next molt is safe, and once it has hardened after it premolt has begun again with a chance of " +
              percent(chance)};
}

Note sign_but_ate(const SignNote& sign, Day meal) {
  return {"sign_but_ate", noted(sign) + ", but it ate since, on " + to_iso(meal) + ": no longer trusted"};
}

Note sign_while_soft(const SignNote& sign) {
  return {"sign_while_soft", noted(sign) + ", while it hardened: no sign of the next molt"};
}

Note weak_sign(const SignNote& sign) { return {"weak_sign", noted(sign) + ": a weak sign with many other causes"}; }

Note sitting(int number, Day day, const RuleNumber& rest_days) {
  return {"sitting", "a move is due: sitting " + std::to_string(number) + ", on " + to_iso(day) + ", " + with_status(rest_days, "days") +
                         " between sittings"};
}

Note safe_days_end(Day until) {
  return {"safe_days_end",
          "its safe days end on " + to_iso(until) + ", before that sitting: move it sooner in place of another, or wait"};
}

Note verdict(const Verdict& v) { return {std::string(reason_name(v.reason)), v.why}; }

Note no_box_rule(const std::string& group) {
  return {"no_box_rule",
          "no rule of boxes is known for " + group + ", and no leg span was read on it: size of its box not judged"};
}

Note size_missing() {
  return {"size_missing",
          "size not recorded: measure its next skin, or read it through the wall while it stretches; never disturb it to "
          "measure it"};
}

Note box_missing() {
  return {"box_missing", "enclosure not recorded: write down its inner width, depth and height"};
}

Note only_volume() {
  return {"only_volume",
          "only the volume of its box is recorded: a volume gives no ratio; write down its inner width, depth and height"};
}

Note conflict(const HousingSituation& s, const Verdict& v) {
  const std::string staying = s.unfit.empty() ? "it has outgrown its box" : "the box is unfit (" + s.unfit + ")";
  return {"conflict",
          "risk of staying: " + staying + "; risk of moving: " + risk_of_moving(v) +
              "; mend the box around it if that can be done without touching it, move it only if staying is the greater risk"};
}

Note box_unfit(const std::string& unfit, Day since) {
  return {"box_unfit", "box unfit since " + to_iso(since) + ": " + unfit + "; a move is due whatever its size"};
}

Note grown() { return {"grown", "mature and grows no more: not outgrown by growth"}; }

Note cautions_as_for(const KindHazards& kind) {
  return {"cautions_of_kind", "cautions as for " + kind.name + " (" + kind.basis + ")"};
}

Note kind_not_known() {
  return {"cautions_of_all", "what its kind has to beware of is not known: all cautions are given (assumption)"};
}

std::string old_world_venom() {
  return "; from the Old World: counted as one whose bite acts on the whole body (assumption)";
}

}  // namespace housing_words
}  // namespace moltspan
