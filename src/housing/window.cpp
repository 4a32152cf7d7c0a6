#include <cmath>

#include "housing/parts.hpp"
#include "facts/husbandry.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

constexpr int most_days_after = 3652;  ///< ten years: where records say nothing, a stadium may go on for millennia

}  // namespace

RuleNumber stage_days(DaysOf of, const HousingSituation& s, const HousingRules& rules, int molts) {
  const Husbandry& h = husbandry();
  if (std::isfinite(s.stadium_median_days)) {  // by its own stadium, that of now
    const double days = of == DaysOf::hardening ? hardening(s).wait_days : premolt_lead_days(s);
    return {days, RuleStatus::assumption};
  }
  const double span = std::exp(size_after_molts(s, rules, molts).log_mm);
  const DaysByStage& table = of == DaysOf::hardening ? h.hardening : h.premolt_lead;
  return {days_by_stage(table, span, s.adult_leg_span_mm, s.matured), RuleStatus::common_practice};
}

AfterMolt after_next_molt(const HousingSituation& s, const HousingRules& rules) {
  AfterMolt after;
  if (std::isnan(s.next_stadium_log_mean) || s.molts_no_more) return after;
  const double hard = std::ceil(stage_days(DaysOf::hardening, s, rules, 1).value);
  const double lead = stage_days(DaysOf::premolt_lead, s, rules, 1).value;
  const auto begun = [&](double day) {  // chance that premolt has begun by the end of that day
    return numeric::Phi((std::log(day + 1 + lead) - s.next_stadium_log_mean) / s.next_stadium_log_sd);
  };
  after.premolt_again = begun(hard);
  if (after.premolt_again > rules.premolt_chance.value) return after;
  int last = static_cast<int>(hard);
  while (last < most_days_after && begun(last + 1) <= rules.premolt_chance.value) ++last;
  after.days = {static_cast<int>(hard), last};
  return after;
}

}  // namespace moltspan
