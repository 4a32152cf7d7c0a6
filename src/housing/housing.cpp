#include "moltspan/housing/housing.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <stdexcept>
#include <tuple>

#include "housing/parts.hpp"
#include "housing/ready.hpp"
#include "housing/words.hpp"
#include "intervals/health.hpp"
#include "moltspan/numeric/parallel.hpp"

namespace moltspan {
namespace {

constexpr double need_step = 0.25;  ///< needs that differ by less are alike: then calm animals go first
constexpr int closing_days = 7;     ///< safe days that end within these go first
constexpr double rare = 0.01;       ///< chances under this ask for no box

int hazard_rank(const HousingSituation& s, const HousingRules& rules) {
  Note assumption;
  const Hazards h = hazards_for(s, rules, assumption);
  return 4 * h.systemic_venom + 2 * h.fast + h.irritant_spray;
}

/// Where an animal stands in the plan; smaller is earlier. What is left equal goes by name.
struct PlaceInPlan {
  int advice = 0;
  bool sound = true, stays_open = true, hungry = true;
  int need = 0, hazard = 0;
  double when = 0, slack = 0;
  std::string id;

  auto key() const { return std::tie(advice, sound, stays_open, hungry, need, hazard, when, slack, id); }
};

PlaceInPlan place_of(const HousingAdvice& a, const HousingSituation& s, const HousingRules& rules) {
  PlaceInPlan place;
  place.advice = static_cast<int>(a.advice);
  place.id = a.id;
  place.slack = a.shortfall;
  if (a.advice == Advice::move_now) {
    place.sound = s.unfit.empty();
    place.stays_open = !a.safe_until || *a.safe_until - s.on >= closing_days;
    place.hungry = !s.last_meal;
    place.need = static_cast<int>(std::floor(a.shortfall / need_step));
    place.hazard = hazard_rank(s, rules);
  } else if (a.safe_from && a.due) {
    place.when = *a.safe_from;
  } else if (a.advice == Advice::later) {
    place.when = std::isfinite(a.outgrown.median_days) ? a.outgrown.median_days : 1e6;
  }
  return place;
}

/// Own boxes that stand empty: those owned less those in which an animal lives now.
std::vector<Enclosure> free_boxes(const Collection& collection, const std::vector<HousingSituation>& situations) {
  std::vector<Enclosure> boxes = collection.enclosures;
  for (const HousingSituation& s : situations)
    for (Enclosure& box : boxes)
      if (!s.ended && s.enclosure && !s.enclosure->name.empty() && s.enclosure->name == box.name) --box.count;
  return boxes;
}

void take(std::vector<Enclosure>& boxes, const std::string& name) {
  for (Enclosure& box : boxes)
    if (box.name == name) --box.count;
}

/// Boxes in the order of the plan: who is moved first chooses first.
void give_boxes(RehousePlan& plan, const std::vector<HousingSituation>& situations, const HousingRules& rules,
                std::vector<Enclosure>& boxes) {
  for (HousingAdvice& a : plan.animals) {
    if (!a.suggested) continue;
    const HousingSituation& s = situations[a.animal];
    a.suggested = suggest_box(s, rules, molts_before_move(a.advice), boxes);
    a.reasons.push_back(housing_words::suggested(*a.suggested));
    if (a.due && !a.suggested->name.empty()) take(boxes, a.suggested->name);
  }
}

/// Splits the animals to move into sittings; those of a later one wait, and it is said where their safe days end
/// before.
void spread(RehousePlan& plan, const HousingRules& rules) {
  int index = 0;
  for (HousingAdvice& a : plan.animals) {
    if (a.advice != Advice::move_now) continue;
    a.sitting = plan.at_most ? index / *plan.at_most + 1 : 1;
    ++index;
    const Day day = plan.on + (a.sitting - 1) * static_cast<Day>(rules.rest_days.value);
    a.sitting_day = day;
    if (a.sitting == 1) continue;
    a.advice = Advice::later;
    a.reasons.insert(a.reasons.begin(), housing_words::sitting(a.sitting, day, rules.rest_days));
    if (a.safe_until && *a.safe_until < day) a.reasons.insert(a.reasons.begin() + 1, housing_words::safe_days_end(*a.safe_until));
  }
}

/// Range that holds the number of boxes with a chance of at least .8, from independent chances.
void count_band(const std::vector<double>& chances, double& expected, int& from, int& to) {
  std::vector<double> mass = {1};
  for (double p : chances) {
    expected += p;
    mass.push_back(0);
    for (std::size_t k = mass.size() - 1; k > 0; --k) mass[k] = mass[k] * (1 - p) + mass[k - 1] * p;
    mass[0] *= 1 - p;
  }
  double sum = 0;
  from = to = -1;
  for (std::size_t k = 0; k < mass.size(); ++k) {
    sum += mass[k];
    if (from < 0 && sum > 0.1 + 1e-12) from = static_cast<int>(k);
    if (to < 0 && sum >= 0.9 - 1e-12) to = static_cast<int>(k);
  }
}

SuggestedBox wanted_box(const HousingAdvice& a, const HousingSituation& s, const HousingRules& rules,
                        const std::vector<Enclosure>& own) {
  return a.suggested ? *a.suggested : suggest_box(s, rules, 1, own);
}

std::vector<BoxNeed> box_needs(const RehousePlan& plan, const std::vector<HousingSituation>& situations,
                               const HousingRules& rules, std::vector<Enclosure> own) {
  std::map<std::pair<bool, std::string>, std::array<std::vector<double>, 3>> chances;
  for (const HousingAdvice& a : plan.animals) {
    const HousingSituation& s = situations[a.animal];
    std::array<double, 3> within = a.outgrown.chance_within;
    if (a.due) within = {1, 1, 1};
    if (!(within.back() > rare) || std::isnan(a.leg_span_mm)) continue;
    const SuggestedBox box = wanted_box(a, s, rules, own);
    auto& list = chances[{box.name.empty(), box.name.empty() ? box_size_text(box) : box.name}];
    for (std::size_t h = 0; h < 3; ++h) list[h].push_back(within[h]);
  }
  std::vector<BoxNeed> needs;
  for (const auto& [key, list] : chances) {
    BoxNeed need;
    need.own = !key.first;
    need.name = key.second;
    for (std::size_t h = 0; h < 3; ++h) count_band(list[h], need.expected[h], need.from[h], need.to[h]);
    needs.push_back(need);
  }
  return needs;
}

void check_options(const CollectionFit& fit, Day on, const std::optional<int>& at_most) {
  if (on < fit.table.as_of)
    throw std::invalid_argument("rehouse: on = " + to_iso(on) + " lies before " + to_iso(fit.table.as_of) +
                                ", the last day of the records used; give a later day, or fit as of an earlier one");
  if (at_most && *at_most < 1)
    throw std::invalid_argument("rehouse: at_most = " + std::to_string(*at_most) +
                                ": at least 1 animal a sitting, or leave it out for all in one");
}

std::vector<HealthNote> plan_health(const CollectionFit& fit, const RehousePlan& plan) {
  std::vector<HealthNote> notes = fit.health;
  const auto count = [&](Advice advice) {
    return std::count_if(plan.animals.begin(), plan.animals.end(), [&](const auto& a) { return a.advice == advice; });
  };
  if (const auto n = count(Advice::measure_first))
    notes.push_back({HealthState::warning, "measure_first",
                     std::to_string(n) + " of " + std::to_string(plan.animals.size()) +
                         " animals lack a size, a box or a depth of soil: nothing can be said of their room"});
  if (const auto n = count(Advice::conflict))
    notes.push_back(
        {HealthState::warning, "conflict", std::to_string(n) + " where staying and moving both are a risk"});
  return notes;
}

}  // namespace

RehousePlan rehouse(const CollectionFit& fit, const RehouseOptions& options) {
  RehousePlan plan;
  plan.as_of = fit.table.as_of;
  plan.on = options.on.value_or(plan.as_of);
  plan.at_most = options.at_most;
  check_options(fit, plan.on, plan.at_most);
  const HousingRules& rules = options.rules;
  const auto situations = housing_situations(fit, plan.on, rules);
  std::vector<std::pair<PlaceInPlan, HousingAdvice>> placed(situations.size());
  const auto work = [&](std::size_t from, std::size_t to) {
    for (std::size_t i = from; i < to; ++i) {
      placed[i].second = advise(situations[i], rules);
      placed[i].first = place_of(placed[i].second, situations[i], rules);
    }
  };
  const int threads = placed.size() < 20 ? 1 : fit.options.threads > 0 ? fit.options.threads : default_threads();
  numeric::in_parts(0, placed.size(), threads, work);
  std::sort(placed.begin(), placed.end(), [](const auto& a, const auto& b) { return a.first.key() < b.first.key(); });
  for (auto& [place, advice] : placed) plan.animals.push_back(std::move(advice));
  std::vector<Enclosure> boxes = free_boxes(*fit.collection, situations);
  give_boxes(plan, situations, rules, boxes);
  spread(plan, rules);
  plan.boxes = box_needs(plan, situations, rules, boxes);
  plan.make_ready = make_ready(plan, situations, rules);
  plan.health = plan_health(fit, plan);
  return plan;
}

}  // namespace moltspan
