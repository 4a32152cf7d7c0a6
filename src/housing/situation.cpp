#include <algorithm>
#include <cmath>

#include "collection/kinds.hpp"
#include "collection/clock.hpp"
#include "housing/parts.hpp"
#include "facts/husbandry.hpp"
#include "intervals/predictive.hpp"
#include "records/words.hpp"
#include "stadia/molts.hpp"
#include "forecast/verdict_situation.hpp"
#include "base/words.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

constexpr double usual_ratio_log_sd = 0.15;      ///< of a kind's usual ratio of two measures (assumption)
constexpr double adult_log_sd_for_boxes = 0.15;  ///< an adult size known no better does not tell whether it is grown

/// Mean and sd of log T for the stadium of a column of predictors, the mixture taken as one log-normal.
void set_next_stadium(const CollectionFit& fit, const PredictorMixture& mixture, Index column, HousingSituation& s,
                      const HousingRules& rules) {
  const LawMoments w = moments_of(fit.options.family);
  double mean = 0, square = 0, within = 0, shared = 0;
  for (Index p = 0; p < mixture.weights.size(); ++p) {
    const double sigma = std::exp(mixture.log_sigma[p]), m = mixture.mean(p, column) + w.mean * sigma;
    mean += mixture.weights[p] * m;
    square += mixture.weights[p] * m * m;
    shared += mixture.weights[p] * mixture.variance(p, column);
    within += mixture.weights[p] * (mixture.variance(p, column) + w.variance * sigma * sigma);
  }
  s.next_stadium_log_sd = std::sqrt(within + std::max(0.0, square - mean * mean));
  s.next_stadium_shared_log_sd = std::sqrt(shared + std::max(0.0, square - mean * mean));
  s.next_stadium_log_mean = mean;
  if (fit.stadia.column(CoefficientRole::log_size) < 0) return;
  const double growth = size_after_molts(s, rules, 1).log_mm - size_after_molts(s, rules, 0).log_mm;
  s.next_stadium_log_mean += growth * (fit.stadia.coefficient(CoefficientRole::log_size) + exponent_beyond(fit, s.animal));
}

void set_size(const AnimalInputs& inputs, const AnimalHistory& history, HousingSituation& s) {
  s.leg_span_mm = size_now(inputs, history).leg_span_mm;
  if (inputs.never_measured) return;
  s.size_log_sd = std::sqrt(inputs.sizes.back().variance);
  s.measured_now = inputs.sizes.back().measured;
}

std::string word_of(SizeMeasure measure) { return spoken(measure_name(measure)); }

/// Sizes that are no leg spans: the measure that its kind is housed by, or none where no rule of its boxes is known.
void house_by_kind(const Animal& animal, const AnimalInputs& inputs, HousingSituation& s) {
  const KindFacts facts = facts_of(animal);
  if (inputs.leg_span_known || inputs.never_measured || !has_own_pace(facts)) return;
  const double shift = facts.box_measure
                           ? log_size_in(facts, *facts.box_measure) - reference_log_size(facts, inputs.read_measure)
                           : unknown_number;
  const bool leg_span = facts.box_measure == SizeMeasure::leg_span;
  s.leg_span_mm *= std::exp(shift - (leg_span ? 0 : husbandry().leg_span_bias));  // only leg spans are read low
  s.adult_leg_span_mm = unknown_number;
  if (std::isnan(shift)) {
    s.no_box_rule = facts.group;
    return;
  }
  s.size_word = word_of(*facts.box_measure);
  s.by_leg_span = leg_span;
  s.size_log_sd = std::hypot(s.size_log_sd, *facts.box_measure == inputs.read_measure ? 0 : usual_ratio_log_sd);
  s.growth->log_ratio -= s.growth->decline * shift;
  const KindNumber adult = adult_size_prior(animal, *facts.box_measure).of(s.male_chance);
  if (adult.log_sd <= adult_log_sd_for_boxes) s.adult_leg_span_mm = adult.value;
}

/// Where and how it is kept, row by row.
void read_keeping(const Entry& entry, HousingSituation& s) {
  switch (entry.event) {
    case Event::enclosure:
      s.enclosure = *entry.enclosure;
      s.unfit.clear();
      break;
    case Event::unfit:
      s.unfit = entry.text;
      s.unfit_day = entry.when.latest;
      break;
    case Event::habit:
      s.habit = find_habit(entry.text).value_or(s.habit);
      break;
    default:
      break;
  }
}

void set_animal(const Animal& animal, HousingSituation& s) {
  s.id = animal.id;
  s.taxon = animal.taxon;
  s.group = animal.group;
  s.habit = animal.habit;
  s.hazards = animal.hazards;
  s.world = animal.world;
}

}  // namespace

std::vector<HousingSituation> housing_situations(const CollectionFit& fit, Day on, const HousingRules& rules) {
  const auto forecasts = forecast(fit, {}, on, rules);
  PredictorMixture running, probes;
  if (fit.stadia.posterior) {
    running = running_predictors(fit.stadia);
    probes = probe_predictors(fit.stadia);
  }
  const CollectionClocks clocks(fit);
  std::vector<HousingSituation> result(forecasts.size());
  for (std::size_t i = 0; i < result.size(); ++i) {
    HousingSituation& s = result[i];
    const AnimalView animal = fit.animal(static_cast<int>(i));
    const AnimalInputs& inputs = animal.inputs();
    static_cast<CareSituation&>(s) = forecasts[i].care;
    s.animal = animal.index();
    s.on = on;
    set_animal(animal.record(), s);
    set_size(inputs, animal.history(), s);
    s.growth = growth_ahead(fit, s.animal);
    house_by_kind(animal.record(), inputs, s);
    s.stops_when_mature = chance_to_stop(animal.record(), animal.history().male_chance);
    s.missed_if_molts_on = forecasts[i].chance_missed_if_molts_on();
    const auto& rows = fit.stadia.running_rows;
    const auto column = std::find(rows.begin(), rows.end(), inputs.running_row);
    if (animal.runs() && column != rows.end() && running.mean.cols() > 0)
      set_next_stadium(fit, running, column - rows.begin(), s, rules);
    else if (inputs.probe >= 0 && probes.mean.cols() > inputs.probe)
      set_next_stadium(fit, probes, inputs.probe, s, rules);
    s.next_stadium_log_mean -= clocks.ahead(s.animal).log_rate_of_year();
  }
  for (const Entry& entry : fit.collection->entries)
    if (entry.when.latest <= fit.table.as_of) read_keeping(entry, result[entry.animal]);
  return result;
}

}  // namespace moltspan
