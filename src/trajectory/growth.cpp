#include <cmath>

#include "trajectory/draws.hpp"
#include "facts/husbandry.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

/// The growth of an animal that was never measured, or of a fit without growth: one point.
GrowthDraw plain_growth(const CollectionFit& fit, int animal, const TrajectoryPlan& plan) {
  const GrowthAhead ahead = growth_ahead(fit, animal);
  return {1, plan.size_mean, plan.size_sd, ahead.log_ratio, 0, ahead.ratio_sd, ahead.molt_sd, ahead.decline};
}

/// Points of the growth model, as size_after takes them. Sizes of a mature male hold a step that its growth does not
/// know.
std::vector<GrowthDraw> growth_points(const GrowthModelFit& growth, std::size_t animal, double size_mean) {
  const double step = size_mean - growth.sizes[animal].back().mean;
  std::vector<GrowthDraw> result;
  for (const GrowthPoint& p : growth.points) {
    const double size_sd = std::sqrt(p.last_variance[animal]), gain = p.covariance[animal] / size_sd;
    result.push_back({p.weight, p.last_size[animal] + step, size_sd, p.growth[animal], gain,
                      std::sqrt(std::max(0.0, p.growth_variance[animal] - gain * gain)), std::sqrt(p.process_variance),
                      p.decline});
  }
  return result;
}

/// Where growth ends: not where the caller states the ratio of all molts, nor once it has ended.
void set_ends(TrajectoryPlan& plan, const CollectionFit& fit, int animal, const TrajectoryOptions& options) {
  if (options.growth_ratio || plan.adult_now) return;
  plan.adult = growth_ahead(fit, animal).adult;
  std::vector<double> weights;
  const double share = std::log(husbandry().adult_share);
  const bool stated = std::isfinite(plan.adult_log_size);  // else it is not known that any molt is the last
  for (const AdultNode& node : plan.adult) {
    weights.push_back(node.weight);
    plan.ends.push_back({node.log_limit, node.with_size, node.steepness, node.ratio_change,
                         stated ? node.log_adult + share : INFINITY, std::exp(node.log_adult - node.log_limit)});
  }
  plan.adult_node = AliasTable(weights);
}

}  // namespace

void set_growth(TrajectoryPlan& plan, const CollectionFit& fit, int animal, const TrajectoryOptions& options) {
  if (fit.growth && !fit.animal(animal).growth()->sizes.empty())
    plan.growth = growth_points(*fit.growth, static_cast<std::size_t>(animal), plan.size_mean);
  else
    plan.growth = {plain_growth(fit, animal, plan)};
  plan.adult_log_ratio = std::log(husbandry().adult_ratio);
  plan.adult_log_sd = husbandry().adult_log_sd;
  if (options.growth_ratio) plan.adult_log_ratio = std::log(*options.growth_ratio);
  if (options.growth_log_sd) plan.adult_log_sd = *options.growth_log_sd;
  std::vector<double> weights;
  for (GrowthDraw& g : plan.growth) {
    weights.push_back(g.weight);
    if (options.growth_ratio || options.growth_log_sd) g.ratio_sd = g.ratio_gain = 0;
    if (options.growth_ratio) {
      g.log_ratio = plan.adult_log_ratio;
      g.decline = 0;
    }
    if (options.growth_log_sd) g.molt_sd = *options.growth_log_sd;
  }
  plan.growth_point = AliasTable(weights);
  set_ends(plan, fit, animal, options);
}

}  // namespace moltspan
