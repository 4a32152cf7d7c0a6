#include "growth/chart.hpp"

#include <Eigen/Eigenvalues>
#include <cmath>

#include "moltspan/numeric/quadrature.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double pi = EIGEN_PI;
constexpr double negligible = 1e-5;  ///< share of the largest weight under which a point is dropped

/// Box of coordinates with its number of nodes a side.
struct Box {
  VectorXd low, high;
  std::vector<int> nodes;
};

struct Grid {
  std::vector<VectorXd> at;
  std::vector<double> log_weight;
  std::vector<std::vector<int>> index;
};

double log_posterior(const MixedBlocks& blocks, const SpreadChart& chart, const VectorXd& at) {
  const MixedProfile profile = mixed_profile(blocks, chart.spread(at), false);
  const double n = static_cast<double>(blocks.rows()) - blocks.coefficients();
  return -0.5 * (n * std::log(profile.squares.value) + profile.log_det_v.value + profile.log_det_x.value) +
         chart.log_prior(at);
}

/// Posterior at the product of Gauss-Legendre nodes.
Grid evaluate(const MixedBlocks& blocks, const SpreadChart& chart, const Box& box) {
  Grid grid;
  const int dimension = chart.dimension();
  std::vector<int> index(static_cast<std::size_t>(dimension), 0);
  while (true) {
    VectorXd at(dimension);
    double log_volume = 0;
    for (int d = 0; d < dimension; ++d) {
      const auto& rule = numeric::gauss_legendre(box.nodes[d]);
      const int i = index[d];
      const double half = 0.5 * (box.high[d] - box.low[d]);
      at[d] = box.low[d] + half * (1 + rule.nodes[i]);
      log_volume += std::log(half * rule.weights[i]);
    }
    grid.at.push_back(at);
    grid.index.push_back(index);
    grid.log_weight.push_back(log_posterior(blocks, chart, at) + log_volume);
    int d = 0;
    while (d < dimension && ++index[d] == box.nodes[d])
      index[d++] = 0;
    if (d == dimension) return grid;
  }
}

VectorXd weights_of(const Grid& grid) {
  const Eigen::Map<const VectorXd> logs(grid.log_weight.data(), static_cast<Index>(grid.log_weight.size()));
  const VectorXd weights = (logs.array() - logs.maxCoeff()).exp();
  return weights / weights.sum();
}

/// The part of each side that holds mass, one node further on both ends.
Box shrink(const Grid& grid, const Box& box, const std::vector<int>& nodes) {
  const VectorXd weights = weights_of(grid);
  Box result = box;
  result.nodes = nodes;
  for (std::size_t d = 0; d < box.nodes.size(); ++d) {
    VectorXd margin = VectorXd::Zero(box.nodes[d]), position(box.nodes[d]);
    for (std::size_t i = 0; i < grid.at.size(); ++i) {
      margin[grid.index[i][d]] += weights[static_cast<Index>(i)];
      position[grid.index[i][d]] = grid.at[i][static_cast<Index>(d)];
    }
    constexpr double margin_limit = 1e-5;
    Index first = 0, last = margin.size() - 1;
    while (first < last && margin[first] < margin_limit) ++first;
    while (last > first && margin[last] < margin_limit) --last;
    if (first > 0) result.low[static_cast<Index>(d)] = position[first - 1];
    if (last < margin.size() - 1) result.high[static_cast<Index>(d)] = position[last + 1];
  }
  return result;
}

/// Wide enough for the eigenvalues of a covariance of so many groups, whose logarithms have sd sqrt(2 / groups) and
/// exponential tails.
Box first_box(const MixedBlocks& blocks, const SpreadChart& chart, const RelativeSpread& mode) {
  const double groups = std::max(blocks.groups() - 1.0, 1.0);
  const double left = 8 * std::sqrt(2 / groups), right = left + 24 / groups;
  Box box;
  box.low = box.high = chart.coordinates(mode);
  for (int d = 0; d < chart.dimension(); ++d) {
    if (chart.has_angle() && d == 2) {
      const double w = box.high[1] - right, apart = w > 0 ? 2 * std::sinh(w / 2) * std::sqrt(groups) : 0;
      const double width = apart > 0 ? std::min(pi / 2, 8 / apart) : pi / 2;
      box.low[d] -= width;
      box.high[d] += width;
      box.nodes.push_back(8);
    } else {
      const bool outer = d == chart.dimension() - 1 && blocks.outer_groups() > 0;
      const double members = std::max(blocks.outer_groups() - 1.0, 1.0);
      box.low[d] = std::max(0.0, box.low[d] - (outer ? 8 * std::sqrt(2 / members) : left));
      box.high[d] += outer ? 8 * std::sqrt(2 / members) + 24 / members : right;
      box.nodes.push_back(chart.dimension() == 1 ? 32 : 11);
    }
  }
  return box;
}

}  // namespace

SpreadChart::SpreadChart(const MixedBlocks& blocks, bool correlated)
    : effects_(blocks.effects()),
      angle_(correlated && blocks.effects() == 2),
      outer_(blocks.outer_groups() > 0),
      rows_(blocks.rows_per_group()),
      outer_rows_(static_cast<double>(blocks.rows()) / std::max(blocks.outer_groups(), 1)) {
  own_ = angle_ ? 3 : effects_;
}

RelativeSpread SpreadChart::spread(const VectorXd& at) const {
  RelativeSpread result{MatrixXd::Zero(effects_, effects_), outer_ ? std::expm1(at[own_]) / outer_rows_ : 0};
  if (angle_) {
    const double small = std::expm1(at[0]), large = std::expm1(at[0] + at[1]), c = std::cos(at[2]), s = std::sin(at[2]);
    result.psi << large * c * c + small * s * s, (large - small) * c * s, (large - small) * c * s,
        large * s * s + small * c * c;
    result.psi /= rows_;
  } else {
    for (int i = 0; i < effects_; ++i) result.psi(i, i) = std::expm1(at[i]) / rows_;
  }
  return result;
}

VectorXd SpreadChart::coordinates(const RelativeSpread& spread) const {
  VectorXd at(dimension());
  if (outer_) at[own_] = std::log1p(outer_rows_ * spread.outer);
  if (angle_) {
    const Eigen::SelfAdjointEigenSolver<MatrixXd> parts(spread.psi);
    const VectorXd logs = (1 + rows_ * parts.eigenvalues().cwiseMax(0).array()).log();
    at.head(3) << logs[0], logs[1] - logs[0], std::atan2(parts.eigenvectors()(1, 1), parts.eigenvectors()(0, 1));
  } else {
    for (int i = 0; i < effects_; ++i) at[i] = std::log1p(rows_ * spread.psi(i, i));
  }
  return at;
}

double SpreadChart::log_prior(const VectorXd& at) const {
  double result = 0;  // 1 / W dW = du: flat in u for every single effect
  if (angle_) {
    const double u = at[0], w = at[1];
    const double log_volume = 2 * u + w + (u + w) + std::log(-std::expm1(-w));
    result += log_volume - 2 * (2 * u + w);  // |W|^-2
  }
  return result;
}

std::vector<WeightedSpread> integrate_spreads(const MixedBlocks& blocks, const SpreadChart& chart,
                                              const RelativeSpread& mode) {
  Box box = first_box(blocks, chart, mode);
  std::vector<int> nodes;
  for (int d = 0; d < chart.dimension(); ++d)
    nodes.push_back(chart.dimension() == 1 ? 48 : chart.dimension() == 2 ? 20 : chart.has_angle() && d == 2 ? 10 : 12);
  box = shrink(evaluate(blocks, chart, box), box, nodes);
  const Grid grid = evaluate(blocks, chart, box);
  const VectorXd weights = weights_of(grid);
  std::vector<WeightedSpread> result;
  double kept = 0;
  for (std::size_t i = 0; i < grid.at.size(); ++i) {
    const double weight = weights[static_cast<Index>(i)];
    if (weight < negligible * weights.maxCoeff()) continue;
    kept += weight;
    result.push_back({weight, chart.spread(grid.at[i])});
  }
  for (WeightedSpread& point : result) point.weight /= kept;
  return result;
}

}  // namespace moltspan
