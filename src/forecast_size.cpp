#include "forecast_size.hpp"

#include <cmath>

#include "husbandry.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

/// The law of one size in place of several.
PredictorMixture column(const PredictorMixture& sizes, Index k) {
  return {sizes.weights, sizes.log_sigma, sizes.mean.col(k), sizes.variance.col(k)};
}

double mean_of(const PredictorMixture& size) { return size.weights.dot(size.mean.col(0)); }

/// A molt of a grown animal on top of `size`, whose own spread is then one of the past.
PredictorMixture grown_molt(PredictorMixture size, bool spread_is_past) {
  const Husbandry& h = husbandry();
  if (spread_is_past) size.variance.col(0) += (2 * size.log_sigma).array().exp().matrix();
  size.mean.array() += std::log(h.adult_ratio);
  size.log_sigma.setConstant(std::log(h.adult_log_sd));
  return size;
}

PredictorMixture present_size(const GrowthModelFit& growth, std::size_t animal) {
  const auto n = static_cast<Index>(growth.points.size());
  PredictorMixture size{VectorXd(n), VectorXd::Zero(n), MatrixXd(n, 1), MatrixXd(n, 1)};
  for (Index k = 0; k < n; ++k) {
    const GrowthPoint& point = growth.points[static_cast<std::size_t>(k)];
    size.weights[k] = point.weight;
    size.mean(k, 0) = point.last_size[animal];
    size.variance(k, 0) = point.last_variance[animal];
  }
  return size;
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
PredictorMixture next_size(const GrowthModelFit& growth, int animal, double grown_from, double missed) {
  const auto i = static_cast<std::size_t>(animal);
  const bool by_model = std::isfinite(growth.next_shift[i]);  // mature: the model knows
  const bool grown = !by_model && mean_of(present_size(growth, i)) >= grown_from;
  const PredictorMixture one = grown ? grown_molt(present_size(growth, i), false) : size_after(growth, animal, 1);
  if (!(missed >= reckoned_missed_chance)) return one;
  const bool grown_then = !by_model && mean_of(one) >= grown_from;
  return mixed(one, grown_then ? grown_molt(one, true) : column(size_after(growth, animal, 2), 1), missed);
}

}  // namespace

std::optional<NextLegSpan> next_leg_span(const CollectionFit& fit, int animal, double missed,
                                         const std::vector<double>& levels) {
  const auto i = static_cast<std::size_t>(animal);
  if (!fit.growth || fit.growth->sizes[i].empty()) return {};
  VectorXd probabilities(1 + 2 * static_cast<Index>(levels.size()));
  probabilities[0] = 0.5;
  for (std::size_t k = 0; k < levels.size(); ++k) {
    probabilities[1 + 2 * static_cast<Index>(k)] = 0.5 * (1 - levels[k]);
    probabilities[2 + 2 * static_cast<Index>(k)] = 0.5 * (1 + levels[k]);
  }
  // The growth model stands for leg span but for the step at a male's maturity, which its last size holds.
  const double step = fit.animals[i].sizes.back().mean - fit.growth->sizes[i].back().mean;
  const double adult_mm = fit.collection->animals[i].adult_leg_span_mm;
  const double grown_from =
      std::isfinite(adult_mm) ? std::log(husbandry().adult_share * adult_mm / 20) - step : INFINITY;
  const VectorXd mm =
      20 * std::exp(step) *
      mixture_quantiles(Family::lognormal, next_size(*fit.growth, animal, grown_from, missed), probabilities)
          .row(0)
          .transpose();
  NextLegSpan result{mm[0], {}};
  for (std::size_t k = 0; k < levels.size(); ++k)
    result.bands.push_back({levels[k], mm[1 + 2 * static_cast<Index>(k)], mm[2 + 2 * static_cast<Index>(k)]});
  return result;
}

}  // namespace moltspan
