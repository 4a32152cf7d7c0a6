#pragma once

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <cmath>
#include <limits>

#include "moltspan/config.hpp"
#include "moltspan/instars/impl/model.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan::instars {
namespace detail_em {

inline constexpr double infinity = std::numeric_limits<double>::infinity();

/// Log of weight and density of every component, by row.
inline void log_densities(const Sample& sample, const Model& model, MatrixXd& out) {
  const Index d = sample.traits();
  out.resize(sample.rows(), model.weight.size());
  for (Index k = 0; k < model.weight.size(); ++k) {
    const MatrixXd& root = model.root[std::size_t(k)];
    const double constant =
        std::log(model.weight[k]) + root.diagonal().array().log().sum() - double(d) * numeric::log_sqrt_2pi;
    if (d == 1)
      out.col(k).array() = constant - 0.5 * ((sample.y.col(0).array() - model.mean(k, 0)) * root(0, 0)).square();
    else
      out.col(k) =
          (-0.5 * ((sample.y.rowwise() - model.mean.row(k)) * root).rowwise().squaredNorm()).array() + constant;
  }
}

/// The same for sizes read to a step: log of weight and mass of the step, traits independent.
inline void log_masses(const Sample& sample, const Model& model, MatrixXd& out) {
  out.resize(sample.rows(), model.weight.size());
  for (Index k = 0; k < model.weight.size(); ++k) {
    out.col(k).setConstant(std::log(model.weight[k]));
    if (model.weight[k] == 0) continue;
    for (Index j = 0; j < sample.traits(); ++j) {
      const double log_sd = -std::log(model.root[std::size_t(k)](j, j));
      for (Index i = 0; i < sample.rows(); ++i)
        out(i, k) +=
            stadium_term<NormalLaw>({sample.low(i, j), sample.high(i, j)}, model.mean(k, j), log_sd).value;
    }
  }
}

/// Turns log densities into responsibilities; animals of known instar belong to it alone.
inline double normalise(const Sample& sample, int first, MatrixXd& p) {
  const VectorXd top = p.rowwise().maxCoeff();
  VectorXd own = top;
  for (Index i = 0; i < sample.rows(); ++i)
    if (sample.label[std::size_t(i)] != instar_not_known) own[i] = p(i, sample.label[std::size_t(i)] - first);
  VectorXd total = VectorXd::Zero(p.rows());
  for (Index k = 0; k < p.cols(); ++k) {  // by column, so that exp takes several rows at once
    if (p(0, k) == -infinity)
      p.col(k).setZero();  // no weight; Eigen's exp(-inf) is not quite 0
    else
      p.col(k).array() = (p.col(k) - top).array().exp();
    total += p.col(k);
  }
  VectorXd value = top.array() + total.array().log();
  p.array().colwise() /= total.array();
  for (Index i = 0; i < sample.rows(); ++i) {
    const int label = sample.label[std::size_t(i)];
    if (label == instar_not_known) continue;
    value[i] = own[i];
    p.row(i).setZero();
    p(i, label - first) = 1;
  }
  return sample.count.dot(value);
}

inline Moments exact_moments(const Sample& sample, const MatrixXd& r) {
  const Index instars = r.cols();
  Moments m;
  m.count = r.transpose() * sample.count;
  const MatrixXd weighted = sample.y.array().colwise() * sample.count.array();
  m.sum = r.transpose() * weighted;
  m.product.resize(std::size_t(instars));
  for (Index k = 0; k < instars; ++k)
    m.product[std::size_t(k)] = sample.y.transpose() * (weighted.array().colwise() * r.col(k).array()).matrix();
  return m;
}

/// Given its step and its instar a log size has mean mu + s^2 d/dmu and mean square deviation s^2 (1 + d/dlog s)
/// (Fisher's identity).
inline Moments censored_moments(const Sample& sample, const Model& model, const MatrixXd& r) {
  const Index d = sample.traits(), instars = r.cols();
  Moments m{r.transpose() * sample.count, MatrixXd::Zero(instars, d),
            std::vector<MatrixXd>(std::size_t(instars), MatrixXd::Zero(d, d))};
  for (Index k = 0; k < instars; ++k)
    for (Index j = 0; j < d; ++j) {
      const double mu = model.mean(k, j), sd = 1 / model.root[std::size_t(k)](j, j);
      for (Index i = 0; i < sample.rows(); ++i) {
        const double w = sample.count[i] * r(i, k);
        if (w < 1e-14) continue;
        const StadiumTerm t = stadium_term<NormalLaw>({sample.low(i, j), sample.high(i, j)}, mu, std::log(sd));
        const double away = sd * sd * t.d_eta;
        m.sum(k, j) += w * (mu + away);
        m.product[std::size_t(k)](j, j) += w * (sd * sd * (1 + t.d_s) + 2 * mu * away + mu * mu);
      }
    }
  return m;
}

inline MatrixXd scatter(const Moments& m, const MatrixXd& mean, Index k) {
  const MatrixXd cross = m.sum.row(k).transpose() * mean.row(k);
  return m.product[std::size_t(k)] - cross - cross.transpose() + m.count[k] * mean.row(k).transpose() * mean.row(k);
}

/// Weighted least squares of the component sums on the design; with own covariances the traits are joined.
inline MatrixXd joint_means(const Moments& m, const Structure& s, const Model& model) {
  const Index d = m.sum.cols(), q = s.design.cols();
  MatrixXd left = MatrixXd::Zero(d * q, d * q);
  VectorXd right = VectorXd::Zero(d * q);
  for (Index k = 0; k < m.count.size(); ++k) {
    const MatrixXd& root = model.root[std::size_t(k)];
    const MatrixXd precision = root * root.transpose();
    const VectorXd z = s.design.row(k), target = precision * m.sum.row(k).transpose();
    for (Index a = 0; a < d; ++a) {
      right.segment(a * q, q) += z * target[a];
      for (Index b = 0; b < d; ++b) left.block(a * q, b * q, q, q) += m.count[k] * precision(a, b) * z * z.transpose();
    }
  }
  const VectorXd beta = left.ldlt().solve(right);
  return s.design * beta.reshaped(q, d);
}

inline MatrixXd shared_means(const Moments& m, const Structure& s) {
  const MatrixXd left = s.design.transpose() * m.count.asDiagonal() * s.design, right = s.design.transpose() * m.sum;
  const Eigen::LLT<MatrixXd> factor(left);
  if (factor.info() == Eigen::Success && factor.rcond() > 1e-13) return s.design * factor.solve(right);
  const MatrixXd firm = left + 1e-10 * left.trace() * MatrixXd::Identity(left.rows(), left.cols());
  return s.design * firm.ldlt().solve(right);
}

inline MatrixXd new_means(const Moments& m, const Structure& s, const Model& model) {
  if (s.spacing == Spacing::free) {
    MatrixXd mean = model.mean;
    for (Index k = 0; k < mean.rows(); ++k)
      if (m.count[k] > 1e-9) mean.row(k) = m.sum.row(k) / m.count[k];
    return mean;
  }
  return s.spread == Spread::equal ? shared_means(m, s) : joint_means(m, s, model);
}

/// Raises the eigenvalues of a covariance to `least` where they are under it.
inline MatrixXd raised_to_floor(const MatrixXd& covariance, double least, bool& lifts) {
  if (covariance.rows() == 1) {
    lifts = lifts || covariance(0, 0) < least;
    return MatrixXd::Constant(1, 1, std::max(covariance(0, 0), least));
  }
  const Eigen::SelfAdjointEigenSolver<MatrixXd> eigen(covariance);
  if (eigen.eigenvalues().minCoeff() >= least) return covariance;
  lifts = true;
  return eigen.eigenvectors() * eigen.eigenvalues().cwiseMax(least).asDiagonal() * eigen.eigenvectors().transpose();
}

/// The same against the common covariance of equal spread.
inline MatrixXd above_floor(const MatrixXd& covariance, const Structure& s, bool& lifts) {
  const MatrixXd plain = raised_to_floor(covariance, s.least_sd * s.least_sd, lifts);
  if (s.common.size() == 0 || !s.own_spreads()) return plain;
  const MatrixXd root = root_of(s.common);
  const MatrixXd scaled = raised_to_floor(root.transpose() * plain * root, s.spread_floor * s.spread_floor, lifts);
  const MatrixXd back =
      root.transpose().triangularView<Eigen::Upper>().solve(MatrixXd::Identity(root.rows(), root.rows()));
  return back * scaled * back.transpose();
}

inline MatrixXd shaped(const MatrixXd& covariance, const Structure& s) {
  return s.diagonal() ? MatrixXd(covariance.diagonal().asDiagonal()) : covariance;
}

inline void equal_spread(const Moments& m, const Structure& s, Model& model) {
  MatrixXd pooled = MatrixXd::Zero(m.sum.cols(), m.sum.cols());
  for (Index k = 0; k < m.count.size(); ++k) pooled += scatter(m, model.mean, k);
  bool lifts = false;
  const MatrixXd root = root_of(above_floor(shaped(pooled / m.count.sum(), s), s, lifts));
  for (MatrixXd& each : model.root) each = root;
  model.held.assign(model.root.size(), lifts);
}

inline void own_spread(const Moments& m, const Structure& s, Model& model) {
  for (Index k = 0; k < m.count.size(); ++k) {
    if (m.count[k] < 1e-9) continue;
    const MatrixXd own = scatter(m, model.mean, k) / m.count[k];
    bool lifts = false;
    model.root[std::size_t(k)] = root_of(above_floor(shaped(own, s), s, lifts));
    model.held[std::size_t(k)] = lifts;
  }
}

/// One trait's log sd, l0 + l1 (instar - middle): Newton on the concave expected log-likelihood.
inline void linear_spread(const Moments& m, const Structure& s, Index trait, Model& model) {
  const VectorXd& middle = s.middle;
  Eigen::Vector2d line(0, 0);
  VectorXd square(m.count.size());
  for (Index k = 0; k < square.size(); ++k) square[k] = scatter(m, model.mean, k)(trait, trait);
  line[0] = 0.5 * std::log(std::max(square.sum() / m.count.sum(), s.least_sd * s.least_sd));
  for (int step = 0; step < 30; ++step) {
    Eigen::Vector2d gradient(0, 0);
    Eigen::Matrix2d hessian = Eigen::Matrix2d::Identity() * -1e-9;
    for (Index k = 0; k < square.size(); ++k) {
      const Eigen::Vector2d z(1, middle[k]);
      const double ratio = square[k] * std::exp(-2 * z.dot(line));
      gradient += z * (ratio - m.count[k]);
      hessian -= z * z.transpose() * 2 * ratio;
    }
    Eigen::Vector2d move = -hessian.ldlt().solve(gradient);
    move *= std::min(1.0, 1 / std::max(1e-300, move.cwiseAbs().maxCoeff()));
    line += move;
    if (move.cwiseAbs().maxCoeff() < 1e-12) break;
  }
  for (Index k = 0; k < square.size(); ++k) {
    const double sd = std::max(s.least_sd, std::exp(line[0] + line[1] * middle[k]));
    model.root[std::size_t(k)](trait, trait) = 1 / sd;
  }
}

}  // namespace detail_em

MOLTSPAN_INLINE MatrixXd covariance_of(const MatrixXd& root) {
  const MatrixXd inverse =
      root.transpose().triangularView<Eigen::Upper>().solve(MatrixXd::Identity(root.rows(), root.rows()));
  return inverse * inverse.transpose();
}

MOLTSPAN_INLINE MatrixXd root_of(const MatrixXd& covariance) {
  if (covariance.rows() == 1) return MatrixXd::Constant(1, 1, 1 / std::sqrt(covariance(0, 0)));
  const MatrixXd precision = covariance.llt().solve(MatrixXd::Identity(covariance.rows(), covariance.rows()));
  return Eigen::LLT<MatrixXd>(precision).matrixL();
}

MOLTSPAN_INLINE bool under_floor(const MatrixXd& root, const Structure& s) {
  bool lifts = false;
  Structure slack = s;  // a spread held at its floor must not count as under it
  slack.least_sd *= 1 - 1e-9, slack.spread_floor *= 1 - 1e-9;
  detail_em::above_floor(covariance_of(root), slack, lifts);
  return lifts;
}

MOLTSPAN_INLINE double expectation(const Sample& sample, const Structure& structure, const Model& model, MatrixXd& responsibility) {
  if (sample.censored())
    detail_em::log_masses(sample, model, responsibility);
  else
    detail_em::log_densities(sample, model, responsibility);
  return detail_em::normalise(sample, structure.first, responsibility);
}

MOLTSPAN_INLINE Moments moments_of(const Sample& sample, const Model& model, const MatrixXd& responsibility) {
  return sample.censored() ? detail_em::censored_moments(sample, model, responsibility) : detail_em::exact_moments(sample, responsibility);
}

MOLTSPAN_INLINE void maximization(const Moments& moments, const Structure& structure, Model& model) {
  model.weight = moments.count / moments.count.sum();
  model.weight = (model.weight.array() > 1e-100).select(model.weight, 0.0);  // Eigen's exp(-inf) is not quite 0
  model.mean = detail_em::new_means(moments, structure, model);
  model.held.assign(model.root.size(), 0);
  if (structure.spread == Spread::equal) return detail_em::equal_spread(moments, structure, model);
  if (structure.own_spreads()) return detail_em::own_spread(moments, structure, model);
  for (Index j = 0; j < moments.sum.cols(); ++j) detail_em::linear_spread(moments, structure, j, model);
}

MOLTSPAN_INLINE void run_em(const Sample& sample, const Structure& structure, Model& model, int most, double tolerance) {
  const bool may = may_be_even(sample, structure);
  MatrixXd r;
  Moments moments;
  double before = -detail_em::infinity;
  for (int step = 0; step <= most; ++step) {
    const auto even = may ? even_expectation(sample, model, moments) : std::nullopt;
    model.log_likelihood = even ? *even : expectation(sample, structure, model, r);
    if (step == most || std::abs(model.log_likelihood - before) < tolerance) break;
    before = model.log_likelihood;
    if (!even) moments = moments_of(sample, model, r);
    maximization(moments, structure, model);
    ++model.iterations;
  }
}

}  // namespace moltspan::instars
