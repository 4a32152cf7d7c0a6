#include <algorithm>
#include <cmath>
#include <numeric>
#include <stdexcept>

#include "growth/latent_model.hpp"
#include "growth/latent_share.hpp"
#include "moltspan/growth/latent.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr std::size_t most_points = 8;  ///< of the spreads, beside ends of growth

/// What one animal's size ahead is made of at a point of the spreads, or at some of them together.
struct AheadPoint {
  double weight = 0, process_variance = 0, decline = 0;
  double size = 0, size_variance = 0, growth = 0, growth_variance = 0, covariance = 0;
};

std::vector<AheadPoint> points_of(const GrowthModelFit& fit, std::size_t animal) {
  std::vector<AheadPoint> points;
  for (const GrowthPoint& p : fit.points)
    points.push_back({p.weight, p.process_variance, p.decline, p.last_size[animal], p.last_variance[animal],
                      p.growth[animal], p.growth_variance[animal], p.covariance[animal]});
  return points;
}

/// Points [from, to) as one of the same moments.
AheadPoint joined(const std::vector<AheadPoint>& points, std::size_t from, std::size_t to) {
  AheadPoint sum;
  for (std::size_t k = from; k < to; ++k) {
    const AheadPoint& p = points[k];
    sum.weight += p.weight;
    sum.process_variance += p.weight * p.process_variance;
    sum.decline += p.weight * p.decline;
    sum.size += p.weight * p.size;
    sum.growth += p.weight * p.growth;
  }
  for (double* mean : {&sum.process_variance, &sum.decline, &sum.size, &sum.growth}) *mean /= sum.weight;
  for (std::size_t k = from; k < to; ++k) {
    const AheadPoint& p = points[k];
    const double share = p.weight / sum.weight, size = p.size - sum.size, growth = p.growth - sum.growth;
    sum.size_variance += share * (p.size_variance + size * size);
    sum.growth_variance += share * (p.growth_variance + growth * growth);
    sum.covariance += share * (p.covariance + size * growth);
  }
  return sum;
}

/// Neighbors in the spread of a molt together, about equal weights each.
std::vector<AheadPoint> gathered(std::vector<AheadPoint> points) {
  if (points.size() <= most_points) return points;
  std::sort(points.begin(), points.end(),
            [](const AheadPoint& a, const AheadPoint& b) { return a.process_variance < b.process_variance; });
  double left = 1;
  std::vector<AheadPoint> few;
  for (std::size_t from = 0; from < points.size();) {
    const double wanted = left / static_cast<double>(std::max<std::size_t>(1, most_points - few.size()));
    std::size_t to = from;
    double weight = 0;
    while (to < points.size() && (to == from || weight + 0.5 * points[to].weight < wanted)) weight += points[to++].weight;
    if (few.size() + 1 == most_points) to = points.size();
    few.push_back(joined(points, from, to));
    left -= few.back().weight;
    from = to;
  }
  return few;
}

/// Mean and variance of the size after 1, 2, ... molts in one row, without the last molt's own spread.
void mature_row(const AheadPoint& p, double shift, Index row, PredictorMixture& result) {
  double mean = p.size, variance = p.size_variance;
  for (Index molt = 0; molt < result.mean.cols(); ++molt, shift *= adult_fade, variance += p.process_variance) {
    result.mean(row, molt) = mean += shift;
    result.variance(row, molt) = variance;
  }
}

void growing_row(const AheadPoint& p, Index row, PredictorMixture& result) {
  double mean = p.size, variance = p.size_variance, covariance = p.covariance;
  const double factor = 1 + p.decline;
  for (Index molt = 0; molt < result.mean.cols(); ++molt, variance += p.process_variance) {
    mean = factor * mean + p.growth;
    variance = factor * factor * variance + 2 * factor * covariance + p.growth_variance;
    covariance = factor * covariance + p.growth_variance;
    result.mean(row, molt) = mean;
    result.variance(row, molt) = variance;
  }
}

/// The spread of the first molt is the row's; what that of a later one differs by stands in its variance.
void ending_row(const AheadPoint& p, const AdultNode& node, Index row, PredictorMixture& result) {
  SizeCourse course{p.size, p.size_variance, p.covariance};
  double first = 0;
  for (Index molt = 0; molt < result.mean.cols(); ++molt) {
    const double own = course.molt(node, p.growth + node.ratio_change, p.growth_variance, p.decline) * p.process_variance;
    if (molt == 0) first = own;
    result.mean(row, molt) = course.mean;
    result.variance(row, molt) = std::max(course.variance + own - first, 0.0);
    course.variance += own;
  }
  result.log_sigma[row] = 0.5 * std::log(first);
}

PredictorMixture empty_mixture(std::size_t rows, int molts) {
  const auto n = static_cast<Index>(rows);
  return {VectorXd(n), VectorXd(n), MatrixXd(n, molts), MatrixXd(n, molts)};
}

void check_ahead(const GrowthModelFit& fit, int animal, int molts_ahead) {
  if (animal < 0 || static_cast<std::size_t>(animal) >= fit.sizes.size() ||
      fit.sizes[animal].empty())
    throw std::invalid_argument("size_after: animal " + std::to_string(animal) + " has no size reading in this fit");
  if (molts_ahead < 1)
    throw std::invalid_argument("size_after: molts_ahead = " + std::to_string(molts_ahead) +
                                "; it has to be 1 or more");
}

}  // namespace

double growth_share(const AdultNode& node, double log_size) {
  return share_at(std::exp(node.steepness * (log_size - node.log_limit)));
}

double spread_share(double growth_share) { return (growth_share * growth_share + least_spread) / (1 + least_spread); }

double SizeCourse::molt(const AdultNode& node, double growth, double growth_variance, double decline) {
  // The share as a line in the size, by three points of its law, so that a size not known well is not taken for sure.
  const double away = std::sqrt(3 * std::max(variance, 1e-12));
  const double apart = (1 - node.with_size) * away;
  const double below = growth_share(node, mean - apart), at = growth_share(node, mean),
               above = growth_share(node, mean + apart);
  const double share = (below + 4 * at + above) / 6, slope = (above - below) / (2 * away);
  const double whole = growth + decline * mean;
  const double factor = std::max(0.0, 1 + share * decline + slope * whole);
  mean += share * whole;
  variance = std::max(0.0, factor * factor * variance + 2 * factor * share * covariance + share * share * growth_variance);
  covariance = factor * covariance + share * growth_variance;
  return spread_share(share);
}

PredictorMixture size_after(const GrowthModelFit& fit, int animal, int molts_ahead) {
  check_ahead(fit, animal, molts_ahead);
  const auto i = static_cast<std::size_t>(animal);
  const bool mature = std::isfinite(fit.next_shift[i]);
  const bool ends = !mature && i < fit.adult.size() && !fit.adult[i].empty();
  const std::vector<AheadPoint> points = ends ? gathered(points_of(fit, i)) : points_of(fit, i);
  const std::size_t nodes = ends ? fit.adult[i].size() : 1;
  PredictorMixture result = empty_mixture(points.size() * nodes, molts_ahead);
  Index row = 0;
  for (const AheadPoint& p : points)
    for (std::size_t node = 0; node < nodes; ++node, ++row) {
      result.weights[row] = p.weight * (ends ? fit.adult[i][node].weight : 1);
      result.log_sigma[row] = 0.5 * std::log(p.process_variance);
      if (ends)
        ending_row(p, fit.adult[i][node], row, result);
      else if (mature)
        mature_row(p, fit.next_shift[i], row, result);
      else
        growing_row(p, row, result);
    }
  return result;
}

}  // namespace moltspan
