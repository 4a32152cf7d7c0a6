#include <Eigen/SparseCholesky>
#include <Eigen/SparseCore>
#include <algorithm>
#include <cmath>
#include <limits>

#include "nonparametric/support.hpp"

// The log-likelihood of the cumulative hazards H is concave (methods in the header). Newton's matrix is the Laplacian
// of a graph whose nodes are the distinct values of H and whose edges are the interval-censored records.
namespace moltspan::nonparametric {
namespace {

using Vector = std::vector<double>;

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr double aim = 2e-12;    ///< gap at which the search stops; rounding leaves about 1e-14
constexpr int most_steps = 200;  ///< Newton steps; about ten are usual
constexpr int convex_minorants = 30;

/// Cumulative hazards H with their rises, which keep the digits that differences of H lose.
struct Hazards {
  Vector rise;  ///< H_(j + 1) - H_j
  Vector h;     ///< H_0 = 0, ..., H_(m - 1)

  explicit Hazards(Vector rises) : rise(std::move(rises)), h(rise.size() + 1, 0.0) {
    for (std::size_t j = 0; j < rise.size(); ++j) h[j + 1] = h[j] + rise[j];
  }

  /// H after the cell less H before it.
  double within(const Cell& c) const { return c.first == c.last ? rise[c.first] : h[c.last + 1] - h[c.first]; }
};

class Problem {
 public:
  Problem(const std::vector<Cell>& cells, int m) : cells_(cells), m_(m) {
    for (const Cell& c : cells_) {
      total_ += c.weight;
      late_ = late_ || c.entry > 0;
    }
  }

  int size() const { return m_; }
  double total() const { return total_; }

  double log_likelihood(const Hazards& x) const {
    double sum = 0;
    for (const Cell& c : cells_) {
      sum += c.weight * (x.h[c.entry] - x.h[c.first]);
      if (c.last + 1 < m_) sum += c.weight * std::log(-std::expm1(-x.within(c)));
    }
    return sum;
  }

  /// First derivatives in H_1 .. H_(m - 1), at their index.
  Vector gradient(const Hazards& x) const {
    Vector g(m_, 0.0);
    for (const Cell& c : cells_) {
      g[c.entry] += c.weight;
      g[c.first] -= c.weight;
      if (c.last + 1 >= m_) continue;
      const double pull = c.weight / std::expm1(x.within(c));
      g[c.first] -= pull;
      g[c.last + 1] += pull;
    }
    return g;
  }

  /// -d2/dx2 of log(1 - exp(-x)).
  static double curvature(double x) {
    const double s = 2 * std::sinh(x / 2);
    return 1 / (s * s);
  }

  Vector diagonal(const Hazards& x) const {
    Vector w(m_, 0.0);
    for (const Cell& c : cells_) {
      if (c.last + 1 >= m_) continue;
      const double k = c.weight * curvature(x.within(c));
      w[c.first] += k;
      w[c.last + 1] += k;
    }
    return w;
  }

  /// D_j of the header over the total weight: gain per unit of mass moved to interval j.
  Vector gains(const Hazards& x) const {
    const Vector& h = x.h;
    Vector change(m_ + 1, 0.0);
    for (const Cell& c : cells_) {
      const double inside = std::exp(h[c.first]) / (c.last + 1 < m_ ? -std::expm1(-x.within(c)) : 1);
      change[c.first] += c.weight * inside;
      change[c.last + 1] -= c.weight * inside;
      change[c.entry] -= c.weight * std::exp(h[c.entry]);
    }
    double sum = 0;
    for (int j = 0; j < m_; ++j) {
      sum += change[j];
      change[j] = sum / total_ * (late_ ? std::exp(-h[j]) : 1);
    }
    change.pop_back();
    return change;
  }

  const std::vector<Cell>& cells() const { return cells_; }

 private:
  const std::vector<Cell>& cells_;
  int m_;
  double total_ = 0;
  bool late_ = false;
};

Vector masses(const Hazards& x) {
  Vector p(x.h.size());
  for (std::size_t j = 0; j < x.rise.size(); ++j) p[j] = -std::exp(-x.h[j]) * std::expm1(-x.rise[j]);
  p.back() = std::exp(-x.h.back());
  return p;
}

/// One step of self-consistency from equal masses, entries ignored.
Hazards start(const Problem& problem) {
  const int m = problem.size();
  Vector p(m + 1, 0.0);
  for (const Cell& c : problem.cells()) {
    const double share = c.weight / (c.last - c.first + 1);
    p[c.first] += share;
    p[c.last + 1] -= share;
  }
  for (int j = 1; j < m; ++j) p[j] += p[j - 1];
  for (int j = 0; j < m; ++j) p[j] = std::max(p[j], 1e-6 * problem.total() / m);  // cancellation must not leave a 0
  Vector rise(m - 1);
  double tail = p[m - 1];
  for (int j = m - 2; j >= 0; --j) {
    tail += p[j];
    rise[j] = -std::log1p(-p[j] / tail);
  }
  return Hazards(std::move(rise));
}

/// Weighted least-squares fit of rising values (pool adjacent violators), not below 0.
Vector rising(const Vector& target, const Vector& weight) {
  struct Pool {
    double sum, weight;
    int count;
    double mean() const { return sum / weight; }
  };
  std::vector<Pool> pools;
  for (std::size_t j = 0; j < target.size(); ++j) {
    pools.push_back({target[j] * weight[j], weight[j], 1});
    while (pools.size() > 1 && pools[pools.size() - 2].mean() >= pools.back().mean()) {
      const Pool last = pools.back();
      pools.pop_back();
      pools.back() = {pools.back().sum + last.sum, pools.back().weight + last.weight, pools.back().count + last.count};
    }
  }
  Vector fit;
  fit.reserve(target.size());
  for (const Pool& pool : pools) fit.insert(fit.end(), pool.count, std::max(0.0, pool.mean()));
  return fit;
}

/// The longest of the steps 1, 1/2, 1/4 ... to the rises `goal` that does not lose; false where none does.
bool advance(const Problem& problem, Hazards& x, double& value, const Vector& goal) {
  Vector next(goal.size());
  for (double step = 1; step > 1e-9; step /= 2) {
    for (std::size_t j = 0; j < goal.size(); ++j)
      next[j] = step == 1 ? goal[j] : x.rise[j] + step * (goal[j] - x.rise[j]);
    Hazards reached(next);
    const double found = problem.log_likelihood(reached);
    if (!(found >= value)) continue;
    const bool moved = found > value;
    x = std::move(reached);
    value = found;
    return moved;
  }
  return false;
}

/// Iterated convex minorant (Groeneboom & Wellner 1992; step halving: Jongbloed 1998).
bool convex_minorant_step(const Problem& problem, Hazards& x, double& value) {
  const Vector g = problem.gradient(x), w = problem.diagonal(x);
  Vector target(x.rise.size()), weight(x.rise.size());
  for (std::size_t j = 0; j < target.size(); ++j) {
    weight[j] = std::max({w[j + 1], std::abs(g[j + 1]), 1e-12 * problem.total()});
    target[j] = x.h[j + 1] + g[j + 1] / weight[j];
  }
  Vector goal = rising(target, weight);
  for (std::size_t j = goal.size(); j-- > 1;) goal[j] -= goal[j - 1];
  return advance(problem, x, value, goal);
}

/// Steps of H that Newton's method may take: intervals with a hazard above 0, and in each gap between those the one
/// with the largest gain.
std::vector<int> active(const Hazards& x, const Vector& gain, double tolerance) {
  std::vector<int> result;
  int best = -1;
  const int m = static_cast<int>(x.h.size());
  const auto close = [&] {
    if (best >= 0) result.push_back(best);
    best = -1;
  };
  for (int j = 0; j + 1 < m; ++j) {
    if (x.rise[j] > 0) {
      close();
      result.push_back(j);
    } else if (gain[j] > tolerance && (best < 0 || gain[j] > gain[best])) {
      best = j;
    }
  }
  close();
  return result;
}

/// Newton's model on the active steps. Node q = value of H after q of them; node 0 is the fixed 0.
class Model {
 public:
  Model(const Problem& problem, const Hazards& x, const std::vector<int>& steps) : steps_(steps), size_(x.rise.size()) {
    for (const int step : steps) rise_.push_back(x.rise[step]);
    std::vector<int> node(x.h.size(), 0);
    for (std::size_t j = 0, q = 0; j < node.size(); ++j) {
      node[j] = static_cast<int>(q);
      if (q < steps.size() && steps[q] == static_cast<int>(j)) ++q;
    }
    gather(problem, x, node);
  }

  /// Rises that maximize the model; steps that would fall are closed, round by round.
  Vector best() const {
    std::vector<char> open(rise_.size(), 1);
    Vector rises = rise_;
    for (int round = 0; round < 50; ++round) {
      rises = solve(open);
      bool fell = false;
      for (std::size_t q = 0; q < rises.size(); ++q) {
        fell = fell || (open[q] && rises[q] <= 0);
        if (rises[q] <= 0) open[q] = 0;
      }
      if (!fell) break;
    }
    Vector all(size_, 0.0);
    for (std::size_t q = 0; q < rises.size(); ++q) all[steps_[q]] = std::max(0.0, rises[q]);
    return all;
  }

 private:
  struct Edge {
    int from, to;
    double curvature;
  };

  void gather(const Problem& problem, const Hazards& x, const std::vector<int>& node) {
    slope_.assign(rise_.size() + 1, 0.0);
    const Vector g = problem.gradient(x);
    for (std::size_t j = 0; j < node.size(); ++j) slope_[node[j]] += g[j];
    const double ridge = 1e-9 * problem.total();  // keeps steps that nothing curves within reach
    for (std::size_t q = 0; q < rise_.size(); ++q)
      edges_.push_back({static_cast<int>(q), static_cast<int>(q) + 1, ridge});
    for (const Cell& c : problem.cells()) {
      if (c.last + 1 >= problem.size()) continue;
      edges_.push_back({node[c.first], node[c.last + 1], c.weight * Problem::curvature(x.within(c))});
    }
    join_edges();
  }

  void join_edges() {
    const auto key = [](const Edge& e) { return std::pair{e.from, e.to}; };
    std::sort(edges_.begin(), edges_.end(), [&](const Edge& x, const Edge& y) {
      return key(x) != key(y) ? key(x) < key(y) : x.curvature < y.curvature;
    });
    std::vector<Edge> joined;
    for (const Edge& e : edges_) {
      if (!joined.empty() && key(joined.back()) == key(e))
        joined.back().curvature += e.curvature;
      else
        joined.push_back(e);
    }
    edges_ = std::move(joined);
  }

  /// Rises at the maximum of the model with the steps that are not open at 0. Solved for the change, so that a small
  /// change of a small rise keeps its digits.
  Vector solve(const std::vector<char>& open) const {
    const std::size_t k = open.size();
    std::vector<int> merged(k + 1, 0);
    Vector closed(k + 1, 0.0);
    for (std::size_t q = 0; q < k; ++q) {
      merged[q + 1] = merged[q] + open[q];
      closed[q + 1] = closed[q] + (open[q] ? 0 : rise_[q]);
    }
    Vector rises(k, 0.0);
    const int unknowns = merged[k];
    if (unknowns == 0) return rises;
    const Eigen::VectorXd change = solve_change(merged, closed, unknowns);
    for (std::size_t q = 0; q < k; ++q)
      if (open[q]) rises[q] = rise_[q] + change[merged[q + 1]] - change[merged[q]];
    return rises;
  }

  Eigen::VectorXd solve_change(const std::vector<int>& merged, const Vector& closed, int unknowns) const {
    Eigen::VectorXd right = Eigen::VectorXd::Zero(unknowns + 1);
    std::vector<Eigen::Triplet<double>> entries;
    entries.reserve(3 * edges_.size());
    for (std::size_t q = 0; q < merged.size(); ++q) right[merged[q]] += slope_[q];
    for (const Edge& e : edges_) {
      const int a = merged[e.from], b = merged[e.to];
      if (a == b) continue;
      const double flow = e.curvature * (closed[e.from] - closed[e.to]);
      right[a] += flow, right[b] -= flow;
      if (a > 0) entries.emplace_back(a - 1, a - 1, e.curvature);
      entries.emplace_back(b - 1, b - 1, e.curvature);
      if (a > 0) entries.emplace_back(b - 1, a - 1, -e.curvature);
    }
    Eigen::SparseMatrix<double> matrix(unknowns, unknowns);
    matrix.setFromTriplets(entries.begin(), entries.end());
    const Eigen::SimplicialLDLT<Eigen::SparseMatrix<double>> factor(matrix);
    Eigen::VectorXd change(unknowns + 1);
    change << 0, factor.solve(right.tail(unknowns));
    return change;
  }

  const std::vector<int>& steps_;
  std::size_t size_;
  Vector rise_, slope_;
  std::vector<Edge> edges_;
};

/// What is left to gain: the largest gain, and the largest |gain| x mass.
void measure(const Problem& problem, const Hazards& x, const Vector& gain, Solution& solution) {
  const Vector p = masses(x);
  solution.gap = solution.support_gap = 0;
  for (int j = 0; j < problem.size(); ++j) {
    solution.gap = std::max(solution.gap, gain[j]);
    solution.support_gap = std::max(solution.support_gap, std::abs(gain[j]) * p[j]);
  }
}

double worst(const Solution& solution) { return std::max(solution.gap, solution.support_gap); }

/// A Newton step; near the maximum, where the value no longer tells, one that lowers the gap.
bool newton_step(const Problem& problem, Hazards& x, double& value, const Vector& gain, const Solution& before) {
  const std::vector<int> steps = active(x, gain, aim / 4);
  const Vector goal = Model(problem, x, steps).best();
  if (before.gap < 1e-6) {
    Hazards reached(goal);
    const double found = problem.log_likelihood(reached);
    Solution after;
    measure(problem, reached, problem.gains(reached), after);
    if (found >= value - 1e-12 * std::abs(value) && worst(after) < worst(before)) {
      x = std::move(reached);
      value = found;
      return true;
    }
  }
  return advance(problem, x, value, goal);
}

}  // namespace

Solution solve_hazards(const std::vector<Cell>& cells, int m) {
  const Problem problem(cells, m);
  Solution solution;
  Hazards x = start(problem);
  double value = problem.log_likelihood(x);
  const auto look = [&] {
    Vector gain = problem.gains(x);
    measure(problem, x, gain, solution);
    return gain;
  };
  for (int i = 0; m > 1 && i < convex_minorants && convex_minorant_step(problem, x, value); ++i) ++solution.iterations;
  Vector gain = look();
  for (int step = 0; m > 1 && step < most_steps && worst(solution) > aim; ++step) {
    ++solution.iterations;
    const bool newton = newton_step(problem, x, value, gain, solution);
    const bool minorant = (solution.gap > 1e-6 || !newton) && convex_minorant_step(problem, x, value);
    gain = look();
    if (!newton && !minorant) break;
  }
  solution.hazard_rise = std::move(x.rise);
  return solution;
}

}  // namespace moltspan::nonparametric
