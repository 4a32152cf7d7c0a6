#pragma once

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <cmath>
#include <limits>

#include "moltspan/config.hpp"
#include "moltspan/instars/impl/model.hpp"

namespace moltspan::instars {
namespace detail_newton {

/// First and second derivatives of one component's log density in its mean and spread; at most 3 + 6 of them.
using Slope = Eigen::Matrix<double, Eigen::Dynamic, 1, 0, 10, 1>;
using Bend = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, 0, 9, 9>;

inline Index spread_size(const Structure& s, Index traits) {
  return s.diagonal() || traits == 1 ? traits : traits * (traits + 1) / 2;
}

/// Traits independent: means, then log sds.
inline void diagonal_term(const Sample& sample, const Model& model, Index i, Index k, Slope& slope, Bend& bend) {
  const Index d = sample.traits();
  bend.setZero();
  for (Index j = 0; j < d; ++j) {
    const double precision = model.root[std::size_t(k)](j, j), mu = model.mean(k, j);
    if (sample.censored()) {
      const StadiumTerm t =
          stadium_term<NormalLaw>({sample.low(i, j), sample.high(i, j)}, mu, -std::log(precision));
      slope[j] = t.d_eta, slope[d + j] = t.d_s;
      bend(j, j) = t.d_eta_eta, bend(d + j, d + j) = t.d_s_s, bend(j, d + j) = bend(d + j, j) = t.d_eta_s;
    } else {
      const double z = (sample.y(i, j) - mu) * precision;
      slope[j] = z * precision, slope[d + j] = z * z - 1;
      bend(j, j) = -precision * precision, bend(d + j, d + j) = -2 * z * z;
      bend(j, d + j) = bend(d + j, j) = -2 * z * precision;
    }
  }
}

/// Full covariance: means, then the entries of L by column; log f = sum log L_jj - |L'(y - mu)|^2 / 2.
inline void full_term(const Sample& sample, const Model& model, Index i, Index k, Slope& slope, Bend& bend) {
  const Index d = sample.traits();
  const MatrixXd& root = model.root[std::size_t(k)];
  const VectorXd x = (sample.y.row(i) - model.mean.row(k)).transpose(), u = root.transpose() * x;
  bend.setZero();
  slope.head(d) = root * u;
  bend.topLeftCorner(d, d) = -root * root.transpose();
  Index at = d;
  for (Index b = 0; b < d; ++b) {
    for (Index a = b; a < d; ++a, ++at) {
      slope[at] = -x[a] * u[b] + (a == b ? 1 / root(a, a) : 0);
      for (Index c = b; c < d; ++c) bend(at, at - a + c) = -x[a] * x[c];
      if (a == b) bend(at, at) -= 1 / (root(a, a) * root(a, a));
      for (Index j = 0; j < d; ++j) bend(j, at) = bend(at, j) = (j == a ? u[b] : 0) + root(j, b) * x[a];
    }
  }
}

/// Columns: parameters; rows: by component its means, spreads and log weight.
inline MatrixXd component_map(const Structure& s, Index d) {
  const Index q = s.design.cols(), v = spread_size(s, d), instars = s.n_instars, m = d + v + 1;
  const Index spreads = s.spread == Spread::equal ? v : s.own_spreads() ? v * instars : 2 * v;
  MatrixXd map = MatrixXd::Zero(m * instars, q * d + spreads + instars);
  for (Index k = 0; k < instars; ++k) {
    for (Index j = 0; j < d; ++j) map.row(m * k + j).segment(q * j, q) = s.design.row(k);
    for (Index j = 0; j < v; ++j) {
      auto row = map.row(m * k + d + j).segment(q * d, spreads);
      if (s.spread == Spread::equal) row[j] = 1;
      if (s.own_spreads()) row[v * k + j] = 1;
      if (s.spread == Spread::linear) row[2 * j] = 1, row[2 * j + 1] = s.middle[k];
    }
    map(m * k + d + v, q * d + spreads + k) = 1;
  }
  return map;
}

inline VectorXd spreads_of(const Structure& s, const MatrixXd& root) {
  const Index d = root.rows();
  if (s.diagonal() || d == 1) return -root.diagonal().array().log();
  VectorXd v(spread_size(s, d));
  for (Index b = 0, at = 0; b < d; ++b)
    for (Index a = b; a < d; ++a) v[at++] = root(a, b);
  return v;
}

inline MatrixXd root_from(const Structure& s, Index d, const VectorXd& v) {
  MatrixXd root = MatrixXd::Zero(d, d);
  if (s.diagonal() || d == 1) {
    root.diagonal() = (-v.array()).exp();
    return root;
  }
  for (Index b = 0, at = 0; b < d; ++b)
    for (Index a = b; a < d; ++a) root(a, b) = v[at++];
  return root;
}

/// Observed information by Louis' identity (Louis 1982, JRSS B 44:226; from memory), by components; only those that
/// matter to a row.
struct Gathered {
  VectorXd gradient;
  MatrixXd hessian;
};

/// `M`: parameters of a component where that is known here, so that the small products are unrolled.
template <int M>
void add_row(double weight, const std::vector<Index>& active, const std::vector<Slope>& slope,
             const std::vector<Bend>& bend, const VectorXd& share, Index m, Gathered& all) {
  constexpr int N = M == Eigen::Dynamic ? Eigen::Dynamic : M - 1;
  for (std::size_t a = 0; a < active.size(); ++a) {
    const double r = weight * share[active[a]];
    auto block = all.hessian.template block<M, M>(m * active[a], m * active[a], m, m);
    const auto own = slope[a].template head<M>(m);
    all.gradient.template segment<M>(m * active[a], m) += r * own;
    block.template topLeftCorner<N, N>(m - 1, m - 1) += r * bend[a].template topLeftCorner<N, N>(m - 1, m - 1);
    block += (r * own).lazyProduct(own.transpose());
    for (std::size_t b = 0; b < active.size(); ++b)
      all.hessian.template block<M, M>(m * active[a], m * active[b], m, m) -=
          (r * share[active[b]] * own).lazyProduct(slope[b].template head<M>(m).transpose());
  }
}

inline Gathered gather(const Sample& sample, const Structure& s, const Model& model, const MatrixXd& responsibility) {
  const Index d = sample.traits(), m = d + spread_size(s, d) + 1, instars = s.n_instars;
  Gathered all{VectorXd::Zero(m * instars), MatrixXd::Zero(m * instars, m * instars)};
  const bool independent = s.diagonal() || d == 1;
  std::vector<Index> active;
  std::vector<Slope> slope(static_cast<std::size_t>(instars), Slope::Zero(m));
  std::vector<Bend> bend(static_cast<std::size_t>(instars), Bend::Zero(m - 1, m - 1));
  Slope part(m - 1);
  for (Index i = 0; i < sample.rows(); ++i) {
    active.clear();
    for (Index k = 0; k < instars; ++k) {
      if (responsibility(i, k) < 1e-15) continue;
      const std::size_t at = active.size();
      (independent ? diagonal_term : full_term)(sample, model, i, k, part, bend[at]);
      slope[at].head(m - 1) = part;
      slope[at][m - 1] = 1;
      active.push_back(k);
    }
    (m == 3 ? add_row<3> : add_row<Eigen::Dynamic>)(sample.count[i], active, slope, bend, responsibility.row(i), m,
                                                    all);
  }
  return all;
}

/// Parameters that a step may move: none of empty components, none at a floor, the largest weight as the reference.
inline std::vector<Index> free_parameters(const Structure& s, const Model& model, const MatrixXd& map, Index d) {
  const Index m = map.rows() / s.n_instars;
  Index reference = 0;
  model.weight.maxCoeff(&reference);
  std::vector<Index> result;
  for (Index p = 0; p < map.cols(); ++p) {
    const Index first_weight = map.cols() - s.n_instars;
    const bool is_spread = p >= s.design.cols() * d && p < first_weight;
    double reach = 0;
    bool held = false;
    for (Index k = 0; k < s.n_instars; ++k) {
      const double own = map.col(p).segment(m * k, m).cwiseAbs().sum();
      if (model.weight[k] > 0) reach += own;
      held = held || (own > 0 && is_spread && model.held[std::size_t(k)]);
    }
    if (reach > 0 && p != first_weight + reference && !held) result.push_back(p);
  }
  return result;
}

/// Newton's step on some of the parameters; where the curvature is not negative, along the clipped one.
inline VectorXd newton_step(const Slopes& at, const std::vector<Index>& free, double& decrement) {
  const VectorXd gradient = at.gradient(free);
  const MatrixXd curvature = -at.hessian(free, free);
  VectorXd move;
  const Eigen::LLT<MatrixXd> factor(curvature);
  if (factor.info() == Eigen::Success && factor.rcond() > 1e-14) {
    move = factor.solve(gradient);
  } else {
    const Eigen::SelfAdjointEigenSolver<MatrixXd> eigen(curvature);
    const double least = 1e-8 * eigen.eigenvalues().cwiseAbs().maxCoeff() + 1e-300;
    const VectorXd clipped = eigen.eigenvalues().cwiseAbs().cwiseMax(least);
    move = eigen.eigenvectors() * (eigen.eigenvectors().transpose() * gradient).cwiseQuotient(clipped);
  }
  decrement = gradient.dot(move);
  VectorXd full = VectorXd::Zero(at.gradient.size());
  full(free) = move;
  return full;
}

inline bool usable(const Structure& s, const Model& model) {
  for (const MatrixXd& root : model.root)
    if (!(root.diagonal().array() > 0).all() || !root.allFinite() || under_floor(root, s)) return false;
  return model.mean.allFinite();
}

/// Halves the step until the log-likelihood rises; false where it does not.
inline bool take_step(const Sample& sample, const Structure& s, const VectorXd& move, Model& model) {
  const VectorXd from = parameters_of(s, model);
  const VectorXd weight_moves = move.tail(s.n_instars);
  double length = std::min(1.0, 2 / std::max(1e-300, weight_moves.cwiseAbs().maxCoeff()));
  MatrixXd r;
  for (int half = 0; half < 12; ++half, length /= 2) {
    Model next = model_of(s, model, from + length * move);
    if (!usable(s, next)) continue;
    next.log_likelihood = expectation(sample, s, next, r);
    if (!(next.log_likelihood >= model.log_likelihood - 1e-11 * std::abs(model.log_likelihood))) continue;
    model = std::move(next);
    return true;
  }
  return false;
}

inline bool run_newton(const Sample& sample, const Structure& s, Model& model, int most) {
  const MatrixXd map = component_map(s, sample.traits());
  for (int step = 0; step < most; ++step) {
    const Slopes at = slopes(sample, s, model);
    model.log_likelihood = at.log_likelihood;
    const VectorXd move = newton_step(at, free_parameters(s, model, map, sample.traits()), model.decrement);
    if (!std::isfinite(model.decrement)) return false;
    const bool last = std::abs(model.decrement) < 1e-9;
    if (!take_step(sample, s, move, model)) return last;
    ++model.newton_steps;
    if (last) return true;
  }
  return false;
}

/// Mean of f_k / f over the animals, were the weights under `least` 0: over 1 where a component should have weight.
inline VectorXd weight_pull(const Sample& sample, const Structure& s, const Model& model, double least) {
  Model without = model;
  for (double& weight : without.weight)
    if (weight < least) weight = 1e-12;
  MatrixXd r;
  expectation(sample, s, without, r);
  return (r.transpose() * sample.count).cwiseQuotient(without.weight) / sample.n;
}

/// Weights whose best value is 0 are set to it, so that Newton has a smooth way; true where one was.
inline bool drop_vanishing(const Sample& sample, const Structure& s, Model& model, double animals) {
  const double least = animals / sample.n;
  if ((model.weight.array() > 0 && model.weight.array() < least).count() == 0) return false;
  const VectorXd pull = weight_pull(sample, s, model, least);
  bool dropped = false;
  for (Index k = 0; k < pull.size(); ++k)
    if (model.weight[k] > 0 && model.weight[k] < least && pull[k] < 1) model.weight[k] = 0, dropped = true;
  model.weight /= model.weight.sum();
  return dropped;
}

/// Gives weight back to components that were dropped too early; true where one was.
inline bool revive(const Sample& sample, const Structure& s, Model& model) {
  if ((model.weight.array() > 0).all()) return false;
  const VectorXd pull = weight_pull(sample, s, model, 1e-12);
  bool revived = false;
  for (Index k = 0; k < pull.size(); ++k)
    if (model.weight[k] == 0 && pull[k] > 1 + 1e-7) model.weight[k] = 0.2 / sample.n, revived = true;
  model.weight /= model.weight.sum();
  return revived;
}

}  // namespace detail_newton

MOLTSPAN_INLINE VectorXd parameters_of(const Structure& s, const Model& model) {
  const Index d = model.mean.cols(), q = s.design.cols(), v = detail_newton::spread_size(s, d);
  const MatrixXd map = detail_newton::component_map(s, d);
  VectorXd result = VectorXd::Zero(map.cols());
  const MatrixXd beta = (s.design.transpose() * s.design).eval().llt().solve(s.design.transpose() * model.mean);
  result.head(q * d) = beta.reshaped();
  for (Index k = 0; k < s.n_instars; ++k) {
    const VectorXd own = detail_newton::spreads_of(s, model.root[std::size_t(k)]);
    if (s.spread == Spread::equal && k == 0) result.segment(q * d, v) = own;
    if (s.own_spreads()) result.segment(q * d + v * k, v) = own;
    result[map.cols() - s.n_instars + k] = std::log(model.weight[k]);
  }
  if (s.spread == Spread::linear) {
    const VectorXd low = detail_newton::spreads_of(s, model.root.front()), high = detail_newton::spreads_of(s, model.root.back());
    const double from = s.middle[0], to = s.middle[s.n_instars - 1];
    for (Index j = 0; j < v; ++j) {
      const double slope = (high[j] - low[j]) / (to - from);
      result[q * d + 2 * j] = low[j] - slope * from, result[q * d + 2 * j + 1] = slope;
    }
  }
  return result;
}

MOLTSPAN_INLINE Model model_of(const Structure& s, const Model& like, const VectorXd& parameters) {
  const Index d = like.mean.cols(), q = s.design.cols(), v = detail_newton::spread_size(s, d);
  Model model = like;
  model.mean = s.design * parameters.head(q * d).reshaped(q, d);
  for (Index k = 0; k < s.n_instars; ++k) {
    VectorXd own = parameters.segment(q * d + (s.own_spreads() ? v * k : 0), v);
    if (s.spread == Spread::linear)
      for (Index j = 0; j < v; ++j) own[j] = parameters[q * d + 2 * j] + parameters[q * d + 2 * j + 1] * s.middle[k];
    model.root[std::size_t(k)] = detail_newton::root_from(s, d, own);
  }
  const VectorXd logs = parameters.tail(s.n_instars);
  model.weight = (logs.array() - logs.maxCoeff()).exp();
  model.weight = (like.weight.array() > 0).select(model.weight, 0.0);  // Eigen's exp(-inf) is not quite 0
  model.weight /= model.weight.sum();
  return model;
}

MOLTSPAN_INLINE Slopes slopes(const Sample& sample, const Structure& s, const Model& model) {
  MatrixXd r;
  Slopes result;
  result.log_likelihood = expectation(sample, s, model, r);
  const detail_newton::Gathered all = detail_newton::gather(sample, s, model, r);
  const MatrixXd map = detail_newton::component_map(s, sample.traits());
  result.gradient = map.transpose() * all.gradient;
  result.hessian = map.transpose() * all.hessian * map;
  const VectorXd& w = model.weight;
  result.gradient.tail(w.size()) -= sample.n * w;
  result.hessian.bottomRightCorner(w.size(), w.size()) -= sample.n * (MatrixXd(w.asDiagonal()) - w * w.transpose());
  return result;
}

MOLTSPAN_INLINE MatrixXd parameter_covariance(const Sample& sample, const Structure& s, const Model& model) {
  const MatrixXd map = detail_newton::component_map(s, sample.traits());
  const std::vector<Index> free = detail_newton::free_parameters(s, model, map, sample.traits());
  const Slopes at = slopes(sample, s, model);
  MatrixXd result = MatrixXd::Constant(map.cols(), map.cols(), std::numeric_limits<double>::quiet_NaN());
  const MatrixXd curvature = -at.hessian(free, free);
  const Eigen::LLT<MatrixXd> factor(curvature);
  if (factor.info() == Eigen::Success && factor.rcond() > 1e-14)
    result(free, free) = MatrixXd(factor.solve(MatrixXd::Identity(curvature.rows(), curvature.rows())));
  return result;
}

MOLTSPAN_INLINE void climb(const Sample& sample, const Structure& s, Model& model, int rounds) {
  int em_steps = 12;
  double negligible = 0.05;  // animals; once a component was dropped too early, far fewer
  for (int round = 0; round < rounds && !model.converged; ++round, em_steps = std::min(2 * em_steps, 800)) {
    run_em(sample, s, model, em_steps, 1e-12);
    detail_newton::drop_vanishing(sample, s, model, negligible);
    if (!detail_newton::run_newton(sample, s, model, 25)) continue;
    const bool revived = detail_newton::revive(sample, s, model);
    if (revived) negligible = 1e-6;
    model.converged = !revived && !detail_newton::drop_vanishing(sample, s, model, negligible);
    if (!model.converged || !model.at_floor()) continue;
    const double before = model.log_likelihood;  // held spreads: done when EM no longer moves them
    run_em(sample, s, model, 1, 0);
    model.converged = std::abs(model.log_likelihood - before) < 1e-9;
  }
}

}  // namespace moltspan::instars
