#include "forecast/next.hpp"

#include <algorithm>
#include <cmath>

#include "calibration/recalibration.hpp"
#include "collection/last.hpp"
#include "forecast/context.hpp"
#include "forecast/words.hpp"
#include "moltspan/numeric/quadrature.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

/// Nodes over a range of start days: moments in days after its beginning. More of them where the range is wide against
/// the spread of the stadium.
std::vector<StartAge> range_nodes(int width_days, double spread_days) {
  if (width_days <= 1) return {{1.0, 0.5}};
  const int n = std::clamp(3 + static_cast<int>(4 * width_days / spread_days), 4, 24);
  const auto& rule = numeric::gauss_legendre(n);
  std::vector<StartAge> nodes;
  for (Index i = 0; i < rule.nodes.size(); ++i)
    nodes.push_back({0.5 * rule.weights[i], 0.5 * width_days * (1 + rule.nodes[i])});
  return nodes;
}

/// log density of T = days at a known predictor.
double log_density(Family family, double days, double eta, double sigma) {
  if (days <= 0) return -INFINITY;
  return stadium_term(family, {days, days, 0, 0}, eta, std::log(sigma)).value;
}

/// Moments of the start of a running stadium, weighted by how well each fits the stadium before it.
std::vector<StartAge> start_ages(const ForecastContext& context, const AnimalInputs& inputs,
                                 const std::vector<PredictiveComponent>& points, const ClockAhead& clock) {
  const auto& fit = context.fit;
  const Stadium& running = fit.table.stadia[inputs.running_row];
  double eta = 0;
  for (const PredictiveComponent& p : points) eta += p.weight * p.mean;
  const double spread_days = std::max(0.5, fit.stadia.sigma * std::exp(eta));
  std::vector<StartAge> starts = range_nodes(running.start.width_days(), spread_days);
  if (starts.size() > 1 && inputs.previous_row >= 0) {
    const Stadium& before = fit.table.stadia[inputs.previous_row];
    double total = 0;
    const Eigen::VectorXd difference =
        fit.data.covariates.row(inputs.previous_row) - fit.data.covariates.row(inputs.running_row);
    eta += difference.dot(fit.stadia.coefficients.head(difference.size()));
    const double scale = fit.data.log_scale.size() == 0 ? 1 : std::exp(fit.data.log_scale[inputs.previous_row]);
    const double sigma = std::hypot(scale * fit.stadia.sigma, std::sqrt(fit.data.extra_variance[inputs.previous_row]));
    const StadiumClock clock_before = context.clocks.of_row(inputs.previous_row);
    for (StartAge& start : starts) {
      double fits = 0;
      for (const StartAge& from : range_nodes(before.start.width_days(), spread_days))
        fits += from.weight *
                std::exp(log_density(fit.options.family,
                                     clock_before.units(before.start.earliest + from.age_days,
                                                        running.start.earliest + start.age_days),
                                     eta, sigma));
      start.weight *= fits;
      total += start.weight;
    }
    if (!(total > 1e-200))
      starts = range_nodes(running.start.width_days(), spread_days);
    else
      for (StartAge& start : starts) start.weight /= total;
  }
  for (StartAge& start : starts)
    start.age_days = -clock.units(start.age_days - (fit.table.as_of - running.start.earliest));
  return starts;
}

/// First day on which a sign would be one of the running stadium, from the beginning of the as_of day.
double signs_from(const CollectionFit& fit, int animal) {
  const AnimalHistory& history = fit.animal(animal).history();
  const int last_molt = static_cast<int>(history.molts.size()) - 1;
  const Day from = last_molt < 0 ? history.watched_from : signs_count_from(fit, animal, last_molt);
  return from - fit.table.as_of;
}

/// The law of a running stadium, the families mixed.
std::unique_ptr<NextMoltLaw> mixed_law(const CollectionFit& fit, const NextMolt& next, double watched) {
  const Family own = fit.options.family;
  auto law = std::make_unique<RunningLaw>(own, next.points, next.starts, watched, next.counted);
  if (fit.families.size() < 2) return law;
  std::vector<MixedLaw::Part> parts;
  parts.emplace_back(fit.families.front().weight, std::move(law));
  for (std::size_t f = 1; f < fit.families.size(); ++f)
    parts.emplace_back(
        fit.families[f].weight,
        std::make_unique<RunningLaw>(fit.families[f].family, in_family(next.points, own, fit.families[f].family),
                                     next.starts, watched, next.counted));
  return std::make_unique<MixedLaw>(std::move(parts));
}

/// The same, recalibrated by what came of past forecasts.
std::unique_ptr<NextMoltLaw> running_law(const CollectionFit& fit, const NextMolt& next, double watched) {
  return recalibrated(fit, mixed_law(fit, next, watched));
}

}  // namespace

ForecastContext make_context(const CollectionFit& fit, const std::vector<double>& levels) {
  ForecastContext context{fit, levels, CollectionClocks(fit), {}, {}, {}, {}, std::vector<bool>(fit.animals.size()), nullptr, nullptr};
  for (const Stadium& stadium : fit.table.stadia)
    if (!(stadium.entry_days > 0)) context.seen_from_start[stadium.animal] = true;
  if (!fit.stadia.posterior) return context;  // nothing to forecast
  context.running = running_predictors(fit.stadia);
  context.probes = probe_predictors(fit.stadia);
  for (std::size_t i = 0; i < fit.stadia.running_rows.size(); ++i)
    context.running_column[fit.stadia.running_rows[i]] = static_cast<Index>(i);
  for (const auto& [animal, weight] : own_weights(fit.stadia)) context.own_weight[animal] = weight;
  return context;
}

ForecastContext forecast_context(const CollectionFit& fit, const std::vector<double>& levels) {
  ForecastContext context = make_context(fit, levels);
  context.last_molts = std::make_shared<LastMolts>(fit, [&](int animal) {
    return (fit.animal(animal).runs() ? running_molt(context, animal) : unstarted_molt(context, animal)).base->survival_at_start();
  });
  context.mature_lives = std::make_shared<MatureLives>(fit);
  return context;
}

bool explain_no_forecast(const CollectionFit& fit, int animal, AnimalForecast& result) {
  const AnimalView view = fit.animal(animal);
  const AnimalHistory& history = view.history();
  const auto because = [&](Phase phase, std::string why) {
    result.phase = phase;
    result.why_no_forecast = std::move(why);
    return true;
  };
  if (view.record().set_aside) return because(Phase::unknown, forecast_words::set_aside());
  if (history.state != AnimalState::alive)
    return because(history.state == AnimalState::died ? Phase::dead : Phase::gone, forecast_words::ended(history.state, history.ended));
  if (history.molts_no_more) {
    result.chance_final = 1;
    return because(Phase::final_instar, forecast_words::molts_no_more(history.matured));
  }
  if (!view.runs() && view.inputs().probe < 0) return because(Phase::unknown, forecast_words::not_there_yet(fit.table.as_of));
  return false;
}

MoltEvidence evidence_of(const ForecastContext& context, int animal, const NextMolt& next) {
  return {context.fit, animal, *next.base, signs_from(context.fit, animal), next.base->first_day(), next.hidden.get()};
}

NextMolt running_molt(const ForecastContext& context, int animal) {
  const CollectionFit& fit = context.fit;
  const AnimalInputs& inputs = fit.animal(animal).inputs();
  NextMolt next;
  next.points = predictive_components(context.running, context.running_column.at(inputs.running_row));
  next.clock = context.clocks.ahead(animal);
  next.starts = start_ages(context, inputs, next.points, next.clock);
  double age = 0;
  for (const StartAge& start : next.starts) age += start.weight * start.age_days;
  const double ahead = context.clocks.variance_ahead(animal);
  for (PredictiveComponent& point : next.points) {
    const double to_come = ahead > 0 ? 1 - std::clamp(age * std::exp(-point.mean), 0.0, 1.0) : 0;
    point.variance += fit.data.extra_variance[inputs.running_row] + ahead * to_come * to_come;
  }
  const AnimalHistory& history = fit.animal(animal).history();
  next.counted = fit.data.weights.size() > 0 ? fit.data.weights[inputs.running_row] : 1;
  const double first_day = history.last_watched - fit.table.as_of + 1.0, watched = next.clock.units(first_day);
  count_hidden_once(fit, inputs.running_row, age + watched, next.counted, next.points);
  if (fit.hidden.used())
    next.hidden = std::make_unique<HiddenBranches>(fit, inputs.running_row, next.points, age, watched, next.counted,
                                                   next.clock);
  next.base = clocked(running_law(fit, next, watched), next.clock, first_day);
  return next;
}

NextMolt unstarted_molt(const ForecastContext& context, int animal) {
  const CollectionFit& fit = context.fit;
  const AnimalHistory& history = fit.animal(animal).history();
  NextMolt next;
  next.watched_days = history.recorded ? std::max(0, history.last_watched + 1 - history.watched_from) : 0;
  next.clock = context.clocks.ahead(animal);
  next.points = predictive_components(context.probes, fit.animal(animal).inputs().probe);
  const double first_day = history.recorded ? history.last_watched - fit.table.as_of + 1.0 : 1.0,
               now = next.clock.units(first_day);
  next.watched_units = now - next.clock.units(first_day - next.watched_days);
  next.base = clocked(std::make_unique<RandomMomentLaw>(fit.options.family, next.points, next.watched_units, now),
                      next.clock, first_day);
  return next;
}

NextMolt next_molt(const ForecastContext& context, int animal) {
  AnimalForecast scratch;
  if (explain_no_forecast(context.fit, animal, scratch)) {
    NextMolt none;
    none.why_not = scratch.why_no_forecast;
    return none;
  }
  NextMolt next = context.fit.animal(animal).runs() ? running_molt(context, animal) : unstarted_molt(context, animal);
  MoltEvidence evidence = evidence_of(context, animal, next);
  next.signs_if_last = evidence.if_last();
  if (std::isfinite(evidence.chance_missed())) next.chance_missed = evidence.chance_missed();
  next.reweighted = evidence.take();
  return next;
}

struct NextMolts::Shared {
  std::vector<double> no_levels;
  ForecastContext context;
  explicit Shared(const CollectionFit& fit) : context(make_context(fit, no_levels)) {}
};

NextMolts::NextMolts(const CollectionFit& fit) : shared_(std::make_shared<const Shared>(fit)) {}

NextMolt NextMolts::of(int animal) const { return next_molt(shared_->context, animal); }

}  // namespace moltspan
