#pragma once

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numeric>

#include "moltspan/config.hpp"
#include "moltspan/instars/impl/model.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan::instars {
namespace detail_starts {

inline constexpr double pi = 3.14159265358979323846;
inline constexpr int most_cells = 192;
inline constexpr double hopeless = 12;  ///< of log-likelihood behind the best after the first steps

/// The sample along one line (its first principal axis), in full and gathered into cells for the first steps.
struct Line {
  VectorXd axis;
  Sample all, cells;
  double low = 0, high = 0;
  double range() const { return high - low; }
};

inline VectorXd principal_axis(const Sample& sample) {
  if (sample.traits() == 1) return VectorXd::Ones(1);
  const MatrixXd spread = sample.y.transpose() * sample.count.asDiagonal() * sample.y;
  VectorXd axis = Eigen::SelfAdjointEigenSolver<MatrixXd>(spread).eigenvectors().rightCols(1);
  return axis.sum() < 0 ? VectorXd(-axis) : axis;
}

/// Rows that fall into the same of `most_cells` cells, with the same known instar, become one; sorted by size.
inline Sample in_cells(const Sample& all, double low, double range) {
  struct Row {
    int cell, label;
    double count, sum;
  };
  std::vector<Row> rows;
  for (Index i = 0; i < all.rows(); ++i) {
    const double t = all.y(i, 0);
    const int cell = range > 0 ? std::min(most_cells - 1, int(most_cells * (t - low) / range)) : 0;
    rows.push_back({cell, all.label[std::size_t(i)], all.count[i], all.count[i] * t});
  }
  std::sort(rows.begin(), rows.end(), [](const Row& a, const Row& b) {
    return std::pair(a.cell, a.label) < std::pair(b.cell, b.label) ||
           (std::pair(a.cell, a.label) == std::pair(b.cell, b.label) && a.sum / a.count < b.sum / b.count);
  });
  std::vector<Row> kept;
  for (const Row& row : rows) {
    if (!kept.empty() && kept.back().cell == row.cell && kept.back().label == row.label)
      kept.back().count += row.count, kept.back().sum += row.sum;
    else
      kept.push_back(row);
  }
  Sample cells;
  cells.n = all.n;
  cells.y.resize(Index(kept.size()), 1), cells.count.resize(Index(kept.size()));
  for (std::size_t i = 0; i < kept.size(); ++i) {
    cells.y(Index(i), 0) = kept[i].sum / kept[i].count, cells.count[Index(i)] = kept[i].count;
    cells.label.push_back(kept[i].label);
  }
  return cells;
}

inline Line line_of(const Sample& sample) {
  Line line;
  line.axis = principal_axis(sample);
  line.all.y = sample.y * line.axis;
  line.all.count = sample.count, line.all.label = sample.label, line.all.n = sample.n;
  line.low = line.all.y.minCoeff(), line.high = line.all.y.maxCoeff();
  line.cells = in_cells(line.all, line.low, line.range());
  return line;
}

inline Structure on_a_line(const Structure& s) {
  Structure line = s;
  line.covariance = Covariance::diagonal;
  if (s.common.size() > 1) line.common = s.common.topLeftCorner(1, 1);
  return line;
}

inline Model start_at(const VectorXd& means, double sd) {
  const Index k = means.size();
  Model model;
  model.mean = means;
  model.root.assign(std::size_t(k), MatrixXd::Constant(1, 1, 1 / sd));
  model.weight = VectorXd::Constant(k, 1.0 / double(k));
  model.held.assign(std::size_t(k), 0);
  return model;
}

inline VectorXd evenly(double first, double step, int n) { return VectorXd::LinSpaced(n, first, first + step * (n - 1)); }

/// Strength and place of a spacing b: the Fourier coefficient of the sample at period b.
struct Period {
  double spacing, strength, place;
};

inline Period period_at(const Sample& cells, double spacing) {
  std::complex<double> sum = 0;
  for (Index i = 0; i < cells.rows(); ++i) sum += cells.count[i] * std::polar(1.0, 2 * pi * cells.y(i, 0) / spacing);
  return {spacing, std::abs(sum), std::arg(sum) / (2 * pi) * spacing};
}

/// Even spacings that let n components cover the sample; each with the two offsets nearest to its middle.
inline void add_even_starts(const Line& line, int n, int most, std::vector<Model>& starts) {
  std::vector<Period> periods;
  for (double extra = 0; extra < 1.4; extra += 0.12)
    periods.push_back(period_at(line.cells, line.range() / (n - 1 + extra)));
  std::sort(periods.begin(), periods.end(), [](const Period& a, const Period& b) { return a.strength > b.strength; });
  const double middle = 0.5 * (line.low + line.high);
  for (int i = 0; i < most; ++i) {
    const auto [b, strength, place] = periods[std::size_t(i)];
    const double sharp = std::clamp(strength / line.cells.n, 0.05, 0.98);  // exp(-2 pi^2 sd^2 / b^2) of equal spread
    const double sd = b * std::sqrt(-2 * std::log(sharp)) / (2 * pi), centered = middle - 0.5 * b * (n - 1);
    const double down = place + b * std::floor((centered - place) / b);
    starts.push_back(start_at(evenly(down, b, n), sd));
    starts.push_back(start_at(evenly(down + b, b, n), sd));
  }
  for (const double extra : {0.3, 0.9}) {
    const double b = line.range() / (n - 1 + extra);
    starts.push_back(start_at(evenly(middle - 0.5 * b * (n - 1), b, n), 0.25 * b));
  }
}

/// The line through the animals whose instar is known.
inline void add_known_start(const Line& line, const Structure& s, std::vector<Model>& starts) {
  double w = 0, k1 = 0, k2 = 0, t1 = 0, kt = 0;
  for (Index i = 0; i < line.all.rows(); ++i) {
    if (line.all.label[std::size_t(i)] == instar_not_known) continue;
    const double c = line.all.count[i], k = line.all.label[std::size_t(i)] - s.first, t = line.all.y(i, 0);
    w += c, k1 += c * k, k2 += c * k * k, t1 += c * t, kt += c * k * t;
  }
  const double spread = w * k2 - k1 * k1;
  if (!(spread > 1e-9)) return;
  const double b = (w * kt - k1 * t1) / spread, a = (t1 - b * k1) / w;
  starts.push_back(start_at(evenly(a, b, s.n_instars), std::max(0.2 * std::abs(b), 1e-3)));
}

/// Bends even starts: the ends stay, the middle moves.
inline void add_bent_starts(const Structure& s, std::vector<Model>& starts) {
  const std::size_t n = starts.size();
  const VectorXd bow = s.middle.array().square() - s.middle[0] * s.middle[0];
  for (std::size_t i = 0; i < n; ++i)
    for (const double bend : {-0.05, 0.05}) {
      Model model = starts[i];
      model.mean.col(0) += bend * (model.mean(1, 0) - model.mean(0, 0)) * bow;
      starts.push_back(model);
    }
}

/// Partition into n runs of least within sum of squares (dynamic programming over the cells), as means.
inline VectorXd best_runs(const Sample& cells, int n) {
  const Index m = cells.rows();
  VectorXd w = VectorXd::Zero(m + 1), s = w, q = w;
  for (Index i = 0; i < m; ++i) {
    const double c = cells.count[i], t = cells.y(i, 0);
    w[i + 1] = w[i] + c, s[i + 1] = s[i] + c * t, q[i + 1] = q[i] + c * t * t;
  }
  const auto cost = [&](Index from, Index to) {
    const double sum = s[to] - s[from];
    return q[to] - q[from] - sum * sum / (w[to] - w[from]);
  };
  MatrixXd best = MatrixXd::Constant(n + 1, m + 1, std::numeric_limits<double>::infinity());
  Eigen::MatrixXi cut = Eigen::MatrixXi::Zero(n + 1, m + 1);
  best(0, 0) = 0;
  for (int k = 1; k <= n; ++k)
    for (Index to = k; to <= m; ++to)
      for (Index from = k - 1; from < to; ++from)
        if (const double c = best(k - 1, from) + cost(from, to); c < best(k, to))
          best(k, to) = c, cut(k, to) = int(from);
  VectorXd means(n);
  Index to = m;
  for (int k = n; k >= 1; --k) {
    const Index from = cut(k, to);
    means[k - 1] = (s[to] - s[from]) / (w[to] - w[from]);
    to = from;
  }
  return means;
}

inline Model on_axis(const Model& model, const VectorXd& axis) {
  Model line = start_at(model.mean * axis, 1);
  line.weight = model.weight;
  for (std::size_t k = 0; k < line.root.size(); ++k)
    line.root[k](0, 0) = 1 / std::sqrt(axis.dot(covariance_of(model.root[k]) * axis));
  return line;
}

/// The best fit with one less, and a rare component before its first or after its last.
inline void add_longer_starts(const Model& less, std::vector<Model>& starts) {
  const Index n = less.mean.rows() + 1;
  if (n < 3) return;
  for (const bool before : {true, false}) {
    const double first = less.mean(0, 0), last = less.mean(n - 2, 0), step = (last - first) / double(n - 2);
    Model model = start_at(evenly(before ? first - step : first, step, int(n)), 1 / less.root[0](0, 0));
    model.mean.col(0).segment(before ? 1 : 0, n - 1) = less.mean.col(0);
    model.weight.setConstant(0.01);
    model.weight.segment(before ? 1 : 0, n - 1) += less.weight;
    model.weight /= model.weight.sum();
    starts.push_back(model);
  }
}

/// Each component of the best fit with one less, split in two.
inline void add_split_starts(const Model& less, std::vector<Model>& starts) {
  for (Index split = 0; split < less.mean.rows(); ++split)
    for (const double apart : {0.5, 1.2}) {
      const Index n = less.mean.rows() + 1;
      Model model = start_at(VectorXd::Zero(n), 1);
      for (Index k = 0; k < n; ++k) {
        const Index from = k <= split ? k : k - 1;
        const double sd = 1 / less.root[std::size_t(from)](0, 0);
        const bool half = from == split;
        model.mean(k, 0) = less.mean(from, 0) + (half ? (k == split ? -apart : apart) * sd : 0);
        model.root[std::size_t(k)](0, 0) = 1 / sd;
        model.weight[k] = std::max(less.weight[from], 1e-6) * (half ? 0.5 : 1);
      }
      model.weight /= model.weight.sum();
      starts.push_back(model);
    }
}

/// Components at animals drawn at random: always the same draws.
inline void add_random_starts(const Line& line, int n, int how_many, std::vector<Model>& starts) {
  for (int i = 0; i < how_many; ++i) {
    numeric::RandomStream random(20, {0x1257A5, static_cast<std::uint32_t>(n), static_cast<std::uint32_t>(i)});
    VectorXd means(n);
    for (double& mean : means)
      mean = line.all.y(std::min(line.all.rows() - 1, Index(random.uniform() * double(line.all.rows()))), 0);
    std::sort(means.begin(), means.end());
    starts.push_back(start_at(means, 0.3 * line.range() / n));
  }
}

inline std::vector<Model> starts_for(const Line& line, const Structure& s, const Model* previous, bool quick) {
  std::vector<Model> starts;
  const int n = s.n_instars;
  if (n == 1 || !(line.range() > 0))
    return {start_at(evenly(0.5 * (line.low + line.high), 0, n), std::max(line.range() / 4, 1e-3))};
  add_known_start(line, s, starts);
  add_even_starts(line, n, quick ? 2 : 4, starts);
  if (s.spacing == Spacing::declining && n > 2) add_bent_starts(s, starts);
  if (previous) add_longer_starts(on_axis(*previous, line.axis), starts);
  if (s.spacing == Spacing::free && n > 2) {
    if (line.cells.rows() >= n) starts.push_back(start_at(best_runs(line.cells, n), 0.25 * line.range() / n));
    if (previous) add_split_starts(on_axis(*previous, line.axis), starts);
    add_random_starts(line, n, quick ? 0 : 20, starts);
  }
  return starts;
}

/// `alike`: of an sd by which two means may differ where they are one; `tied`: the same of log-likelihoods.
inline void keep_best(std::vector<Model>& models, std::size_t most, double alike = 1e-3,
               double tied = std::numeric_limits<double>::infinity()) {
  std::sort(models.begin(), models.end(),
            [](const Model& a, const Model& b) { return a.log_likelihood > b.log_likelihood; });
  std::vector<Model> kept;
  for (Model& model : models) {
    if (kept.size() == most) break;
    const bool new_one =
        std::isfinite(model.log_likelihood) && std::none_of(kept.begin(), kept.end(), [&](const Model& other) {
          return other.log_likelihood - model.log_likelihood < tied &&
                 (other.mean - model.mean).cwiseAbs().maxCoeff() < alike / model.root[0](0, 0);
        });
    if (new_one || (kept.empty() && model.log_likelihood == models.front().log_likelihood))
      kept.push_back(std::move(model));
  }
  models = std::move(kept);
}

/// From a start on the line to one of all traits: responsibilities on the line, then one maximization.
inline Model lifted_start(const Sample& sample, const Structure& s, const Line& line, const Structure& on_line,
                   const Model& model) {
  if (sample.traits() == 1) return model;
  MatrixXd r;
  expectation(line.all, on_line, model, r);
  Sample exact = sample;
  exact.low.resize(0, 0), exact.high.resize(0, 0);
  Model full = model;
  full.mean = MatrixXd::Zero(s.n_instars, sample.traits());
  full.root.assign(std::size_t(s.n_instars), MatrixXd::Identity(sample.traits(), sample.traits()));
  maximization(moments_of(exact, full, r), s, full);
  return full;
}

}  // namespace detail_starts

MOLTSPAN_INLINE std::vector<Model> search(const Sample& sample, Structure s, const Model* previous, Effort effort) {
  const detail_starts::Line line = detail_starts::line_of(sample);
  const Structure on_line = detail_starts::on_a_line(s);
  std::vector<Model> models = detail_starts::starts_for(line, s, previous, effort != Effort::full);
  for (Model& model : models) run_em(line.cells, on_line, model, 4, 0);
  detail_starts::keep_best(models, effort == Effort::full ? 8 : 3);
  for (Model& model : models) run_em(line.cells, on_line, model, 12, 1e-3);
  // Starts that are this near to each other by now climb to one maximum.
  detail_starts::keep_best(models, effort != Effort::full ? 1 : s.spacing == Spacing::free ? 5 : 3, 0.02, 0.01);
  const double best = models.front().log_likelihood;
  std::erase_if(models, [&](const Model& model) { return model.log_likelihood < best - detail_starts::hopeless; });
  for (Model& model : models) {
    model = detail_starts::lifted_start(sample, s, line, on_line, model);
    if (effort != Effort::start) climb(sample, s, model, 3);
  }
  if (effort == Effort::start) return models;
  detail_starts::keep_best(models, models.size());
  if (!models.front().converged) climb(sample, s, models.front(), 30);
  detail_starts::keep_best(models, models.size());
  return models;
}

}  // namespace moltspan::instars
