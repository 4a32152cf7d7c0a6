#pragma once

#include <optional>
#include <string>
#include <utility>

#include "housing/parts.hpp"
#include "moltspan/base/note.hpp"

/// The sentences of the rehousing plan, each with its code.
namespace moltspan::housing_words {

// Size and box.
Note measure(const Measure& measure, const HousingSituation& s);
Note depth_not_recorded();
Note drop_not_judged(const RuleNumber& warned_over);
Note box_too_large(const HousingRules& rules);
Note other_kind(const std::string& group, const HousingSituation& s);
Note habit_not_recorded();
Note size_carried_on(std::optional<double> learned_ratio);
Note floor_ahead(double after_next, double after_the_one_behind);
Note counts_unseen_molt(double chance);
Note growth_learned(double ratio);
Note growth_assumed(double ratio);
Note outgrown_after_next_molt(double chance);
Note suggested(const SuggestedBox& box);

// Days.
Note look_before_move(Day last_watched);
Note days_by_usual_size();
Note may_be_soft(const Hardening& hard, const HousingSituation& s);
Note hardened(const Hardening& hard, const HousingSituation& s);
Note no_meal_yet();
Note hardened_after(const Hardening& hard);
Note premolt_chance(const DayChances& chances, Day on, const RuleNumber& held_over);
Note premolt_begins(double days, bool of_its_kind);
Note held_over(const RuleNumber& chance);
Note safe_after_molt(const std::pair<int, int>& days);
Note premolt_again(double chance);
Note sign_but_ate(const SignNote& sign, Day meal);
Note sign_while_soft(const SignNote& sign);
Note weak_sign(const SignNote& sign);
Note sitting(int number, Day day, const RuleNumber& rest_days);
Note safe_days_end(Day until);

// What decides.
Note verdict(const Verdict& v);
Note no_box_rule(const std::string& group);
Note size_missing();
Note box_missing();
Note only_volume();
Note conflict(const HousingSituation& s, const Verdict& v);
Note box_unfit(const std::string& unfit, Day since);
Note grown();

// What its cautions rest on.
Note cautions_as_for(const KindHazards& kind);
Note kind_not_known();
std::string old_world_venom();

}  // namespace moltspan::housing_words
