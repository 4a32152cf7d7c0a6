#include <algorithm>
#include <cmath>

#include "housing/parts.hpp"
#include "facts/husbandry.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

constexpr int most_molts = 30;           ///< ahead, for the day on which a box is outgrown: its life
constexpr double told_passage = 1e-5;    ///< chance of a passage that counts for dates
constexpr int atoms = 40;                               ///< of the day of the next molt
constexpr double last_day = 20000;                      ///< no quantile is looked for beyond it
constexpr double outgrown_levels[] = {0.5, 0.8, 0.95};

/// Suggested sizes go up in steps of 10 mm, 20 mm from 60 mm on, 50 mm from 200 mm on, so that they can be counted.
double round_up(double mm) {
  const double step = mm > 200 ? 50 : mm > 60 ? 20 : 10;
  return step * std::ceil(mm / step - 1e-9);
}

/// Leg span at which the first lower limit is passed; infinite where there is none.
double limit_span_mm(const std::vector<Measure>& now) {
  double limit = INFINITY;
  for (const Measure& m : now)
    if (m.what != Measure::What::drop && m.due.value > 0) limit = std::min(limit, m.mm / m.due.value);
  return limit;
}

/// P(outgrown by x): the k-th molt has come and the size after it passes the limit; the size after one molt more where
/// one went unseen.
class OutgrownLaw {
 public:
  OutgrownLaw(const HousingSituation& s, const HousingRules& rules, double limit_mm)
      : molts_(s, rules), stays_(s.molts_no_more ? 0 : s.chance_final) {
    const std::vector<double> passes = passage_chances(s, rules, limit_mm, most_molts + 1);
    const double missed = s.missed_if_molts_on > 0 ? s.missed_if_molts_on : 0;
    passes_at_.push_back((1 - missed) * passes[1] + missed * (passes[1] + passes[2]));
    for (std::size_t k = 2; k <= most_molts; ++k)
      passes_at_.push_back((1 - missed) * passes[k] + missed * passes[k + 1]);
  }
  double never() const {
    double passes = 0;
    for (double p : passes_at_) passes += p;
    return std::clamp(1 - passes * (1 - stays_), 0.0, 1.0);
  }
  double after_next_molt() const { return passes_at_.front() * (1 - stays_); }
  double by(double x_days) const {
    double sum = 0;
    for (int k = 1; k <= most_molts; ++k)
      if (passes_at_[k - 1] > told_passage)
        sum += passes_at_[k - 1] * molts_.by(k, x_days);
    return sum * (1 - stays_);
  }
  double quantile(double p) const {
    double low = 0, high = 64;
    while (by(high) < p && high < last_day) high *= 2;
    if (by(high) < p) return unknown_number;
    while (high - low > 0.05) (by(0.5 * (low + high)) < p ? low : high) = 0.5 * (low + high);
    return high;
  }

 private:
  MoltDays molts_;
  std::vector<double> passes_at_;
  double stays_;
};

/// Depth of soil for a box of this height: as the habit asks, and so much that the drop stays small.
double soil_mm(const HabitRules& rules, double h_mm, double span_mm, bool sling) {
  if (std::isfinite(rules.sling_soil.value)) return sling ? rules.sling_soil.value * span_mm : unknown_number;
  double depth = std::isfinite(rules.soil_target.value) ? rules.soil_target.value * span_mm : 0;
  if (!std::isfinite(rules.soil_due.value)) depth = std::min(depth, 0.5 * h_mm);
  if (std::isfinite(rules.drop_warn.value)) depth = std::max(depth, h_mm - rules.drop_warn.value * span_mm);
  return std::max(depth, 0.0);
}

bool high_enough(const HabitRules& rules, double h_mm, double span_mm) {
  if (std::isfinite(rules.height_plan.value) && h_mm < rules.height_plan.value * span_mm) return false;
  const double soil = std::isfinite(rules.soil_due.value) ? rules.soil_target.value : 0;
  return h_mm >= (soil + 1) * span_mm;  // its own span of air above the soil
}

double own_rank(const Enclosure& box, double span_mm, const HousingSituation& s, const HousingRules& rules) {
  const HabitRules& r = habit_rules(s, rules);
  const double side = short_side_mm(box.size), multiple = side / span_mm;
  if (box.count <= 0 || is_oversized(side, span_mm, s, rules) || !high_enough(r, box.size.h_mm, span_mm))
    return INFINITY;
  if (multiple < r.floor_plan.value) return INFINITY;
  // The smallest that reaches the target; else the largest that lies over the planning limit.
  return multiple >= r.floor_target.value ? multiple : 1e6 - multiple;
}

/// Young animals get the middle of the target, as they grow out of it; others its lower end.
SuggestedBox sized_box(const HabitRules& r, double span_mm, bool sling, bool young) {
  SuggestedBox box;
  const double middle = 0.5 * (r.floor_target.value + r.floor_target_most.value);
  box.w_mm = box.d_mm = round_up((young ? middle : r.floor_target.value) * span_mm);
  const double air = std::isfinite(r.drop_warn.value) ? r.drop_warn.value : 1;
  const double soil = std::isfinite(r.soil_target.value) ? r.soil_target.value : 0;
  box.h_mm = round_up(std::isfinite(r.height_target.value) ? r.height_target.value * span_mm : (soil + air) * span_mm);
  box.soil_mm = soil_mm(r, box.h_mm, span_mm, sling);
  return box;
}

int molts_lasted(const SuggestedBox& box, const HousingSituation& s, const HousingRules& rules, int molts) {
  EnclosureSize size{box.w_mm, box.d_mm, box.h_mm, box.soil_mm, unknown_number, false, box.name};
  int lasts = 0;
  for (int k = 1; k <= 6; ++k, ++lasts) {
    const double span = std::exp(size_after_molts(s, rules, molts + k).log_mm);
    for (const Measure& m : measures(size, span, s, rules))
      if (m.is_due()) return lasts;
  }
  return lasts;
}

}  // namespace

bool near_adult(const HousingSituation& s, double leg_span_mm) {
  const bool known = std::isfinite(s.adult_leg_span_mm);
  return s.matured || (known && leg_span_mm > husbandry().adult_share * s.adult_leg_span_mm);
}

const HabitRules& habit_rules(const HousingSituation& s, const HousingRules& rules) {
  switch (s.habit) {
    case Habit::arboreal:
      return rules.arboreal;
    case Habit::semi_arboreal:
      return rules.semi_arboreal;
    case Habit::fossorial:
      return rules.fossorial;
    default:
      return rules.terrestrial;
  }
}

bool is_sling(const HousingSituation& s, const HousingRules& rules) {
  const bool known = std::isfinite(s.adult_leg_span_mm);
  return !s.matured && s.leg_span_mm < (known ? rules.sling_share.value * s.adult_leg_span_mm : rules.sling_mm.value);
}

bool is_young(const HousingSituation& s, const HousingRules& rules) {
  const bool known = std::isfinite(s.adult_leg_span_mm);
  return !s.matured &&
         s.leg_span_mm < (known ? rules.juvenile_share.value * s.adult_leg_span_mm : rules.juvenile_mm.value);
}

MoltDays::MoltDays(const HousingSituation& s, const HousingRules& rules) : next_(s.next_molt) {
  for (int i = 0; i < atoms && any(); ++i) atoms_.push_back(next_.quantile((i + 0.5) / atoms));
  if (!any() || std::isnan(s.next_stadium_log_mean)) return;
  // Intervals grow as sizes do. The sum of the stadia between is taken as one log-normal of its mean and variance.
  std::vector<double> sizes(most_molts + 1, 0.0);
  for (const SizeCourseAhead& course : size_courses(s, rules, most_molts))
    for (std::size_t k = 0; k < sizes.size(); ++k) sizes[k] += course.weight * course.sizes[k].log_mm;
  const bool ends = s.growth && !s.growth->adult.empty() && !s.matured;
  const double log_ratio = std::log(rules.interval_ratio.value), per_size = log_ratio / std::log(husbandry().growth_ratio);
  const double own = s.next_stadium_log_sd * s.next_stadium_log_sd,
               shared = s.next_stadium_shared_log_sd * s.next_stadium_shared_log_sd;
  double mean = 0, variance = 0;
  for (int k = 2; k <= most_molts; ++k) {
    const double longer = ends ? per_size * (sizes[k - 1] - sizes[1]) : (k - 2) * log_ratio;
    const double m = std::exp(s.next_stadium_log_mean + longer + 0.5 * own);
    variance += m * m * std::expm1(own) + 2 * mean * m * std::expm1(shared);
    mean += m;
    const double v = std::log1p(variance / (mean * mean));
    mean_.push_back(std::log(mean) - 0.5 * v);
    spread_.push_back(std::sqrt(v));
  }
}

double MoltDays::by(int k, double x_days) const {
  if (k == 1) return next_.by(x_days);
  if (mean_.empty()) return 0;
  const auto at = static_cast<std::size_t>(k) - 2;
  double sum = 0;
  for (double atom : atoms_)
    if (x_days > atom) sum += numeric::Phi((std::log(x_days - atom) - mean_[at]) / spread_[at]);
  return sum / atoms;
}

bool Measure::is_due() const {
  return due.value > 0 && (what == What::drop ? multiple > due.value : multiple < due.value);
}
bool Measure::is_planned() const {
  return plan.value > 0 && (what == What::drop ? multiple > plan.value : multiple < plan.value);
}
double Measure::slack() const {
  return what == What::drop ? due.value / std::max(multiple, 1e-9) : multiple / due.value;
}

double short_side_mm(const EnclosureSize& box) { return std::min(box.w_mm, box.d_mm); }
bool has_sides(const std::optional<EnclosureSize>& box) { return box && std::isfinite(box->w_mm); }

bool is_oversized(double side_mm, double leg_span_mm, const HousingSituation& s, const HousingRules& rules) {
  return is_young(s, rules) && side_mm / leg_span_mm > rules.oversize_floor.value &&
         side_mm > rules.oversize_side_mm.value;
}

std::vector<Measure> measures(const EnclosureSize& box, double leg_span_mm, const HousingSituation& s,
                              const HousingRules& rules) {
  using What = Measure::What;
  const HabitRules& r = habit_rules(s, rules);
  std::vector<Measure> result;
  const auto add = [&](What what, double mm, const RuleNumber& due, const RuleNumber& plan) {
    if (std::isfinite(mm) && (std::isfinite(due.value) || std::isfinite(plan.value)))
      result.push_back({what, mm, mm / leg_span_mm, due, plan});
  };
  add(What::floor, short_side_mm(box), r.floor_due, r.floor_plan);
  add(What::height, box.h_mm, r.height_due, r.height_plan);
  add(What::soil, box.substrate_mm, r.soil_due, RuleNumber{});
  if (is_sling(s, rules)) add(What::soil, box.substrate_mm, RuleNumber{}, r.sling_soil);
  if (leg_span_mm >= rules.drop_from_leg_span_mm.value)
    add(What::drop, box.h_mm - box.substrate_mm, r.drop_limit, r.drop_warn);
  return result;
}

Outgrown outgrown(const HousingSituation& s, const HousingRules& rules, const std::vector<Measure>& now) {
  Outgrown result;
  const double limit = limit_span_mm(now);
  if (now.empty() || !std::isfinite(limit)) return result;
  if (s.molts_no_more) {
    result.chance_next_molt = 0;
    result.chance_never = 1;
    result.chance_within = {0, 0, 0};
    return result;
  }
  if (s.leg_span_mm > limit) {
    result.median_days = 0;
    for (double level : outgrown_levels) result.bands.push_back({level, 0, 0});
    result.chance_next_molt = 1;
    result.chance_never = 0;
    result.chance_within = {1, 1, 1};
    return result;
  }
  const OutgrownLaw law(s, rules, limit);
  result.chance_next_molt = law.after_next_molt();
  result.chance_never = law.never();
  if (s.next_molt.days.empty()) return result;
  result.median_days = law.quantile(0.5);
  for (double level : outgrown_levels)
    result.bands.push_back({level, law.quantile(0.5 * (1 - level)), law.quantile(0.5 * (1 + level))});
  for (std::size_t i = 0; i < 3; ++i) result.chance_within[i] = law.by(need_horizons_days[i]);
  return result;
}

SuggestedBox suggest_box(const HousingSituation& s, const HousingRules& rules, int molts,
                         const std::vector<Enclosure>& own) {
  const double span = std::exp(size_after_molts(s, rules, molts).log_mm);
  const HabitRules& r = habit_rules(s, rules);
  const Enclosure* best = nullptr;
  for (const Enclosure& box : own)
    if (std::isfinite(own_rank(box, span, s, rules)) &&
        (!best || own_rank(box, span, s, rules) < own_rank(*best, span, s, rules)))
      best = &box;
  SuggestedBox box = sized_box(r, span, is_sling(s, rules), is_young(s, rules));
  if (best) {
    box = {best->name, best->size.w_mm, best->size.d_mm, best->size.h_mm, unknown_number, 0};
    box.soil_mm = soil_mm(r, box.h_mm, span, is_sling(s, rules));
  }
  box.lasts_molts = molts_lasted(box, s, rules, molts);
  return box;
}

}  // namespace moltspan
