#include "forecast/verdict.hpp"

#include <algorithm>
#include <cmath>
#include <iterator>

namespace moltspan {
namespace {

/// The word for what the verdict says it is in.
Phase phase_of(const AnimalForecast& result) {
  switch (result.verdict.code) {
    case VerdictCode::dead:
      return Phase::dead;
    case VerdictCode::gone:
      return Phase::gone;
    case VerdictCode::final_instar:
      return Phase::final_instar;
    case VerdictCode::molting:
    case VerdictCode::soft:
      return Phase::postmolt;
    case VerdictCode::premolt:
      return Phase::premolt;
    case VerdictCode::look:
      return result.care.overdue ? Phase::overdue : Phase::unknown;
    case VerdictCode::sealed:
      return result.verdict.chances.soft >= 1 ? Phase::postmolt : Phase::intermolt;
    case VerdictCode::sac:
    case VerdictCode::resting:
    case VerdictCode::between:
      return result.last_molt ? Phase::intermolt : Phase::unknown;
    case VerdictCode::not_answered:
      return Phase::unknown;
  }
  return Phase::unknown;
}

}  // namespace

MoltChances chances_of(const NextMoltLaw& law, const std::vector<double>& quantile_days) {
  constexpr int parts = 4;
  std::vector<double> edges{law.first_day()};
  edges.insert(edges.end(), quantile_days.begin(), quantile_days.end());
  const double last = quantile_days.back(), tail = std::max(1.0, last - quantile_days[std::size(standard_quantiles) / 2]);
  for (double width : {0.5, 1.0, 2.0}) edges.push_back(last + width * tail);
  MoltChances result{{edges.front()}, {0}};
  for (std::size_t i = 1; i < edges.size(); ++i)
    for (int part = 1; part <= parts; ++part) {
      const double day = edges[i - 1] + (edges[i] - edges[i - 1]) * part / parts, chance = 1 - law.survival(day);
      if (!(day > result.days.back()) || chance < result.chances.back()) continue;
      result.days.push_back(day);
      result.chances.push_back(chance);
    }
  result.days.push_back(result.days.back() + tail);
  result.chances.push_back(1);
  return result;
}

void add_verdict(const CareRules& rules, Day on, AnimalForecast& result) {
  CareSituation& care = result.care;
  care.chance_final = std::isfinite(result.chance_final) ? result.chance_final : 0;
  care.chance_missed = std::isfinite(result.chance_missed) ? result.chance_missed : 0;
  result.verdict = judge(care, rules, on);
  result.phase = phase_of(result);
  result.feed_from = result.verdict.feed_from;
}

}  // namespace moltspan
