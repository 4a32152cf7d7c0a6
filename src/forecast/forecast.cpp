#include "moltspan/forecast/forecast.hpp"

#include <algorithm>
#include <cmath>
#include <iomanip>
#include <map>
#include <sstream>
#include <stdexcept>

#include "collection/clock.hpp"
#include "collection/last.hpp"
#include "forecast/evidence.hpp"
#include "intervals/next_molt_law.hpp"
#include "forecast/maturity.hpp"
#include "forecast/next.hpp"
#include "forecast/size.hpp"
#include "growth/adult.hpp"
#include "forecast/verdict.hpp"
#include "facts/husbandry.hpp"
#include "intervals/health.hpp"
#include "moltspan/numeric/parallel.hpp"
#include "moltspan/numeric/quadrature.hpp"
#include "calibration/recalibration.hpp"
#include "forecast/verdict_situation.hpp"
#include "base/words.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

constexpr double overdue_share = 0.05;      ///< of comparable stadia that are longer still
constexpr double told_season = 0.05;        ///< amplitude of a season from which a note says so
constexpr double told_chance_final = 0.05;  ///< chance of a last molt from which a note says what it rests on

/// The day of the answer, the rules of verdicts and what the records say of each animal.
struct Asked {
  Day on = 0;
  const CareRules& rules;
  std::vector<CareSituation> facts;
};

/// What all animals of one fit share.
struct Context {
  const CollectionFit& fit;
  const std::vector<double>& levels;
  CollectionClocks clocks;
  PredictorMixture running, probes;
  std::map<int, Index> running_column;  ///< record -> column of `running`
  std::map<int, double> own_weight;
  PredictiveComponent typical;                             ///< mean sigma; for weighing start days
  std::vector<bool> seen_from_start;            ///< animals with a stadium that was watched from its start
  std::shared_ptr<const LastMolts> last_molts;  ///< null while only laws of the next molt are asked for
  std::shared_ptr<const MatureLives> mature_lives;
};

Context make_context(const CollectionFit& fit, const std::vector<double>& levels) {
  Context context{fit, levels, CollectionClocks(fit), {}, {}, {}, {}, {}, std::vector<bool>(fit.animals.size()), nullptr, nullptr};
  for (const Stadium& stadium : fit.table.stadia)
    if (!(stadium.entry_days > 0)) context.seen_from_start[static_cast<std::size_t>(stadium.animal)] = true;
  if (!fit.stadia.posterior) return context;  // nothing to forecast
  context.running = running_predictors(fit.stadia);
  context.probes = probe_predictors(fit.stadia);
  for (std::size_t i = 0; i < fit.stadia.running_rows.size(); ++i)
    context.running_column[fit.stadia.running_rows[i]] = static_cast<Index>(i);
  for (const auto& [animal, weight] : own_weights(fit.stadia)) context.own_weight[animal] = weight;
  context.typical.sigma = fit.stadia.sigma;
  return context;
}

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
std::vector<StartAge> start_ages(const Context& context, const AnimalInputs& inputs,
                                 const std::vector<PredictiveComponent>& points, const ClockAhead& clock) {
  const auto& fit = context.fit;
  const Stadium& running = fit.table.stadia[static_cast<std::size_t>(inputs.running_row)];
  double eta = 0;
  for (const PredictiveComponent& p : points) eta += p.weight * p.mean;
  const double spread_days = std::max(0.5, fit.stadia.sigma * std::exp(eta));
  std::vector<StartAge> starts = range_nodes(running.start.width_days(), spread_days);
  if (starts.size() > 1 && inputs.previous_row >= 0) {
    const Stadium& before = fit.table.stadia[static_cast<std::size_t>(inputs.previous_row)];
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

void add_note_if(bool condition, AnimalForecast& result, const std::string& text) {
  if (condition) result.notes.push_back(text);
}

/// A quantile, taken from the standard ones where it is one of them.
double known_or_solved(const NextMoltLaw& law, const AnimalForecast& result, double p) {
  for (std::size_t i = 0; i < std::size(standard_quantiles); ++i)
    if (std::abs(standard_quantiles[i] - p) < 1e-12) return result.quantile_days[i];
  return law.quantile(p, law.first_day());
}

void add_quantiles(const Context& context, const Asked& asked, const NextMoltLaw& law, AnimalForecast& result) {
  double from = law.first_day();
  for (double p : standard_quantiles) result.quantile_days.push_back(from = law.quantile(p, from));
  for (double level : context.levels) {
    const double low = known_or_solved(law, result, 0.5 * (1 - level));
    result.bands.push_back({level, low, known_or_solved(law, result, 0.5 * (1 + level))});
  }
  const double ahead_days = asked.on - context.fit.table.as_of;
  for (int days : chance_horizons_days)
    result.chance_within_days.push_back(1 - law.survival(ahead_days + days + 1));
  result.care.next_molt = chances_of(law, result.quantile_days);
}

std::string two_digits(double value) {
  std::ostringstream text;
  text << std::fixed << std::setprecision(2) << value;
  return text.str();
}

/// Growth ratio of an animal at its present size, as it stands in the posterior.
double growth_ratio(const CollectionFit& fit, int animal) {
  const auto i = static_cast<std::size_t>(animal);
  const double adult = fit.growth->next_shift[i];
  if (std::isfinite(adult)) return std::exp(adult);
  const double size = fit.animals[i].sizes.back().mean;
  const double whole = fit.growth->member_log_ratio[static_cast<std::size_t>(Level::animal)][i].second.mean +
                       fit.growth->decline.mean * size;
  return std::exp(mean_growth_share(fit.growth->adult[i], size) * whole);
}

/// "follows the season of these records: fastest about 07-12, 25 % above the usual rate".
std::string season_note(const SeasonFit& season) {
  const Day top = static_cast<Day>(season.log_rate.top_day_of_year());
  return "follows the season of these records: fastest about " + to_iso(top).substr(5) + ", " +
         percent(std::expm1(season.log_rate.amplitude())) + " above the usual rate";
}

void add_assumption_notes(const Context& context, int animal, AnimalForecast& result) {
  const CollectionFit& fit = context.fit;
  const AnimalInputs& inputs = fit.animals[static_cast<std::size_t>(animal)];
  const AnimalHistory& history = fit.table.animals[static_cast<std::size_t>(animal)];
  add_note_if(inputs.never_measured, result,
              "never measured: its size is taken as its kind's, and the band is wider for it (assumption)");
  add_note_if(!inputs.never_measured && !inputs.sizes.back().measured, result,
              "not measured since its last molt: size carried on with a growth ratio of " +
                  (fit.growth ? "about " + two_digits(growth_ratio(fit, animal))
                              : two_digits(husbandry().growth_ratio) + " a molt (assumption)"));
  const std::string conversion = conversion_note(fit, animal);
  add_note_if(!conversion.empty(), result, conversion);
  bool any_temperature = false;
  for (const auto& name : fit.data.coefficients) any_temperature = any_temperature || name == "warmth_c";
  add_note_if(any_temperature && !inputs.temperature_known, result,
              "no temperature recorded for it or its kind: 25 C assumed");
  add_note_if(fit.clock.season.log_rate.amplitude() >= told_season, result, season_note(fit.clock.season));
  add_note_if(result.chance_final >= told_chance_final, result, context.last_molts->basis(animal));
  add_note_if(history.after_maturity_unknown, result,
              "mature, but whether its kind or sex molts on is not known: state after_maturity");
  add_note_if(fit.options.watched == Watched::rows && history.last_watched < fit.table.as_of, result,
              "last looked at on " + to_iso(history.last_watched) + ": it may have molted since");
  const bool truncated =
      (inputs.own_stadia > 0 || inputs.running_row >= 0) && !context.seen_from_start[static_cast<std::size_t>(animal)];
  add_note_if(truncated, result, "its only stadium was joined part-way: long ones are more often met so");
}

/// Chance of a last molt, what signs and unseen molts say of it included, and with it those of a molt within some days.
void allow_for_last_molt(const Context& context, int animal, const NextMolt& next, double if_last,
                         AnimalForecast& result) {
  result.chance_final = context.last_molts->chance_given(animal, next.base->survival_at_start(), if_last);
  if (!(result.chance_final > 0)) return;
  for (double& chance : result.chance_within_days) chance *= 1 - result.chance_final;
}

constexpr double least_told = 0.05;  ///< chances under this are not told apart

std::string joined(const std::vector<std::string>& words) {
  std::string text;
  for (const std::string& word : words) text += (text.empty() ? "" : ", ") + word;
  return text;
}

/// `chance`: of a missed molt, if the animal has not molted for the last time; with that left open: less.
void set_missed(double chance, AnimalForecast& result) {
  result.chance_missed = std::isfinite(result.chance_final) ? chance * (1 - result.chance_final) : chance;
}

void add_signs(const MoltEvidence& evidence, AnimalForecast& result) {
  if (!evidence.any_shown() || !evidence.reweighted()) return;
  result.care.signs_true = evidence.signs_true();
  const std::string chance = evidence.signs_true() < least_told ? "under 5 %" : percent(evidence.signs_true());
  result.notes.push_back("signs: " + joined(evidence.words()) + ": " + chance + " that they tell of the next molt");
}

/// First day on which a sign would be one of the running stadium, from the beginning of the as_of day.
double signs_from(const CollectionFit& fit, int animal) {
  const AnimalHistory& history = fit.table.animals[static_cast<std::size_t>(animal)];
  const int last_molt = static_cast<int>(history.molts.size()) - 1;
  const Day from = last_molt < 0 ? history.watched_from : signs_count_from(fit, animal, last_molt);
  return from - fit.table.as_of;
}

/// What the signs of an animal and a molt that may have gone unseen add to the law of its stadium.
MoltEvidence evidence_of(const Context& context, int animal, const NextMolt& next) {
  return {context.fit, animal, *next.base, signs_from(context.fit, animal), next.base->first_day(), next.hidden.get()};
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

/// Law of a running stadium of known start, without signs.
NextMolt running_molt(const Context& context, int animal) {
  const CollectionFit& fit = context.fit;
  const AnimalInputs& inputs = fit.animals[static_cast<std::size_t>(animal)];
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
  const AnimalHistory& history = fit.table.animals[static_cast<std::size_t>(animal)];
  next.counted = fit.data.weights.size() > 0 ? fit.data.weights[inputs.running_row] : 1;
  const double first_day = history.last_watched - fit.table.as_of + 1.0, watched = next.clock.units(first_day);
  count_hidden_once(fit, inputs.running_row, age + watched, next.counted, next.points);
  if (fit.hidden.used())
    next.hidden = std::make_unique<HiddenBranches>(fit, inputs.running_row, next.points, age, watched, next.counted,
                                                   next.clock);
  next.base = clocked(running_law(fit, next, watched), next.clock, first_day);
  return next;
}

/// Law of an animal without a molt on record, without signs.
NextMolt unstarted_molt(const Context& context, int animal) {
  const CollectionFit& fit = context.fit;
  const AnimalHistory& history = fit.table.animals[static_cast<std::size_t>(animal)];
  NextMolt next;
  next.watched_days = history.recorded ? std::max(0, history.last_watched + 1 - history.watched_from) : 0;
  next.clock = context.clocks.ahead(animal);
  next.points = predictive_components(context.probes, fit.animals[static_cast<std::size_t>(animal)].probe);
  const double first_day = history.recorded ? history.last_watched - fit.table.as_of + 1.0 : 1.0,
               now = next.clock.units(first_day);
  next.watched_units = now - next.clock.units(first_day - next.watched_days);
  next.base = clocked(std::make_unique<RandomMomentLaw>(fit.options.family, next.points, next.watched_units, now),
                      next.clock, first_day);
  return next;
}

void forecast_running(const Context& context, const Asked& asked, int animal, AnimalForecast& result) {
  const NextMolt next = running_molt(context, animal);
  const MoltEvidence evidence = evidence_of(context, animal, next);
  const NextMoltLaw& law = evidence.reweighted() ? *evidence.reweighted() : *next.base;
  result.care.overdue = next.base->survival_at_start() < overdue_share;
  add_quantiles(context, asked, law, result);
  allow_for_last_molt(context, animal, next, evidence.if_last(), result);
  set_missed(evidence.chance_missed(), result);
  add_signs(evidence, result);
}

void forecast_without_start(const Context& context, const Asked& asked, int animal, AnimalForecast& result) {
  const NextMolt next = unstarted_molt(context, animal);
  const MoltEvidence evidence = evidence_of(context, animal, next);
  add_quantiles(context, asked, evidence.reweighted() ? *evidence.reweighted() : *next.base, result);
  allow_for_last_molt(context, animal, next, evidence.if_last(), result);
  add_signs(evidence, result);
  result.notes.push_back("no molt on record: it is taken as met at a random moment between two molts and watched for " +
                         std::to_string(static_cast<int>(next.watched_days)) +
                         " days since; the first molt written down will narrow the band");
}

/// Why an animal has no forecast, and the phase that goes with it; false when it has one.
bool explain_no_forecast(const CollectionFit& fit, int animal, AnimalForecast& result) {
  const AnimalHistory& history = fit.table.animals[static_cast<std::size_t>(animal)];
  const auto because = [&](Phase phase, const std::string& why) {
    result.phase = phase;
    result.why_no_forecast = why;
    return true;
  };
  if (fit.collection->animals[static_cast<std::size_t>(animal)].set_aside)
    return because(Phase::unknown, "set aside: a record of it is faulty; mend it and it is answered");
  const std::string on = history.ended ? " on " + to_iso(*history.ended) : "";
  if (history.state == AnimalState::died) return because(Phase::dead, "died" + on);
  if (history.state == AnimalState::left) return because(Phase::gone, "left" + on);
  if (history.state == AnimalState::escaped) return because(Phase::gone, "escaped" + on);
  if (history.molts_no_more) {
    result.chance_final = 1;
    return because(Phase::final_instar, "mature" +
                                            (history.matured ? " since " + to_iso(*history.matured) : std::string()) +
                                            ": its kind and sex molts no more");
  }
  const AnimalInputs& inputs = fit.animals[static_cast<std::size_t>(animal)];
  if (inputs.running_row < 0 && inputs.probe < 0)
    return because(Phase::unknown, "not there yet on " + to_iso(fit.table.as_of));
  return false;
}

/// Law of an animal's next molt, signs included.
NextMolt next_molt(const Context& context, int animal) {
  AnimalForecast scratch;
  if (explain_no_forecast(context.fit, animal, scratch)) {
    NextMolt none;
    none.why_not = scratch.why_no_forecast;
    return none;
  }
  const bool running = context.fit.animals[static_cast<std::size_t>(animal)].running_row >= 0;
  NextMolt next = running ? running_molt(context, animal) : unstarted_molt(context, animal);
  MoltEvidence evidence = evidence_of(context, animal, next);
  next.signs_if_last = evidence.if_last();
  if (std::isfinite(evidence.chance_missed())) next.chance_missed = evidence.chance_missed();
  next.reweighted = evidence.take();
  return next;
}

/// A context that knows of last molts too.
Context forecast_context(const CollectionFit& fit, const std::vector<double>& levels) {
  Context context = make_context(fit, levels);
  context.last_molts = std::make_shared<LastMolts>(fit, [&](int animal) {
    const bool running = fit.animals[static_cast<std::size_t>(animal)].running_row >= 0;
    return (running ? running_molt(context, animal) : unstarted_molt(context, animal)).base->survival_at_start();
  });
  context.mature_lives = std::make_shared<MatureLives>(fit);
  return context;
}

AnimalForecast forecast_animal(const Context& context, const Asked& asked, int animal) {
  const CollectionFit& fit = context.fit;
  const Animal& a = fit.collection->animals[static_cast<std::size_t>(animal)];
  const AnimalHistory& history = fit.table.animals[static_cast<std::size_t>(animal)];
  const AnimalInputs& inputs = fit.animals[static_cast<std::size_t>(animal)];
  AnimalForecast result;
  result.animal = animal;
  result.id = a.id;
  result.taxon = a.taxon;
  result.own_stadia = inputs.own_stadia;
  result.taxon_stadia = inputs.taxon_stadia;
  result.care = asked.facts[static_cast<std::size_t>(animal)];
  if (const auto found = context.own_weight.find(animal); found != context.own_weight.end())
    result.own_weight = found->second;
  if (!history.molts.empty()) result.last_molt = history.molts.back().when;
  const bool none = explain_no_forecast(fit, animal, result);
  if (!none) {
    if (inputs.running_row >= 0)
      forecast_running(context, asked, animal, result);
    else
      forecast_without_start(context, asked, animal, result);
    result.next_size = next_size(fit, animal, result.chance_missed_if_molts_on(), context.levels);
    result.next_leg_span = as_leg_span(result.next_size);
    add_assumption_notes(context, animal, result);
  }
  add_verdict(asked.rules, asked.on, result);
  result.mature_life = context.mature_lives->of(animal, context.levels);
  add_maturity_notes(fit, animal, result);
  return result;
}

}  // namespace

std::string_view phase_name(Phase phase) {
  static constexpr std::string_view names[] = {"postmolt", "intermolt", "premolt", "overdue",
                                               "final",    "dead",      "gone",    "unknown"};
  return names[static_cast<std::size_t>(phase)];
}

double AnimalForecast::chance_missed_if_molts_on() const {
  if (!(chance_missed > 0)) return 0;
  return chance_final < 1 ? std::min(1.0, chance_missed / (1 - chance_final)) : chance_missed;
}

struct NextMolts::Shared {
  std::vector<double> no_levels;
  Context context;
  explicit Shared(const CollectionFit& fit) : context(make_context(fit, no_levels)) {}
};

NextMolts::NextMolts(const CollectionFit& fit) : shared_(std::make_shared<const Shared>(fit)) {}

NextMolt NextMolts::of(int animal) const { return next_molt(shared_->context, animal); }

double chance_molt_before(const CollectionFit& fit, int animal, Day day) {
  if (animal < 0 || animal >= static_cast<int>(fit.animals.size()))
    throw std::invalid_argument("chance_molt_before: animal " + std::to_string(animal) + " is not one of " +
                                std::to_string(fit.animals.size()));
  if (day <= fit.table.as_of)
    throw std::invalid_argument("chance_molt_before: " + to_iso(day) + " is not after the last day of the records, " +
                                to_iso(fit.table.as_of) + ": ask for a later day");
  const std::vector<double> no_levels;
  const Context context = forecast_context(fit, no_levels);
  AnimalForecast result;
  if (explain_no_forecast(fit, animal, result)) {
    if (result.phase == Phase::final_instar) return 0;
    throw std::invalid_argument("chance_molt_before: no forecast of " +
                                fit.collection->animals[static_cast<std::size_t>(animal)].id + ": " +
                                result.why_no_forecast);
  }
  const NextMolt next = next_molt(context, animal);
  allow_for_last_molt(context, animal, next, next.signs_if_last, result);
  const double molts_on = std::isfinite(result.chance_final) ? 1 - result.chance_final : 1;
  return molts_on * (1 - next.law().survival(day - fit.table.as_of));
}

std::vector<AnimalForecast> forecast(const CollectionFit& fit, const std::vector<double>& levels, std::optional<Day> on,
                                     const CareRules& rules) {
  for (double level : levels)
    if (!(level > 0 && level < 1))
      throw std::invalid_argument("level = " + std::to_string(level) +
                                  ": a level lies between 0 and 1, for example 0.8");
  if (on && *on < fit.table.as_of)
    throw std::invalid_argument("forecast: on = " + to_iso(*on) + " lies before " + to_iso(fit.table.as_of) +
                                ", the last day of the records used; give a later day, or fit as of an earlier one");
  const Context context = forecast_context(fit, levels);
  const Asked asked{on.value_or(fit.table.as_of), rules, care_facts(fit)};
  std::vector<AnimalForecast> result(fit.animals.size());
  const auto work = [&](std::size_t from, std::size_t to) {
    for (std::size_t i = from; i < to; ++i) result[i] = forecast_animal(context, asked, static_cast<int>(i));
  };
  const int threads = result.size() < 20 ? 1 : fit.options.threads > 0 ? fit.options.threads : default_threads();
  numeric::in_parts(0, result.size(), threads, work);
  return result;
}

}  // namespace moltspan
