#pragma once

#include <string>

#include "moltspan/verdict/verdict.hpp"

namespace moltspan {

/// `2 (assumption)`, `10 days (common practice, no source)`: a number never stands without its status.
std::string with_status(const RuleNumber& number, const std::string& unit = "");
/// 1.7, 60, 2.35: as few digits as a reader needs.
std::string brief(double value, int decimals = 1);

/// Puts the reason and the feeding of a verdict that is decided into words.
void say_why(const CareSituation& s, const CareRules& rules, Verdict& verdict);

/// Trusted sign that is older than a molt can be ahead, without a meal since; null = none.
const SignNote* outdated_sign(const CareSituation& s, const CareRules& rules);
/// Refusal after which nothing was eaten; none = none.
std::optional<Day> last_refusal(const CareSituation& s);
double feeding_wait_days(const CareSituation& s);
/// A sac, or a retreat after mating that may hold one, which counts on that day.
std::optional<Day> sac_day(const CareSituation& s, const CareRules& rules, Day on);
/// Age in days on `on` since the middle of the last molt's range.
double age_days(const CareSituation& s, Day on);

}  // namespace moltspan
