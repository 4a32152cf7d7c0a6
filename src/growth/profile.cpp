#include "growth/profile.hpp"

#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>
#include <cmath>
#include <stdexcept>

#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr int most_steps = 100;
constexpr double converged_decrement = 1e-9;  ///< of the deviance: parameters then lie within 3e-5 of their errors
constexpr double vanishing_sd = 1e-4;  ///< relative to sigma: an sd that may be 0; tried, and kept where no worse
constexpr int few_groups = 60;         ///< up to here more than one maximum is worth a look

/// log|X'V^-1 X| and y'Py from the sums of [X y].
void take_coefficients_out(MixedProfile& profile) {
  const BlockSums& sums = profile.sums;
  const int p = static_cast<int>(sums.w.rows()) - 1, m = sums.parameters();
  const Eigen::LLT<MatrixXd> xx(sums.w.topLeftCorner(p, p));
  profile.x_inverse = xx.solve(MatrixXd::Identity(p, p));
  profile.beta = xx.solve(sums.w.col(p).head(p));
  profile.log_det_x = {2 * xx.matrixLLT().diagonal().array().log().sum(), VectorXd(m), MatrixXd(m, m)};
  profile.squares = {sums.w(p, p) - sums.w.col(p).head(p).dot(profile.beta), VectorXd(m), MatrixXd(m, m)};
  VectorXd left(p + 1);
  left << -profile.beta, 1;
  MatrixXd slopes(p, m);
  for (int k = 0; k < m; ++k) {
    const MatrixXd& d = sums.d_w[k];
    const VectorXd applied = d * left;
    slopes.col(k) = applied.head(p);
    profile.squares.gradient[k] = left.dot(applied);
    profile.log_det_x.gradient[k] = (profile.x_inverse * d.topLeftCorner(p, p)).trace();
  }
  for (int k = 0; k < m; ++k) {
    const MatrixXd lead =
        profile.x_inverse * sums.d_w[k].topLeftCorner(p, p) * profile.x_inverse;
    for (int l = 0; l < m; ++l) {
      const MatrixXd& dd = sums.second(k, l);
      profile.squares.hessian(k, l) = left.dot(dd * left) - 2 * slopes.col(k).dot(profile.x_inverse * slopes.col(l));
      profile.log_det_x.hessian(k, l) = (profile.x_inverse * dd.topLeftCorner(p, p)).trace() -
                                        (lead * sums.d_w[l].topLeftCorner(p, p)).trace();
    }
  }
}

}  // namespace

MixedProfile mixed_profile(const MixedBlocks& blocks, const RelativeSpread& spread, bool derivatives) {
  MixedProfile profile;
  profile.sums = blocks.sums(spread, derivatives);
  profile.log_det_v = {profile.sums.log_det, profile.sums.d_log_det, profile.sums.dd_log_det};
  take_coefficients_out(profile);
  return profile;
}

std::vector<MixedSearch::Entry> MixedSearch::entries() const {
  std::vector<Entry> entries;
  for (int a = 0; a < blocks_.effects(); ++a)
    for (int b = correlated_ ? 0 : a; b <= a; ++b) entries.push_back({a, b});
  return entries;
}

int MixedSearch::size() const {
  const int q = blocks_.effects();
  return (correlated_ ? triangle(q) : q) + (blocks_.outer_groups() > 0 ? 1 : 0);
}

bool MixedSearch::is_diagonal(int parameter) const {
  const auto all = entries();
  if (parameter >= static_cast<int>(all.size())) return true;
  const Entry& entry = all[parameter];
  return entry.row == entry.column;
}

MatrixXd MixedSearch::factor(const VectorXd& at) const {
  MatrixXd lower = MatrixXd::Zero(blocks_.effects(), blocks_.effects());
  int next = 0;
  for (const Entry& entry : entries()) lower(entry.row, entry.column) = at[next++];
  return lower;
}

RelativeSpread MixedSearch::spread(const VectorXd& at) const {
  const MatrixXd lower = factor(at);
  const double outer = blocks_.outer_groups() > 0 ? at[size() - 1] : 0;
  return {lower * lower.transpose(), outer * outer};
}

VectorXd MixedSearch::start(double sd) const {
  VectorXd at = VectorXd::Zero(size());
  for (int i = 0; i < size(); ++i)
    if (is_diagonal(i)) at[i] = sd;
  return at;
}

MatrixXd MixedSearch::jacobian(const VectorXd& at) const {
  const MatrixXd lower = factor(at);
  const auto all = entries();
  MatrixXd jacobian = MatrixXd::Zero(blocks_.parameters(), size());
  for (std::size_t i = 0; i < all.size(); ++i)
    for (int a = 0, k = 0; a < blocks_.effects(); ++a)
      for (int b = 0; b <= a; ++b, ++k)
        jacobian(k, static_cast<int>(i)) =
            (all[i].row == a ? lower(b, all[i].column) : 0) + (all[i].row == b ? lower(a, all[i].column) : 0);
  if (blocks_.outer_groups() > 0) jacobian(blocks_.parameters() - 1, size() - 1) = 2 * at[size() - 1];
  return jacobian;
}

Curved MixedSearch::chain(const Curved& natural, const VectorXd& at) const {
  const MatrixXd map = jacobian(at);
  Curved result{natural.value, map.transpose() * natural.gradient, map.transpose() * natural.hessian * map};
  const auto all = entries();
  for (std::size_t i = 0; i < all.size(); ++i)
    for (std::size_t j = 0; j < all.size(); ++j) {
      if (all[i].column != all[j].column) continue;
      const int a = std::max(all[i].row, all[j].row), b = std::min(all[i].row, all[j].row);
      result.hessian(static_cast<int>(i), static_cast<int>(j)) += (a == b ? 2 : 1) * natural.gradient[triangle(a) + b];
    }
  if (blocks_.outer_groups() > 0)
    result.hessian(size() - 1, size() - 1) += 2 * natural.gradient[blocks_.parameters() - 1];
  return result;
}

MixedCriterion mixed_criterion(const MixedBlocks& blocks, const MixedSearch& search, const VectorXd& at,
                               MixedMethod method) {
  MixedCriterion result;
  result.profile = mixed_profile(blocks, search.spread(at), true);
  const bool reml = method == MixedMethod::reml;
  const double n = static_cast<double>(blocks.rows()) - (reml ? blocks.coefficients() : 0);
  const Curved& squares = result.profile.squares;
  result.variance = squares.value / n;
  // x_map scales X by a known factor; log|X'V^-1 X| is that of X as given.
  const double map_part = -2 * blocks.x_map().diagonal().array().log().sum();
  Curved natural = result.profile.log_det_v;
  natural.value += n * (1 + 2 * numeric::log_sqrt_2pi + std::log(result.variance));
  natural.gradient += n * squares.gradient / squares.value;
  natural.hessian += n * (squares.hessian / squares.value -
                          squares.gradient * squares.gradient.transpose() / (squares.value * squares.value));
  if (reml) {
    natural.value += result.profile.log_det_x.value + map_part;
    natural.gradient += result.profile.log_det_x.gradient;
    natural.hessian += result.profile.log_det_x.hessian;
  }
  result.deviance = search.chain(natural, at);
  return result;
}

namespace {

/// Newton's step on the Hessian with the signs of its eigenvalues turned positive; `decrement` = g' |H|^-1 g.
VectorXd newton_step(const Curved& deviance, double& decrement) {
  const Eigen::SelfAdjointEigenSolver<MatrixXd> parts(deviance.hessian);
  const VectorXd size = parts.eigenvalues().cwiseAbs();
  const VectorXd safe = size.cwiseMax(1e-10 * size.maxCoeff() + 1e-300);
  const VectorXd along = parts.eigenvectors().transpose() * deviance.gradient;
  decrement = (along.array().square() / safe.array()).sum();
  return -parts.eigenvectors() * (along.array() / safe.array()).matrix();
}

MixedMinimum newton(const MixedBlocks& blocks, const MixedSearch& search, const VectorXd& start, MixedMethod method) {
  MixedMinimum found{start, mixed_criterion(blocks, search, start, method), 0, search.size() == 0, false};
  while (!found.converged && found.iterations < most_steps) {
    ++found.iterations;
    double decrement = 0;
    VectorXd step = newton_step(found.criterion.deviance, decrement);
    const double longest = std::max(1.0, 0.7 * found.at.norm());
    if (step.norm() > longest) step *= longest / step.norm();
    const double rounding = 1e-13 * (1 + std::abs(found.criterion.deviance.value));
    const bool last = decrement < converged_decrement + rounding;
    for (int halving = 0;; ++halving) {
      const VectorXd at = found.at + step;
      MixedCriterion tried = mixed_criterion(blocks, search, at, method);
      if (tried.deviance.value <= found.criterion.deviance.value + rounding) {
        found.at = at;
        found.criterion = std::move(tried);
        break;
      }
      if (halving == 40 || last) break;
      step /= 2;
    }
    found.converged = last;
  }
  return found;
}

/// Sds close to 0 are 0 where the criterion is no worse for it.
void settle_at_zero(const MixedBlocks& blocks, const MixedSearch& search, MixedMethod method, MixedMinimum& found) {
  for (int i = 0; i < search.size(); ++i) {
    if (!search.is_diagonal(i)) continue;
    if (std::abs(found.at[i]) < vanishing_sd) {
      VectorXd at = found.at;
      at[i] = 0;
      MixedCriterion tried = mixed_criterion(blocks, search, at, method);
      if (tried.deviance.value <= found.criterion.deviance.value + 1e-7) {
        found.at = at;
        found.criterion = std::move(tried);
      }
    }
    found.singular = found.singular || found.at[i] == 0;
  }
}

}  // namespace

MixedMinimum minimise(const MixedBlocks& blocks, bool correlated, MixedMethod method) {
  const MixedSearch search(blocks, correlated);
  MixedMinimum best = newton(blocks, search, search.start(1), method);
  if (search.size() > 0 && blocks.groups() <= few_groups)
    for (double sd : {0.15, 5.0}) {
      MixedMinimum other = newton(blocks, search, search.start(sd), method);
      if (other.converged && other.criterion.deviance.value < best.criterion.deviance.value - 1e-9) best = other;
    }
  settle_at_zero(blocks, search, method, best);
  return best;
}

}  // namespace moltspan
