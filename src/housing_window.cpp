#include <algorithm>
#include <cmath>

#include "housing_parts.hpp"
#include "husbandry.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

constexpr int most_days_ahead = 1500;  ///< looked through for the day of least risk
constexpr double farthest_days = 36525;  ///< a century: where records say nothing, a law may go on for millennia

/// Chances of being soft or in premolt on day r (days after as_of).
class Risk {
 public:
  Risk(const HousingSituation& s, const HousingRules& rules, const SafeDays& days)
      : molts_(s, rules),
        lead_(days.lead.value),
        next_lead_(stage_days(DaysOf::premolt_lead, s, rules, 1).value),
        next_hardening_(stage_days(DaysOf::hardening, s, rules, 1).value),
        sign_(days.sign != nullptr) {}

  /// A molt up to the end of its lead has begun to show, or has come by then.
  double premolt(int r) const { return molts_.by(1, r + 1 + lead_); }
  double all(int r) const {
    const double through = molts_.by(1, r - next_hardening_ + 1);  // molted and hard by then
    const double begun = sign_ ? (molts_.any() ? 1 : 0) : premolt(r);
    return std::min(1.0, std::max(0.0, begun - through) + (through > 0 ? molts_.by(2, r + 1 + next_lead_) : 0));
  }

 private:
  MoltDays molts_;
  double lead_, next_lead_, next_hardening_;
  bool sign_;
};

/// Holds an animal; when its molt comes is for the forecast to say, which weighs the signs already. A sign counts while
/// it is younger than some leads and no meal came after it, and if it was not noted while the animal hardened, when
/// retreats are still shut; sealed in after mating may be a sac.
const SignNote* trusted_sign(const HousingSituation& s, const HousingRules& rules, const SafeDays& days) {
  const SignNote* found = nullptr;
  for (const SignNote& sign : s.signs) {
    const auto& trusted = rules.trusted_signs;
    const bool counts = !noted_while_soft(s, sign, days.hardening.value) &&
                        std::find(trusted.begin(), trusted.end(), sign.event) != trusted.end() &&
                        !(s.last_meal && *s.last_meal > sign.day) && !(sign.event == Event::sealed_in && s.mated) &&
                        s.as_of - sign.day <= rules.sign_leads.value * days.lead.value;
    if (counts) found = &sign;
  }
  return found;
}

void harden(const HousingSituation& s, SafeDays& days) {
  const Day base = s.latest_molt.value_or(s.watched_from);
  days.hardened = base + static_cast<Day>(std::ceil(days.hardening.value));
  days.waits_for_days = true;
  for (const auto& ended : {s.fangs_black, s.meal})
    if (ended && *ended <= days.hardened) {
      days.hardened = *ended;
      days.waits_for_days = false;
    }
}

/// The run of safe days before the next molt; false when its first day is none.
bool window_before_molt(const HousingSituation& s, const HousingRules& rules, const Risk& risk, Day first,
                        SafeDays& days) {
  days.premolt_chance = risk.premolt(first - s.as_of);
  if (days.sign || days.premolt_chance > rules.premolt_chance.value + 1e-9) return false;
  days.from = days.least = first;
  days.risk = days.premolt_chance;
  if (s.next_molt.days.empty()) return true;
  const double last = s.next_molt.quantile(rules.premolt_chance.value) - days.lead.value - 1;
  days.until = s.as_of + static_cast<Day>(std::floor(std::min(last, farthest_days) + 1e-6));
  return true;
}

/// Once its next molt has been seen and it has hardened: the chance that premolt has begun again.
double risk_after_molt(const HousingSituation& s, const HousingRules& rules) {
  if (std::isnan(s.next_stadium_log_mean)) return 0;
  const double days =
      stage_days(DaysOf::hardening, s, rules, 1).value + 1 + stage_days(DaysOf::premolt_lead, s, rules, 1).value;
  return numeric::Phi((std::log(days) - s.next_stadium_log_mean) / s.next_stadium_log_sd);
}

/// The day of least risk from `first` on, and the safe days around it.
void least_risk(const HousingSituation& s, const HousingRules& rules, const Risk& risk, Day first, SafeDays& days) {
  days.this_stadium = false;
  days.risk_after_molt = risk_after_molt(s, rules);
  const int begin = first - s.as_of;
  const double latest = std::min(s.next_molt.days.back(), farthest_days);
  const int end = std::min(begin + most_days_ahead, begin + static_cast<int>(latest) + 120);
  std::vector<double> risks;
  for (int r = begin; r <= end; ++r) risks.push_back(risk.all(r));
  const auto at = [&](int r) { return risks[static_cast<std::size_t>(r - begin)]; };
  // Where a molt that is seen makes a move safe, waiting for it is better than any day before it.
  const double seen = std::min(s.next_molt.quantile(0.5), farthest_days) + stage_days(DaysOf::hardening, s, rules, 1).value;
  const bool wait = days.risk_after_molt <= rules.premolt_chance.value;
  const int first_best = wait ? std::clamp(static_cast<int>(std::ceil(seen)), begin, end) : begin;
  int best = first_best;
  for (int r = first_best; r <= end; ++r)
    if (at(r) < at(best) - 1e-9) best = r;
  int from = best, until = best;
  const double limit = rules.premolt_chance.value;
  if (at(best) <= limit) {
    while (from > first_best && at(from - 1) <= limit) --from;
    while (until < end && at(until + 1) <= limit) ++until;
  }
  days.from = s.as_of + from;
  days.until = s.as_of + until;
  days.risk = at(best);
  days.least = s.as_of + best;
}

}  // namespace

bool noted_while_soft(const HousingSituation& s, const SignNote& sign, double hardening_days) {
  return s.latest_molt && sign.day < *s.latest_molt + hardening_days;
}

RuleNumber stage_days(DaysOf of, const HousingSituation& s, const HousingRules& rules, int molts) {
  const Husbandry& h = husbandry();
  const double span = std::exp(size_after_molts(s, rules, molts).log_mm);
  const DaysByStage& table = of == DaysOf::hardening ? h.hardening : h.premolt_lead;
  return {days_by_stage(table, span, s.adult_leg_span_mm, s.matured), RuleStatus::common_practice};
}

SafeDays safe_days(const HousingSituation& s, const HousingRules& rules, Day from) {
  SafeDays days;
  days.hardening = stage_days(DaysOf::hardening, s, rules);
  days.lead = stage_days(DaysOf::premolt_lead, s, rules);
  harden(s, days);
  if (!s.molts_no_more) days.sign = trusted_sign(s, rules, days);
  const Day first = std::max(from, days.hardened);
  const Risk risk(s, rules, days);
  if (s.next_molt.days.empty() && !s.molts_no_more) return days;
  if (!window_before_molt(s, rules, risk, first, days)) least_risk(s, rules, risk, first, days);
  return days;
}

}  // namespace moltspan
