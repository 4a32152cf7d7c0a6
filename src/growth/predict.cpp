#include "growth/predict.hpp"

#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <stdexcept>
#include <tuple>

#include "growth/chart.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::RowVectorXd;
using Eigen::VectorXd;

constexpr int many_groups = 200;      ///< from here on the spreads count as known: bands then err by about 1 / groups
constexpr double many_degrees = 1e4;  ///< of freedom, from which a t is normal

constexpr double table_end = 12, table_step = 0.05;

SpreadPoint point_at(const MixedBlocks& blocks, const RelativeSpread& spread, const MixedProfile& profile) {
  SpreadPoint point;
  point.spread = spread;
  point.beta = profile.beta;
  point.x_inverse = profile.x_inverse;
  point.variance = profile.squares.value / (static_cast<double>(blocks.rows()) - blocks.coefficients());
  point.outer = blocks.outer_views(spread);
  return point;
}

StudentTable::Value exact_student(double t, double degrees) {
  if (degrees > many_degrees)
    return {boost::math::cdf(boost::math::normal(), t), boost::math::pdf(boost::math::normal(), t)};
  const boost::math::students_t law(degrees);
  return {boost::math::cdf(law, t), boost::math::pdf(law, t)};
}

}  // namespace

StudentTable::StudentTable(double degrees_of_freedom) : degrees_(degrees_of_freedom) {}

StudentTable::Value StudentTable::operator()(double t) const {
  if (knots_.empty() || !(std::abs(t) < table_end)) return exact_student(t, degrees_);
  const double at = (t + table_end) / table_step;
  const auto left = static_cast<std::size_t>(at);
  const double u = at - static_cast<double>(left), v = 1 - u;
  const Value &a = knots_[left], &b = knots_[left + 1];
  const double cubic =
      a.cdf * v * v * (1 + 2 * u) + b.cdf * u * u * (1 + 2 * v) + table_step * u * v * (a.pdf * v - b.pdf * u);
  return {cubic, a.pdf * v + b.pdf * u};  // the density only steers Newton's steps
}

void StudentTable::fill() {
  const auto last = static_cast<std::size_t>(2 * table_end / table_step);
  for (std::size_t i = 0; i <= last + 1; ++i)
    knots_.push_back(exact_student(static_cast<double>(i) * table_step - table_end, degrees_));
}

double StudentTable::quantile(double probability) const {
  if (degrees_ > many_degrees) return boost::math::quantile(boost::math::normal(), probability);
  return boost::math::quantile(boost::math::students_t(degrees_), probability);
}

SpreadPoint fitted_point(const MixedFit& fit) {
  const RelativeSpread spread = MixedSearch(*fit.blocks, fit.options.correlated).spread(fit.relative);
  return point_at(*fit.blocks, spread, mixed_profile(*fit.blocks, spread, false));
}

const std::vector<SpreadPoint>& MixedPoints::of(const MixedFit& fit) {
  std::call_once(made_, [&] { make(fit); });
  return points_;
}

void MixedPoints::make(const MixedFit& fit) {
  const MixedBlocks& blocks = *fit.blocks;
  double degrees = static_cast<double>(blocks.rows()) - blocks.coefficients();
  reml_ = fit.options.method == MixedMethod::reml ? fit : refit(fit, MixedMethod::reml);
  reml_.points.reset();
  const MixedSearch search(blocks, fit.options.correlated);
  spread_covariance_ = moltspan::spread_covariance(blocks, search, reml_.relative,
                                                   mixed_criterion(blocks, search, reml_.relative, MixedMethod::reml),
                                                   MixedMethod::reml);
  const bool known = blocks.effects() == 0 || blocks.groups() >= many_groups;
  if (known || blocks.effects() > 2) {
    points_ = {fitted_point(reml_)};
    if (!known) degrees = std::min(degrees, blocks.groups() - 1.0);
    student_ = StudentTable(degrees);
    return;
  }
  student_ = StudentTable(degrees);
  student_.fill();
  const SpreadChart chart(blocks, fit.options.correlated);
  const RelativeSpread mode = search.spread(reml_.relative);
  for (const WeightedSpread& at : integrate_spreads(blocks, chart, mode)) {
    points_.push_back(point_at(blocks, at.spread, mixed_profile(blocks, at.spread, false)));
    points_.back().weight = at.weight;
  }
}

double StudentMixture::quantile(double probability) const {
  const double t = student.quantile(probability);
  if (weight.size() == 1) return center[0] + scale[0] * t;
  const auto both = [&](double x) {
    StudentTable::Value result{0, 0};
    for (Index i = 0; i < weight.size(); ++i) {
      const auto value = student((x - center[i]) / scale[i]);
      result.cdf += weight[i] * value.cdf;
      result.pdf += weight[i] / scale[i] * value.pdf;
    }
    return result;
  };
  // Between the quantiles of the points; Newton's steps, halving where they leave the bracket.
  double low = (center + t * scale).minCoeff(), high = (center + t * scale).maxCoeff(),
         x = weight.dot(center + t * scale);
  for (int step = 0; step < 100 && high - low > 1e-11 * scale.maxCoeff(); ++step) {
    const auto [cdf, pdf] = both(x);
    (cdf < probability ? low : high) = x;
    const double move = (probability - cdf) / pdf;
    if (std::abs(move) < 1e-9 * scale.mean()) return x + move;
    x = x + move > low && x + move < high ? x + move : 0.5 * (low + high);
  }
  return x;
}

PredictorMoments predictor_moments(const MixedBlocks& blocks, const SpreadPoint& point, const MixedRow& row) {
  const int p = blocks.coefficients();
  const MatrixXd& psi = point.spread.psi;
  const double outer = point.spread.outer, own = row.z.size() == 0 ? 0 : row.z.dot(psi * row.z);
  RowVectorXd seen = RowVectorXd::Zero(p + 1);  // cov(effects, y) V^-1 [X y]
  double known = 0, removed = 0, extra = 0;
  if (blocks.outer_groups() > 0 && row.outer >= 0) {
    const OuterView& view = point.outer[row.outer];
    const double f = outer / (1 + outer * view.s);
    known += outer;
    seen += f * view.v;
    removed += outer * f * view.s;
  } else {
    extra += outer;
  }
  if (row.group >= 0) {
    const GroupView group = blocks.group(row.group, point.spread);
    const VectorXd weights = psi * row.z;
    known += own;
    removed += weights.dot(group.k * weights);
    seen += weights.transpose() * group.t.rightCols(p + 1);
    if (blocks.outer_groups() > 0) {
      const OuterView& view = point.outer[row.outer];
      const double f = outer / (1 + outer * view.s), through = weights.dot(group.t.col(0));
      seen -= f * through * view.v;
      removed += -f * through * through + 2 * f * through;
    }
  } else {
    extra += own;
  }
  const VectorXd left = row.x - seen.head(p).transpose();
  return {row.offset + row.x.dot(point.beta) + seen[p] - seen.head(p).dot(point.beta),
          std::max(known - removed, 0.0) + left.dot(point.x_inverse * left), extra};
}

MixedRow mixed_row(const MixedFit& fit, const MixedRows& rows, Index i) {
  const MixedBlocks& blocks = *fit.blocks;
  const auto code = [i](const std::vector<int>& codes) {
    return codes.empty() ? -1 : codes[i];
  };
  VectorXd x = rows.x.row(i).transpose();
  const auto add = [&x](int member) {  // a member that is neither: halfway between the two
    x.conservativeResize(x.size() + 1);
    x[x.size() - 1] = member < 0 ? 0.5 : member;
  };
  MixedRow row;
  if (fit.fixed_outer_difference) add(code(rows.outer_groups));
  if (fit.fixed_difference) add(code(rows.groups));
  if (x.size() != blocks.coefficients())
    throw std::invalid_argument("predict_mixed: " + std::to_string(rows.x.cols()) + " columns for " +
                                std::to_string(blocks.coefficients()) + " coefficients");
  row.x = blocks.x_map().transpose() * x;
  row.offset = x.dot(blocks.start_line());
  if (blocks.effects() == 0) return row;
  row.z = blocks.z_map().transpose() * rows.z.row(i).head(blocks.effects()).transpose();
  row.group = code(rows.groups);
  row.outer = row.group >= 0 ? blocks.outer_of(row.group) : code(rows.outer_groups);
  return row;
}

MatrixXd conditional_modes(const MixedFit& fit) {
  const MixedBlocks& blocks = *fit.blocks;
  const SpreadPoint point = fitted_point(fit);
  const int p = blocks.coefficients();
  VectorXd left(p + 1);
  left << -point.beta, 1;
  MatrixXd modes(blocks.groups(), blocks.effects());
  for (int g = 0; g < blocks.groups(); ++g) {
    const GroupView group = blocks.group(g, point.spread);
    VectorXd score = group.t.rightCols(p + 1) * left;
    if (blocks.outer_groups() > 0) {
      const OuterView& view = point.outer[blocks.outer_of(g)];
      score -= point.spread.outer / (1 + point.spread.outer * view.s) * view.v.dot(left.transpose()) * group.t.col(0);
    }
    modes.row(g) = (blocks.z_map() * (point.spread.psi * score)).transpose();
  }
  return modes;
}

namespace {

/// Band of the next reading of a new group with one effect: Student's t with Satterthwaite's degrees of freedom of the
/// total variance at the REML estimates (Francq, Lin & Hoyer 2019, Statistics in Medicine 38:4075).
std::pair<double, double> total_variance_band(const MixedPoints& points, const MixedRow& row, double level) {
  const MixedFit& reml = points.reml();
  const MixedBlocks& blocks = *reml.blocks;
  const MixedSearch search(blocks, reml.options.correlated);
  const Index last = reml.relative.size();
  double center = 0;
  const auto total = [&](const VectorXd& at) {
    const RelativeSpread spread = search.spread(at.head(last));
    const SpreadPoint point = point_at(blocks, spread, mixed_profile(blocks, spread, false));
    const PredictorMoments moments = predictor_moments(blocks, point, row);
    center = moments.center;
    return std::exp(at[last]) * (moments.variance + moments.extra + 1);
  };
  VectorXd at(last + 1), gradient(last + 1);
  at << reml.relative, 2 * std::log(reml.sigma);
  for (Index i = 0; i <= last; ++i) {  // smooth and of order one: central differences
    VectorXd up = at, down = at;
    const double step = 1e-5 * std::max(1.0, std::abs(at[i]));
    up[i] += step;
    down[i] -= step;
    gradient[i] = (total(up) - total(down)) / (2 * step);
  }
  const double variance = total(at), error = gradient.dot(points.spread_covariance() * gradient);
  const double degrees = std::max(2 * variance * variance / error, 1.0);
  const double reach = StudentTable(degrees).quantile(0.5 + level / 2) * std::sqrt(variance);
  return {center - reach, center + reach};
}

}  // namespace

MixedBands predict_mixed(const MixedFit& fit, const MixedRows& rows, double level) {
  if (!(level > 0 && level < 1))
    throw std::invalid_argument("level = " + std::to_string(level) + ": a level lies between 0 and 1");
  const auto& points = fit.points->of(fit);
  const SpreadPoint fitted = fitted_point(fit);
  const auto n_points = static_cast<Index>(points.size());
  const Index n = rows.x.rows();
  MixedBands bands{VectorXd(n), VectorXd(n), VectorXd(n), VectorXd(n), VectorXd(n)};
  StudentMixture mean{VectorXd(n_points), VectorXd(n_points), VectorXd(n_points), fit.points->student()};
  for (Index j = 0; j < n_points; ++j) mean.weight[j] = points[j].weight;
  StudentMixture next = mean;
  for (Index i = 0; i < n; ++i) {
    const MixedRow row = mixed_row(fit, rows, i);
    bands.estimate[i] = predictor_moments(*fit.blocks, fitted, row).center;
    for (Index j = 0; j < n_points; ++j) {
      const SpreadPoint& point = points[j];
      const PredictorMoments moments = predictor_moments(*fit.blocks, point, row);
      mean.center[j] = next.center[j] = moments.center;
      mean.scale[j] = std::sqrt(point.variance * moments.variance);
      next.scale[j] = std::sqrt(point.variance * (moments.variance + moments.extra + 1));
    }
    bands.mean_lower[i] = mean.quantile(0.5 - level / 2);
    bands.mean_upper[i] = mean.quantile(0.5 + level / 2);
    if (n_points > 1 && fit.blocks->effects() == 1 && row.group < 0) {
      std::tie(bands.new_lower[i], bands.new_upper[i]) = total_variance_band(*fit.points, row, level);
    } else {
      bands.new_lower[i] = next.quantile(0.5 - level / 2);
      bands.new_upper[i] = next.quantile(0.5 + level / 2);
    }
  }
  return bands;
}

}  // namespace moltspan
