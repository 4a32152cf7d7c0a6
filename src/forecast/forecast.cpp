#include "moltspan/forecast/forecast.hpp"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "collection/last.hpp"
#include "facts/husbandry.hpp"
#include "forecast/context.hpp"
#include "forecast/size.hpp"
#include "forecast/verdict.hpp"
#include "forecast/verdict_situation.hpp"
#include "forecast/words.hpp"
#include "growth/adult.hpp"
#include "intervals/health.hpp"
#include "moltspan/numeric/parallel.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

namespace words = forecast_words;

constexpr double overdue_share = 0.05;      ///< of comparable stadia that are longer still
constexpr double told_season = 0.05;        ///< amplitude of a season from which a note says so
constexpr double told_chance_final = 0.05;  ///< chance of a last molt from which a note says what it rests on

/// The day of the answer, the rules of verdicts and what the records say of each animal.
struct Asked {
  Day on = 0;
  const CareRules& rules;
  std::vector<CareSituation> facts;
};

/// A quantile, taken from the standard ones where it is one of them.
double known_or_solved(const NextMoltLaw& law, const AnimalForecast& result, double p) {
  for (std::size_t i = 0; i < std::size(standard_quantiles); ++i)
    if (std::abs(standard_quantiles[i] - p) < 1e-12) return result.quantile_days[i];
  return law.quantile(p, law.first_day());
}

void add_quantiles(const ForecastContext& context, const Asked& asked, const NextMoltLaw& law, AnimalForecast& result) {
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

/// Growth ratio of an animal at its present size, as it stands in the posterior.
double growth_ratio(const CollectionFit& fit, const AnimalView& animal) {
  const AnimalGrowth growth = *animal.growth();
  if (std::isfinite(growth.next_shift)) return std::exp(growth.next_shift);
  const double size = animal.size().mean, whole = growth.log_ratio.mean + fit.growth->decline.mean * size;
  return std::exp(mean_growth_share(growth.adult, size) * whole);
}

/// Of an animal whose size is known, but not read in its present instar.
Note carried_on(const CollectionFit& fit, const AnimalView& animal) {
  return words::size_carried_on(fit.growth ? growth_ratio(fit, animal) : husbandry().growth_ratio, fit.growth != nullptr);
}

void add_assumption_notes(const ForecastContext& context, int animal, AnimalForecast& result) {
  const CollectionFit& fit = context.fit;
  const AnimalView view = fit.animal(animal);
  const AnimalInputs& inputs = view.inputs();
  const AnimalHistory& history = view.history();
  const auto add = [&](Note note) { result.notes.push_back(std::move(note)); };
  if (inputs.never_measured)
    add(words::never_measured());
  else if (!view.size().measured)
    add(carried_on(fit, view));
  if (const auto conversion = conversion_note(fit, animal)) add(*conversion);
  if (fit.data.column(CoefficientRole::warmth_c) >= 0 && !inputs.temperature_known) add(words::temperature_assumed());
  if (fit.clock.season.log_rate.amplitude() >= told_season) add(words::follows_season(fit.clock.season));
  if (result.chance_final >= told_chance_final) add(words::chance_of_last_molt(context.last_molts->basis(animal)));
  if (history.after_maturity_unknown) add(words::after_maturity_unknown());
  if (fit.options.watched == Watched::rows && history.last_watched < fit.table.as_of) add(words::unwatched_since(history.last_watched));
  if ((inputs.own_stadia > 0 || view.runs()) && !context.seen_from_start[animal]) add(words::met_in_its_only_stadium());
}

/// Chance of a last molt, what signs and unseen molts say of it included, and with it those of a molt within some days.
void allow_for_last_molt(const ForecastContext& context, int animal, const NextMolt& next, double if_last,
                         AnimalForecast& result) {
  result.chance_final = context.last_molts->chance_given(animal, next.base->survival_at_start(), if_last);
  if (!(result.chance_final > 0)) return;
  for (double& chance : result.chance_within_days) chance *= 1 - result.chance_final;
}

/// `chance`: of a missed molt, if the animal has not molted for the last time; with that left open: less.
void set_missed(double chance, AnimalForecast& result) {
  result.chance_missed = std::isfinite(result.chance_final) ? chance * (1 - result.chance_final) : chance;
}

void add_signs(const MoltEvidence& evidence, AnimalForecast& result) {
  if (!evidence.any_shown() || !evidence.reweighted()) return;
  result.care.signs_true = evidence.signs_true();
  result.notes.push_back(words::signs(evidence.words(), evidence.signs_true()));
}

void forecast_running(const ForecastContext& context, const Asked& asked, int animal, AnimalForecast& result) {
  const NextMolt next = running_molt(context, animal);
  const MoltEvidence evidence = evidence_of(context, animal, next);
  const NextMoltLaw& law = evidence.reweighted() ? *evidence.reweighted() : *next.base;
  result.care.overdue = next.base->survival_at_start() < overdue_share;
  add_quantiles(context, asked, law, result);
  allow_for_last_molt(context, animal, next, evidence.if_last(), result);
  set_missed(evidence.chance_missed(), result);
  add_signs(evidence, result);
}

void forecast_without_start(const ForecastContext& context, const Asked& asked, int animal, AnimalForecast& result) {
  const NextMolt next = unstarted_molt(context, animal);
  const MoltEvidence evidence = evidence_of(context, animal, next);
  add_quantiles(context, asked, evidence.reweighted() ? *evidence.reweighted() : *next.base, result);
  allow_for_last_molt(context, animal, next, evidence.if_last(), result);
  add_signs(evidence, result);
  result.notes.push_back(words::random_moment(next.watched_days));
}

AnimalForecast forecast_animal(const ForecastContext& context, const Asked& asked, int animal) {
  const CollectionFit& fit = context.fit;
  const AnimalView view = fit.animal(animal);
  AnimalForecast result;
  result.animal = animal;
  result.id = view.record().id;
  result.taxon = view.record().taxon;
  result.own_stadia = view.inputs().own_stadia;
  result.taxon_stadia = view.inputs().taxon_stadia;
  result.care = asked.facts[animal];
  if (const auto found = context.own_weight.find(animal); found != context.own_weight.end())
    result.own_weight = found->second;
  if (const auto& molts = view.history().molts; !molts.empty()) result.last_molt = molts.back().when;
  const bool none = explain_no_forecast(fit, animal, result);
  if (!none) {
    if (view.runs())
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

double chance_molt_before(const CollectionFit& fit, int animal, Day day) {
  if (animal < 0 || animal >= static_cast<int>(fit.animals.size()))
    throw std::invalid_argument("chance_molt_before: animal " + std::to_string(animal) + " is not one of " +
                                std::to_string(fit.animals.size()));
  if (day <= fit.table.as_of)
    throw std::invalid_argument("chance_molt_before: " + to_iso(day) + " is not after the last day of the records, " +
                                to_iso(fit.table.as_of) + ": ask for a later day");
  const std::vector<double> no_levels;
  const ForecastContext context = forecast_context(fit, no_levels);
  AnimalForecast result;
  if (explain_no_forecast(fit, animal, result)) {
    if (result.phase == Phase::final_instar) return 0;
    throw std::invalid_argument("chance_molt_before: no forecast of " +
                                fit.animal(animal).record().id + ": " +
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
  const ForecastContext context = forecast_context(fit, levels);
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
