#pragma once

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <limits>

#include "moltspan/config.hpp"
#include "moltspan/instars/impl/model.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan::instars {
namespace detail_classify {

inline constexpr double infinity = std::numeric_limits<double>::infinity();
inline constexpr int draws_an_instar = 20000;

/// A mixture on a line, with the instar most probable in each part of it.
struct LineMixture {
  VectorXd weight, mean, sd;
};

struct Part {
  Index instar;
  double lower, upper;
};

inline double log_height(const LineMixture& m, Index k, double x) {
  const double z = (x - m.mean[k]) / m.sd[k];
  return std::log(m.weight[k]) - std::log(m.sd[k]) - 0.5 * z * z;
}

/// Where two components are equally probable: roots of a quadratic in x, measured from between the means.
inline void add_crossings(const LineMixture& m, Index a, Index b, std::vector<double>& at) {
  const double middle = 0.5 * (m.mean[a] + m.mean[b]), ma = m.mean[a] - middle, mb = m.mean[b] - middle;
  const double pa = 1 / (m.sd[a] * m.sd[a]), pb = 1 / (m.sd[b] * m.sd[b]);
  const double square = 0.5 * (pb - pa), line = pa * ma - pb * mb;
  const double constant =
      std::log(m.weight[a] / m.weight[b]) + std::log(m.sd[b] / m.sd[a]) + 0.5 * (pb * mb * mb - pa * ma * ma);
  if (std::abs(square) < 1e-12 * (pa + pb)) {
    if (line != 0) at.push_back(middle - constant / line);
    return;
  }
  const double under = line * line - 4 * square * constant;
  if (under <= 0) return;
  const double q = -0.5 * (line + std::copysign(std::sqrt(under), line));  // avoids cancellation
  at.push_back(middle + q / square);
  if (q != 0) at.push_back(middle + constant / q);
}

/// Parts of the line, exactly: all crossings of pairs, then the highest component between neighboring ones.
inline std::vector<Part> parts_of(const LineMixture& m) {
  std::vector<double> at;
  for (Index a = 0; a < m.weight.size(); ++a)
    for (Index b = 0; b < a; ++b)
      if (m.weight[a] > 0 && m.weight[b] > 0) add_crossings(m, a, b, at);
  std::sort(at.begin(), at.end());
  std::vector<Part> parts;
  const double far = 10 * m.sd.maxCoeff();
  for (std::size_t i = 0; i <= at.size(); ++i) {
    const double lower = i == 0 ? -infinity : at[i - 1], upper = i == at.size() ? infinity : at[i];
    const double inside = at.empty()       ? m.mean[0]
                          : i == 0         ? upper - far
                          : i == at.size() ? lower + far
                                           : 0.5 * (lower + upper);
    Index best = -1;
    for (Index k = 0; k < m.weight.size(); ++k)
      if (m.weight[k] > 0 && (best < 0 || log_height(m, k, inside) > log_height(m, best, inside))) best = k;
    if (!parts.empty() && parts.back().instar == best)
      parts.back().upper = upper;
    else
      parts.push_back({best, lower, upper});
  }
  return parts;
}

inline Misclassification on_line(const LineMixture& m) {
  Misclassification result;
  result.of_instar = VectorXd::Ones(m.weight.size());
  for (const Part& part : parts_of(m)) {
    const double a = (part.lower - m.mean[part.instar]) / m.sd[part.instar],
                 b = (part.upper - m.mean[part.instar]) / m.sd[part.instar];
    result.of_instar[part.instar] -= a > 0 ? numeric::Phi(-a) - numeric::Phi(-b) : numeric::Phi(b) - numeric::Phi(a);
  }
  result.of_instar = result.of_instar.cwiseMax(0);
  result.overall = m.weight.dot(result.of_instar);
  return result;
}

inline LineMixture along(const InstarFit& fit, const VectorXd& axis) {
  LineMixture m{fit.weights, fit.mean_log * axis, VectorXd(fit.weights.size())};
  for (Index k = 0; k < m.sd.size(); ++k) m.sd[k] = std::sqrt(axis.dot(fit.covariance_log[std::size_t(k)] * axis));
  return m;
}

/// Means on one line and one covariance: the best classifier looks along Sigma^-1 times the direction, exactly.
inline bool lies_on_a_line(const InstarFit& fit) {
  const MatrixXd steps = fit.mean_log.bottomRows(fit.n_instars - 1).rowwise() - fit.mean_log.row(0);
  const Eigen::RowVectorXd last = steps.row(steps.rows() - 1);
  for (Index k = 0; k < steps.rows(); ++k) {
    const Eigen::RowVectorXd off = steps.row(k) - last * (steps.row(k).dot(last) / last.squaredNorm());
    if (off.norm() > 1e-9 * last.norm()) return false;
    if ((fit.covariance_log[std::size_t(k + 1)] - fit.covariance_log[0]).norm() > 1e-12 * fit.covariance_log[0].norm())
      return false;
  }
  return true;
}

/// By drawing: a fixed number of animals from each instar, always the same draws.
inline Misclassification by_drawing(const InstarFit& fit) {
  const Index d = fit.mean_log.cols();
  const Eigen::RowVectorXd center = Eigen::RowVectorXd::Zero(d);
  const Model model = model_from(fit, center);
  Structure s{fit.n_instars, fit.first_instar, Spacing::free, Spread::free, Covariance::full, {}, {}, 0, {}, 0};
  Misclassification result;
  result.of_instar = VectorXd::Zero(fit.n_instars);
  double variance = 0;
  for (Index k = 0; k < fit.n_instars; ++k) {
    if (fit.weights[k] == 0) continue;
    numeric::RandomStream random(20, {0xC1A551F, static_cast<std::uint32_t>(k), 0});
    MatrixXd z(draws_an_instar, d);
    for (double& value : z.reshaped()) value = random.normal();
    Sample drawn;
    drawn.y = model.root[std::size_t(k)].transpose().triangularView<Eigen::Upper>().solve(z.transpose()).transpose();
    drawn.y.rowwise() += model.mean.row(k);
    drawn.count = VectorXd::Ones(draws_an_instar), drawn.n = draws_an_instar;
    drawn.label.assign(draws_an_instar, instar_not_known);
    MatrixXd r;
    expectation(drawn, s, model, r);
    Index wrong = 0;
    for (Index i = 0; i < r.rows(); ++i) wrong += r(i, k) < r.row(i).maxCoeff();
    const double share = double(wrong) / draws_an_instar;
    result.of_instar[k] = share;
    variance += fit.weights[k] * fit.weights[k] * share * (1 - share) / draws_an_instar;
  }
  result.overall = fit.weights.dot(result.of_instar);
  result.standard_error = std::sqrt(variance);
  return result;
}

}  // namespace detail_classify

MOLTSPAN_INLINE Misclassification misclassification(const InstarFit& fit) {
  const Index d = fit.mean_log.cols();
  if (fit.n_instars == 1) return {0, VectorXd::Zero(1), 0};
  if (d == 1) return detail_classify::on_line(detail_classify::along(fit, VectorXd::Ones(1)));
  if (!detail_classify::lies_on_a_line(fit)) return detail_classify::by_drawing(fit);
  const VectorXd direction = (fit.mean_log.row(fit.n_instars - 1) - fit.mean_log.row(0)).transpose();
  return detail_classify::on_line(detail_classify::along(fit, fit.covariance_log[0].llt().solve(direction)));
}

MOLTSPAN_INLINE std::vector<InstarRange> size_ranges(const InstarFit& fit, Index trait) {
  std::vector<InstarRange> ranges;
  for (const detail_classify::Part& part : detail_classify::parts_of(detail_classify::along(fit, VectorXd::Unit(fit.mean_log.cols(), trait))))
    ranges.push_back({fit.first_instar + int(part.instar), std::exp(part.lower), std::exp(part.upper)});
  return ranges;
}

}  // namespace moltspan::instars
