#include "forecast/size.hpp"

#include <algorithm>
#include <cmath>

#include "collection/sizes.hpp"
#include "facts/husbandry.hpp"
#include "forecast/words.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

/// The law of one size in place of several.
PredictorMixture column(const PredictorMixture& sizes, Index k) {
  return {sizes.weights, sizes.log_sigma, sizes.mean.col(k), sizes.variance.col(k)};
}

PredictorMixture mixed(const PredictorMixture& a, const PredictorMixture& b, double of_b) {
  const Index n = a.weights.size(), m = b.weights.size();
  PredictorMixture result{VectorXd(n + m), VectorXd(n + m), MatrixXd(n + m, 1), MatrixXd(n + m, 1)};
  result.weights << (1 - of_b) * a.weights, of_b * b.weights;
  result.log_sigma << a.log_sigma, b.log_sigma;
  result.mean << a.mean, b.mean;
  result.variance << a.variance, b.variance;
  return result;
}

/// Log size after the next molt, without the step that a mature male's legs have made.
PredictorMixture next_log_size(const GrowthModelFit& growth, int animal, double missed) {
  if (!(missed >= counted_missed_chance)) return size_after(growth, animal, 1);
  return mixed(size_after(growth, animal, 1), column(size_after(growth, animal, 2), 1), missed);
}

/// Quantiles of the size in mm: a leg span, or what stands for one.
VectorXd next_quantiles_mm(const CollectionFit& fit, int animal, double missed, const VectorXd& probabilities) {
  // The growth model stands for leg span but for the step at a male's maturity, which its last size holds.
  const double step = fit.animal(animal).size().mean - fit.animal(animal).growth()->sizes.back().mean;
  const PredictorMixture law = next_log_size(*fit.growth, animal, missed);
  return 20 * std::exp(step) * mixture_quantiles(Family::lognormal, law, probabilities).row(0).transpose();
}

/// From the leg span that stands for it back to what is read.
double in_measure(double leg_span_mm, SizeMeasure measure) {
  const double size = leg_span_mm * std::exp(-usual_log_ratio(measure));
  return measure == SizeMeasure::mass ? size * size * size : size;
}

/// Log of leg span over a measure, as the records have it.
GrowthEstimate log_ratio(const CollectionFit& fit, SizeMeasure measure) {
  if (fit.growth) {
    const auto& names = fit.growth->parameter_names;
    const auto found = std::find(names.begin(), names.end(), "log_leg_span_per_" + std::string(measure_name(measure)));
    if (found != names.end()) return fit.growth->parameters[found - names.begin()];
  }
  return {usual_log_ratio(measure), husbandry().measure_ratio_log_sd};
}

}  // namespace

std::optional<NextSize> next_size(const CollectionFit& fit, int animal, double missed,
                                  const std::vector<double>& levels) {
  const AnimalView view = fit.animal(animal);
  if (!fit.growth || view.growth()->sizes.empty()) return {};
  VectorXd probabilities(1 + 2 * static_cast<Index>(levels.size()));
  probabilities[0] = 0.5;
  for (std::size_t k = 0; k < levels.size(); ++k) {
    probabilities[1 + 2 * static_cast<Index>(k)] = 0.5 * (1 - levels[k]);
    probabilities[2 + 2 * static_cast<Index>(k)] = 0.5 * (1 + levels[k]);
  }
  const AnimalInputs& inputs = view.inputs();
  const SizeMeasure measure = inputs.leg_span_known ? SizeMeasure::leg_span : inputs.read_measure;
  const VectorXd mm = next_quantiles_mm(fit, animal, missed, probabilities);
  NextSize result{measure, in_measure(mm[0], measure), {}};
  for (std::size_t k = 0; k < levels.size(); ++k)
    result.bands.push_back({levels[k], in_measure(mm[1 + 2 * static_cast<Index>(k)], measure),
                            in_measure(mm[2 + 2 * static_cast<Index>(k)], measure)});
  return result;
}

std::optional<NextLegSpan> as_leg_span(const std::optional<NextSize>& size) {
  if (!size || size->measure != SizeMeasure::leg_span) return {};
  NextLegSpan result{size->median, {}};
  for (const NextSize::Band& band : size->bands) result.bands.push_back({band.level, band.from, band.to});
  return result;
}

std::optional<Note> conversion_note(const CollectionFit& fit, int animal) {
  const AnimalInputs& inputs = fit.animal(animal).inputs();
  if (inputs.never_measured || inputs.read_measure == SizeMeasure::leg_span) return {};
  if (!inputs.leg_span_known) return forecast_words::stand_in_size(inputs.read_measure);
  const GrowthEstimate ratio = log_ratio(fit, inputs.read_measure);
  return forecast_words::leg_span_from_other_measure(inputs.read_measure, ratio, std::hypot(ratio.sd, husbandry().measure_ratio_taxon_log_sd));
}

}  // namespace moltspan
