#include "moltspan/trajectory/trajectory.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <stdexcept>

#include "collection/instars.hpp"
#include "collection/spread.hpp"
#include "forecast/next.hpp"
#include "forecast/size.hpp"
#include "trajectory/draws.hpp"
#include "collection/kinds.hpp"
#include "facts/husbandry.hpp"
#include "intervals/health.hpp"
#include "intervals/posterior.hpp"
#include "moltspan/forecast/forecast.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/parallel.hpp"
#include "moltspan/numeric/philox.hpp"
#include "moltspan/numeric/quadrature.hpp"
#include "stadia/molts.hpp"
#include "base/words.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

constexpr int effect_nodes = 16;         ///< over eta, where a family has no closed form
constexpr double most_numbers = 2e8;  ///< dates drawn at once: 1.6 GB, and as much for the sizes
constexpr double law_step_z = 0.15;      ///< between neighbors of the table of a law, in normal quantiles
constexpr double law_limit_z = 5.2;      ///< beyond it 1e-7 of the law is left on either side
constexpr double fast_from = 1e-3;       ///< chance to have come so far from which a law is tabulated by FastLaw
constexpr double narrowest_days = 1e-4;  ///< of a cell of that table

/// FNV-1a of 64 bits: an animal's stream hangs on its name, not on its place.
std::uint64_t name_hash(const std::string& name) {
  std::uint64_t hash = 0xcbf29ce484222325u;
  for (unsigned char letter : name) hash = (hash ^ letter) * 0x100000001b3u;
  return hash;
}

/// A running stadium's law for tables: log-normal survival of all points at once, within 2e-10.
class FastLaw final : public NextMoltLaw {
 public:
  explicit FastLaw(const NextMolt& next) : starts_(next.starts), clock_(next.clock) {
    first_day_ = next.base->first_day();
    for (const PredictiveComponent& p : next.points) {
      mean_.push_back(p.mean);
      per_spread_.push_back(1 / std::sqrt(p.variance + p.sigma * p.sigma));
    }
    const std::vector<double> watched = survivals(first_day_);
    double total = 0;
    for (std::size_t k = 0; k < next.points.size(); ++k) {
      weight_.push_back(next.points[k].weight / std::pow(std::max(watched[k], 1e-300), next.counted));
      total += weight_.back() * watched[k];
    }
    for (double& weight : weight_) weight /= total;
  }
  double survival(double x_days) const override {
    const std::vector<double> each = survivals(x_days);
    double sum = 0;
    for (std::size_t k = 0; k < each.size(); ++k) sum += weight_[k] * each[k];
    return std::min(sum, 1.0);
  }
  /// Of each point, not conditional on the time watched.
  std::vector<double> survivals(double x_days) const {
    std::vector<double> sum(mean_.size(), 0.0);
    const double units = clock_.units(x_days);
    for (const StartAge& start : starts_) {
      const double t = start.age_days + units;
      if (t > 0)
        vectors::add_normal_tails(mean_.data(), per_spread_.data(), std::log(t), start.weight,
                                  static_cast<int>(sum.size()), sum.data());
      else
        for (double& s : sum) s += start.weight;
    }
    return sum;
  }

 private:
  std::vector<StartAge> starts_;
  ClockAhead clock_;
  std::vector<double> mean_, per_spread_, weight_;
};

/// Whether the law is far from all trouble of a table of Phi: else the exact one is taken.
bool is_plain(const NextMolt& next, const CollectionFit& fit) {
  return fit.options.family == Family::lognormal && fit.families.size() == 1 && !fit.recalibration.used() && !next.starts.empty() &&
         next.base->survival_at_start() > fast_from;
}

struct LawNode {
  double day = 0, z = 0;
};

LawNode law_node(const NextMoltLaw& law, double day) {
  const double beyond = std::clamp(law.survival(day), 0.0, 1.0);
  const double tail = std::clamp(std::min(beyond, 1 - beyond), 1e-7, 0.5);
  const double z = numeric::normal_quantile(tail);
  return {day, beyond > 0.5 ? z : -z};
}

/// Adds the nodes between two, halving where the law climbs much.
void refine(const NextMoltLaw& law, const LawNode& left, const LawNode& right, int depth, std::vector<LawNode>& nodes) {
  if (depth > 0 && right.z - left.z > law_step_z && right.day - left.day > narrowest_days) {
    const LawNode middle = law_node(law, 0.5 * (left.day + right.day));
    refine(law, left, middle, depth - 1, nodes);
    refine(law, middle, right, depth - 1, nodes);
  } else {
    nodes.push_back(right);
  }
}

/// Days at equal steps of the normal quantile of the law.
std::vector<double> days_by_z(const NextMoltLaw& law) {
  LawNode left = law_node(law, law.first_day()), right = left;
  std::vector<LawNode> nodes{left};
  for (double width = 8; right.z < law_limit_z - 0.01 && width < 1e7; width *= 1.7) {
    right = law_node(law, right.day + width);
    refine(law, nodes.back(), right, 24, nodes);
  }
  std::vector<double> days(TrajectoryPlan::z_nodes);
  std::size_t at = 0;
  for (int i = 0; i < TrajectoryPlan::z_nodes; ++i) {
    const double z = -TrajectoryPlan::z_limit + 2 * TrajectoryPlan::z_limit * i / (TrajectoryPlan::z_nodes - 1);
    while (at + 2 < nodes.size() && nodes[at + 1].z < z) ++at;
    const LawNode &a = nodes[at], &b = nodes[std::min(at + 1, nodes.size() - 1)];
    const double share = b.z > a.z ? std::clamp((z - a.z) / (b.z - a.z), 0.0, 1.0) : 0;
    days[i] = a.day + share * (b.day - a.day);
  }
  return days;
}

double day_at(const TrajectoryPlan& plan, double p) {
  const double z = p <= 0 ? -TrajectoryPlan::z_limit : p >= 1 ? TrajectoryPlan::z_limit : numeric::normal_quantile(p);
  const double at =
      std::clamp((z + TrajectoryPlan::z_limit) / (2 * TrajectoryPlan::z_limit) * (TrajectoryPlan::z_nodes - 1), 0.0,
                 TrajectoryPlan::z_nodes - 1.001);
  const auto node = static_cast<std::size_t>(at);
  return plan.day_of_z[node] + (at - static_cast<double>(node)) * (plan.day_of_z[node + 1] - plan.day_of_z[node]);
}

/// Points with eta on nodes where, for want of a closed form, the forecast takes it so.
std::vector<PredictiveComponent> expanded(const std::vector<PredictiveComponent>& points, Family family) {
  if (family == Family::lognormal) return points;
  const auto& rule = numeric::gauss_hermite(effect_nodes);
  std::vector<PredictiveComponent> result;
  for (const PredictiveComponent& p : points)
    for (int i = 0; i < effect_nodes; ++i)
      result.push_back({p.weight * rule.weights[i], p.mean + std::sqrt(p.variance) * rule.nodes[i], 0, p.sigma});
  return result;
}

/// What an animal that was never measured lacks of its size, in all its instars.
double unknown_size_variance(const AnimalInputs& inputs) {
  return inputs.never_measured ? inputs.shared_size_variance : 0;
}

void set_components(TrajectoryPlan& plan, const NextMolt& next, const AnimalInputs& inputs, double exponent) {
  const std::size_t each = plan.family == Family::lognormal ? 1 : effect_nodes;
  const std::vector<PredictiveComponent> points = expanded(next.points, plan.family);
  const double unknown = unknown_size_variance(inputs), of_size = inputs.sizes.back().variance + unknown;
  plan.size_sd = std::sqrt(of_size);
  const double covariance = exponent * (inputs.sizes.back().record_variance + unknown);
  std::vector<double> weights;
  for (std::size_t k = 0; k < points.size(); ++k) {
    const PredictiveComponent &p = points[k], &whole = next.points[k / each];
    DrawComponent c;
    const double total = p.variance + p.sigma * p.sigma;
    // Each animal is as likely to be met: the mean length divides out, which tilts the predictor down by its variance.
    c.mean = next.starts.empty() ? p.mean - p.variance : p.mean;
    c.gain = total > 0 ? p.variance / total : 0;
    c.sd = std::sqrt(c.gain) * p.sigma;
    c.sigma = p.sigma;
    c.log_spread = std::sqrt(total);
    c.center = whole.mean;
    c.size_gain = whole.variance > 1e-10 ? covariance / whole.variance : 0;
    c.size_sd = std::sqrt(std::max(0.0, of_size - c.size_gain * covariance));
    plan.components.push_back(c);
    weights.push_back(p.weight);
  }
  plan.any_component = AliasTable(weights);
}

/// Chances of no molt by a day of each point, as far as the points' shares of the days go by them.
std::vector<double> beyond_of(const NextMolt& next, const std::vector<PredictiveComponent>& points, const FastLaw* fast,
                              double day) {
  if (fast) return fast->survivals(day);
  std::vector<double> beyond;
  for (const PredictiveComponent& point : points) beyond.push_back(next.base->share_beyond(point, day));
  return beyond;
}

/// Shares of the points in each cell of the first molt's law.
void set_shares(TrajectoryPlan& plan, const NextMolt& next, const FastLaw* fast) {
  const std::vector<PredictiveComponent> points = expanded(next.points, plan.family);
  std::vector<double> left = beyond_of(next, points, fast, next.base->first_day()), weight;
  for (std::size_t k = 0; k < points.size(); ++k) {
    weight.push_back(points[k].weight);
    if (!next.starts.empty()) weight[k] /= std::pow(std::max(left[k], 1e-300), next.counted);
  }
  for (int cell = 0; cell < TrajectoryPlan::n_cells; ++cell) {
    const std::vector<double> right =
        beyond_of(next, points, fast, day_at(plan, (cell + 1.0) / TrajectoryPlan::n_cells));
    std::vector<double> share(points.size());
    double total = 0;
    for (std::size_t k = 0; k < points.size(); ++k) total += share[k] = weight[k] * std::max(left[k] - right[k], 0.0);
    plan.component_of_cell.emplace_back(total > 1e-290 ? share : weight);
    left = right;
  }
}

/// Shares of the start days in each cell, the points averaged over.
void set_starts(TrajectoryPlan& plan, const NextMolt& next) {
  plan.starts = next.starts;
  if (plan.starts.size() < 2) return;
  for (int cell = 0; cell < TrajectoryPlan::n_cells; ++cell) {
    const double from = day_at(plan, static_cast<double>(cell) / TrajectoryPlan::n_cells),
                 to = day_at(plan, (cell + 1.0) / TrajectoryPlan::n_cells);
    const double units_from = plan.clock.units(from), units_to = plan.clock.units(to);
    std::vector<double> share, plain;
    double total = 0;
    for (const StartAge& start : plan.starts) {
      double drop = 0;
      for (const PredictiveComponent& p : next.points)
        drop += p.weight * std::max(0.0, predictive_survival(plan.family, p, start.age_days + units_from) -
                                             predictive_survival(plan.family, p, start.age_days + units_to));
      share.push_back(start.weight * drop);
      plain.push_back(start.weight);
      total += share.back();
    }
    plan.start_of_cell.emplace_back(total > 1e-290 ? share : plain);
  }
}

double covariate(const CollectionFit& fit, const AnimalInputs& inputs, CoefficientRole role) {
  const Index column = fit.data.column(role);
  return inputs.running_row < 0 || column < 0 ? 0 : fit.data.covariates(inputs.running_row, column);
}

void set_covariates(TrajectoryPlan& plan, const CollectionFit& fit, int animal, int molts) {
  const Animal& a = fit.animal(animal).record();
  const AnimalInputs& inputs = fit.animal(animal).inputs();
  const AnimalHistory& history = fit.animal(animal).history();
  plan.exponent = fit.stadia.coefficient(CoefficientRole::log_size) + exponent_beyond(fit, animal);
  if (const Index size = fit.stadia.column(CoefficientRole::log_size); size >= 0)
    plan.exponent_sd = fit.stadia.coefficient_errors[size];
  for (const CoefficientRole role : {CoefficientRole::limb_lost, CoefficientRole::egg_sac})
    plan.ends_with_stadium += fit.stadia.coefficient(role) * covariate(fit, inputs, role);
  for (int ahead = 1; (fit.instars.used() || fit.spread.used()) && ahead < molts; ++ahead) {
    const InstarStep step = instar_step(fit, animal, ahead);
    plan.instar_mean.push_back(step.mean);
    plan.instar_variance.push_back(step.variance);
    plan.instar_scale.push_back(std::exp(spread_step(fit, animal, ahead)));
  }
  plan.size_mean = inputs.sizes.back().mean;
  if (std::isfinite(a.adult_leg_span_mm))
    plan.adult_log_size = std::log(husbandry().adult_share * a.adult_leg_span_mm / 20);
  plan.adult_now = history.matured.has_value();
  plan.adult_effect = fit.stadia.coefficient(CoefficientRole::near_adult_female) * (1 - history.male_chance);
  plan.stop_chance = plan.adult_now ? 0 : chance_to_stop(a, history.male_chance);
}

TrajectoryPlan make_plan(const CollectionFit& fit, int animal, const NextMolt& next, const TrajectoryOptions& options) {
  TrajectoryPlan plan;
  const std::uint64_t hash = name_hash(fit.animal(animal).record().id);
  plan.name_low = static_cast<std::uint32_t>(hash);
  plan.name_high = static_cast<std::uint32_t>(hash >> 32);
  plan.family = fit.options.family;
  plan.clock = next.clock;
  plan.first_day = next.law().first_day();
  plan.watched_units = next.watched_units;
  plan.missed_chance = next.chance_missed;
  if (std::isfinite(fit.animal(animal).history().temperature_c))
    plan.later_variance = fit.unmeasured_warmth_sd * fit.unmeasured_warmth_sd;
  const auto fast = is_plain(next, fit) ? std::make_unique<FastLaw>(next) : nullptr;
  plan.day_of_z = days_by_z(fast && !next.reweighted ? *fast : next.law());
  set_covariates(plan, fit, animal, options.molts);
  set_components(plan, next, fit.animal(animal).inputs(), fit.exponent_for_size_error);
  set_growth(plan, fit, animal, options);
  set_shares(plan, next, fast.get());
  set_starts(plan, next);
  return plan;
}

/// Chance in percent that another of its kind is slower: its effect, known in part, beside a new one of its kind.
void set_paces(const CollectionFit& fit, std::vector<TrajectoryAnimal>& animals) {
  const auto level = std::find(fit.stadia.levels.begin(), fit.stadia.levels.end(), Level::animal);
  if (level == fit.stadia.levels.end()) return;
  const double sd = fit.stadia.level_sds[level - fit.stadia.levels.begin()];
  if (!(sd > 0)) return;
  std::map<int, double> slower;
  for (const AnimalEffect& effect : fit.stadia.posterior->get().animal_effects())
    slower[effect.code] = numeric::Phi(-effect.mean / std::hypot(sd, effect.sd));
  for (TrajectoryAnimal& animal : animals)
    if (const auto found = slower.find(animal.animal);
        found != slower.end() && fit.animal(animal.animal).runs())
      animal.pace_percentile = 100 * found->second;
}

void check(const CollectionFit& fit, const std::vector<int>& animals, const TrajectoryOptions& options) {
  const auto refuse = [](const std::string& text) { throw std::invalid_argument("trajectory: " + text); };
  if (options.molts < 1 || options.molts > 100) refuse("molts = " + std::to_string(options.molts) + ": 1 to 100");
  if (options.draws < 1) refuse("draws = " + std::to_string(options.draws) + ": at least 1, usually 10000");
  if (options.growth_ratio && !(*options.growth_ratio > 0.5 && *options.growth_ratio < 3))
    refuse("growth_ratio = " + std::to_string(*options.growth_ratio) + ": size after a molt over size before, as 1.3");
  if (options.growth_log_sd && !(*options.growth_log_sd >= 0 && *options.growth_log_sd < 1))
    refuse("growth_log_sd = " + std::to_string(*options.growth_log_sd) + ": from 0 to 1, as 0.1");
  const double asked = static_cast<double>(animals.empty() ? fit.animals.size() : animals.size()) * options.draws *
                       options.molts;
  if (asked > most_numbers)
    refuse("draws = " + std::to_string(options.draws) + " of molts = " + std::to_string(options.molts) +
           ": together over " + std::to_string(static_cast<long long>(most_numbers)) +
           " dates with all animals; ask for fewer draws, molts or animals");
  for (int animal : animals)
    if (animal < 0 || animal >= static_cast<int>(fit.animals.size()))
      refuse("animal " + std::to_string(animal) + " is not one of " + std::to_string(fit.animals.size()));
}

std::vector<Note> notes_of(const CollectionFit& fit, int animal, const NextMolt& next) {
  std::vector<Note> notes;
  const AnimalView view = fit.animal(animal);
  if (view.inputs().never_measured) notes.push_back({"never_measured", "never measured: its size is taken as its kind's (assumption)"});
  if (auto conversion = conversion_note(fit, animal)) notes.push_back(std::move(*conversion));
  if (!std::isfinite(view.record().adult_leg_span_mm))
    notes.push_back({"adult_size_unknown",
                     "adult leg span not known: where its growth ends is told by these records alone, and no molt is the last; state "
                     "adult_leg_span_mm"});
  if (next.chance_missed >= reported_missed_chance)
    notes.push_back({"missed_molt", "with a chance of " + percent(next.chance_missed) +
                                        " a molt went unseen: those trajectories begin one molt further"});
  if (next.starts.empty())
    notes.push_back({"random_moment", "no molt on record: taken as met at a random moment between two molts"});
  return notes;
}

std::vector<HealthNote> trajectory_health(const CollectionFit& fit, const Trajectories& result) {
  std::vector<HealthNote> health = fit.health;
  std::size_t no_adult = 0;
  for (const auto& animal : result.animals) no_adult += !std::isfinite(animal.adult_leg_span_mm);
  if (no_adult > 0)
    health.push_back({HealthState::warning, "adult_size_unknown",
                      std::to_string(no_adult) + " of " + std::to_string(result.animals.size()) +
                          " animals without an adult leg span: where their growth ends is told by these records alone"});
  if (result.options.draws < 1000)
    health.push_back({HealthState::warning, "few_draws",
                      std::to_string(result.options.draws) + " draws: quantiles near the ends are rough"});
  return health;
}

}  // namespace

Trajectories draw_trajectories(const CollectionFit& fit, const std::vector<int>& animals,
                               const TrajectoryOptions& options) {
  check(fit, animals, options);
  Trajectories result;
  result.options = options;
  result.as_of = fit.table.as_of;
  std::vector<int> asked = animals;
  if (asked.empty())
    for (std::size_t i = 0; i < fit.animals.size(); ++i) asked.push_back(static_cast<int>(i));
  const NextMolts molts(fit);
  const int threads = options.threads > 0       ? options.threads
                      : fit.options.threads > 0 ? fit.options.threads
                                                : default_threads();
  std::vector<NextMolt> next(asked.size());
  numeric::in_parts(0, asked.size(), threads, [&](std::size_t from, std::size_t to) {
    for (std::size_t i = from; i < to; ++i) next[i] = molts.of(asked[i]);
  });
  std::vector<std::size_t> drawn;
  for (std::size_t i = 0; i < asked.size(); ++i) {
    const Animal& a = fit.animal(asked[i]).record();
    TrajectoryAnimal animal;
    animal.animal = asked[i];
    animal.id = a.id;
    animal.taxon = a.taxon;
    animal.why_none = next[i].why_not;
    animal.adult_leg_span_mm = husbandry().adult_share * a.adult_leg_span_mm;
    if (!next[i].why_not.empty()) {
      result.without.push_back(animal);
      continue;
    }
    if (fit.growth) animal.ratio_percentile = 100 * fit.animal(asked[i]).growth()->chance_grows_more;
    animal.notes = notes_of(fit, asked[i], next[i]);
    result.animals.push_back(animal);
    drawn.push_back(i);
  }
  const std::size_t draws = static_cast<std::size_t>(options.draws), each = result.per_animal();
  auto dates = std::make_unique_for_overwrite<double[]>(drawn.size() * each);
  auto sizes = std::make_unique_for_overwrite<double[]>(drawn.size() * each);
  auto start = std::make_unique_for_overwrite<double[]>(drawn.size() * draws);
  auto end = std::make_unique_for_overwrite<double[]>(drawn.size() * draws);
  numeric::in_parts(0, drawn.size(), threads, [&](std::size_t from, std::size_t to) {
    for (std::size_t i = from; i < to; ++i)
      draw_courses(make_plan(fit, asked[drawn[i]], next[drawn[i]], options), options, dates.get() + i * each,
                   sizes.get() + i * each, start.get() + i * draws, end.get() + i * draws);
  });
  result.dates_days = std::move(dates);
  result.leg_span_mm = std::move(sizes);
  result.start_leg_span_mm = std::move(start);
  result.end_leg_span_mm = std::move(end);
  if (fit.stadia.posterior) set_paces(fit, result.animals);
  result.health = trajectory_health(fit, result);
  return result;
}

}  // namespace moltspan
