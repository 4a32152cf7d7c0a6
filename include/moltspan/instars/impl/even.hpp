#pragma once

#include <algorithm>
#include <array>
#include <cmath>

#include "moltspan/config.hpp"
#include "moltspan/instars/impl/model.hpp"
#include "moltspan/numeric/normal.hpp"

/// The expectation of EM where it is called most: one trait, read exactly, no known instar, components evenly spaced
/// with equal spread. Neighboring densities then differ by factors that themselves differ by a constant factor, so that
/// an animal costs one exponential instead of one a component.
namespace moltspan::instars {
namespace detail_even {

inline constexpr double most_apart = 600;  ///< of (step / sd)^2: beyond it exp(-that) nears the smallest number
inline constexpr double negligible = 1e-40, least_total = 1e-15;  ///< of densities beside that of the nearest component
inline constexpr int most_components = 60;

/// First mean, step and precision of the components; no step where they are not even.
struct EvenLine {
  double first, step, precision;

  explicit EvenLine(const Model& model)
      : first(model.mean(0, 0)),
        step((model.mean(model.mean.rows() - 1, 0) - first) / double(model.mean.rows() - 1)),
        precision(model.root[0](0, 0) * model.root[0](0, 0)) {
    const double root = model.root[0](0, 0);
    bool even = step > 0 && precision * step * step < most_apart;
    for (Index k = 0; k < model.mean.rows(); ++k)
      even = even && std::abs(model.mean(k, 0) - first - step * double(k)) * root < 1e-11 &&
             model.root[std::size_t(k)](0, 0) == root;
    if (!even) step = 0;
  }
};

/// Weight times density of the components of one animal, relative to the density of the nearest one, from `low` to
/// `high`: beyond them nothing is left.
struct Relative {
  std::array<double, most_components> value;
  Index low = 0, high = 0;
  double total = 0;

  /// `up`, `down`: density of the next component on each side relative to the nearest; `bend`: what such a factor is
  /// multiplied by from one component to the next.
  void fill(const VectorXd& weight, Index nearest, double up, double down, double bend) {
    total = value[std::size_t(nearest)] = weight[nearest];
    high = nearest;
    for (double density = up; high + 1 < weight.size() && density > negligible; density *= up *= bend)
      ++high, total += value[std::size_t(high)] = weight[high] * density;
    low = nearest;
    for (double density = down; low > 0 && density > negligible; density *= down *= bend)
      --low, total += value[std::size_t(low)] = weight[low] * density;
  }
};

/// Sums of shares, of shares times y and times its square, by component.
struct Sums {
  std::array<double, most_components> count{}, sum{}, square{};

  void add(const Relative& relative, double animals, double y) {
    const double scale = animals / relative.total;
    for (auto k = std::size_t(relative.low); k <= std::size_t(relative.high); ++k) {
      const double share = scale * relative.value[k];
      count[k] += share, sum[k] += share * y, square[k] += share * y * y;
    }
  }
  void write(Index n, Moments& m) const {
    m.count = Eigen::Map<const VectorXd>(count.data(), n), m.sum = Eigen::Map<const VectorXd>(sum.data(), n);
    m.product.resize(std::size_t(n));
    for (std::size_t k = 0; k < m.product.size(); ++k) m.product[k] = MatrixXd::Constant(1, 1, square[k]);
  }
};

}  // namespace detail_even

MOLTSPAN_INLINE bool may_be_even(const Sample& sample, const Structure& s) {
  return sample.traits() == 1 && !sample.censored() && s.n_instars > 1 && s.n_instars <= detail_even::most_components &&
         s.spacing == Spacing::dyar && s.spread == Spread::equal &&
         std::all_of(sample.label.begin(), sample.label.end(), [](int label) { return label == instar_not_known; });
}

MOLTSPAN_INLINE std::optional<double> even_expectation(const Sample& sample, const Model& model, Moments& moments) {
  const detail_even::EvenLine line(model);
  const Index last = model.weight.size() - 1;
  if (line.step <= 0) return {};
  const double turn = line.precision * line.step, bend = std::exp(-turn * line.step);
  const Eigen::ArrayXd y = sample.y.col(0).array();
  const Eigen::ArrayXd nearest = ((y - line.first) / line.step + 0.5).floor().max(0.0).min(double(last));
  const Eigen::ArrayXd away = y - line.first - line.step * nearest;
  const Eigen::ArrayXd behind = (-turn * (away.abs() + 0.5 * line.step)).exp();
  Eigen::ArrayXd total(y.size());
  detail_even::Relative relative;
  detail_even::Sums sums;
  for (Index i = 0; i < y.size(); ++i) {
    const double ahead = bend / behind[i];  // asked for between two components only, where it is 1 at most
    const bool above = away[i] > 0;
    relative.fill(model.weight, Index(nearest[i]), above ? ahead : behind[i], above ? behind[i] : ahead, bend);
    if (!(relative.total > detail_even::least_total)) return {};
    total[i] = relative.total;
    sums.add(relative, sample.count[i], y[i]);
  }
  sums.write(last + 1, moments);
  const double constant = 0.5 * std::log(line.precision) - numeric::log_sqrt_2pi;
  return sample.count.dot((constant - 0.5 * line.precision * away.square() + total.log()).matrix());
}

}  // namespace moltspan::instars
