#include "collection/kinds.hpp"

#include <algorithm>
#include <cmath>

#include "collection/sizes.hpp"
#include "intervals/model.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr double reference_mm = 20, reference_c = 25;

/// Means of the default priors: log days at 20 mm and 25 C, a log unit of size, a degree.
struct DefaultPace {
  double log_days = 0, exponent = 0, warmth = 0;
};

const DefaultPace& default_pace() {
  static const DefaultPace pace = [] {
    const auto mean = [](CoefficientRole role) { return default_prior(role).mean; };
    return DefaultPace{mean(CoefficientRole::intercept), mean(CoefficientRole::log_size), mean(CoefficientRole::warmth_c)};
  }();
  return pace;
}

/// The measure that an animal's size is told in.
SizeMeasure told_in(const AnimalInputs& inputs) {
  return inputs.leg_span_known ? SizeMeasure::leg_span : inputs.read_measure;
}

KindPace pace_of(const Animal& animal, const AnimalInputs& inputs) {
  const KindFacts facts = facts_of(animal);
  if (!has_own_pace(facts)) return {};
  double at = reference_log_size(facts, told_in(inputs));
  if (std::isnan(at)) at = reference_log_size(facts, facts.measure);
  if (std::isnan(at)) return {};
  const DefaultPace& usual = default_pace();
  return {std::log(facts.stadium_days.value) - (usual.log_days + usual.exponent * at),
          usual.warmth * (facts.stadium_c - reference_c),
          facts.exponent.known() ? facts.exponent.value - usual.exponent : 0, at};
}

}  // namespace

bool has_own_pace(const KindFacts& facts) {
  return facts.stadium_days.known() && (!facts.is_tarantula || facts.stadium_days.status == stated_in_records);
}

double log_size_in(const KindFacts& facts, SizeMeasure measure) {
  const double size = facts.reference[static_cast<std::size_t>(measure)];
  return std::log((measure == SizeMeasure::mass ? std::cbrt(size) : size) / reference_mm);
}

double reference_log_size(const KindFacts& facts, SizeMeasure measure) {
  return log_size_in(facts, measure) + usual_log_ratio(measure);
}

double exponent_beyond(const CollectionFit& fit, int animal) {
  if (fit.stadia.column(CoefficientRole::kind_pace) < 0) return 0;
  return fit.stadia.coefficient(CoefficientRole::kind_pace) * pace_of(fit.animal(animal).record(), fit.animal(animal).inputs()).exponent;
}

bool kinds_have_paces(const CollectionOptions& options) {
  const auto is_intercept = [](const auto& prior) { return prior.first == role_name(CoefficientRole::intercept); };
  return options.method == Method::bayes &&
         std::none_of(options.priors.begin(), options.priors.end(), is_intercept);
}

std::vector<KindPace> kind_paces(const Collection& collection, const std::vector<AnimalInputs>& inputs,
                                 const CollectionOptions& options) {
  std::vector<KindPace> paces(inputs.size());
  if (!kinds_have_paces(options)) return paces;
  for (std::size_t i = 0; i < paces.size(); ++i) paces[i] = pace_of(collection.animals[i], inputs[i]);
  return paces;
}

std::vector<double> stadium_medians(const CollectionFit& fit) {
  std::vector<double> medians(fit.animals.size(), unknown_number);
  if (!fit.stadia.posterior) return medians;
  PredictorMixture running, probes;
  for (std::size_t i = 0; i < medians.size(); ++i) {
    if (!has_own_pace(facts_of(fit.collection->animals[i]))) continue;
    const AnimalInputs& inputs = fit.animals[i];
    const auto& rows = fit.stadia.running_rows;
    const auto column = std::find(rows.begin(), rows.end(), inputs.running_row) - rows.begin();
    if (inputs.running_row >= 0 && column < static_cast<std::ptrdiff_t>(rows.size())) {
      if (running.mean.cols() == 0) running = running_predictors(fit.stadia);
      medians[i] = std::exp(running.weights.dot(running.mean.col(column)));
    } else if (inputs.probe >= 0) {
      if (probes.mean.cols() == 0) probes = probe_predictors(fit.stadia);
      medians[i] = std::exp(probes.weights.dot(probes.mean.col(inputs.probe)));
    }
  }
  return medians;
}

}  // namespace moltspan
