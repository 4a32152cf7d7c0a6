#include "growth/blocks.hpp"

#include <Eigen/Cholesky>
#include <Eigen/LU>
#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <numeric>
#include <stdexcept>

#include "growth/blocks_loop.hpp"

namespace moltspan {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double dependent_squared = 1e-13;  ///< smallest pivot of scaled cross products: three digits above rounding

/// Map T with (A T)'(A T) about n times the unit matrix, from A'A. Throws where a column depends on those before it.
MatrixXd whitening_map(const MatrixXd& cross, std::size_t n, const std::vector<std::string>& names, const char* what) {
  const VectorXd scale = cross.diagonal().cwiseSqrt();
  for (Eigen::Index j = 0; j < cross.cols(); ++j) {
    if (!(scale[j] > 0))
      throw std::invalid_argument(std::string(what) + ": the column " + names[j] +
                                  " is 0 in every row; leave it out");
  }
  MatrixXd lower = scale.cwiseInverse().asDiagonal() * cross * scale.cwiseInverse().asDiagonal();
  for (Eigen::Index j = 0; j < lower.cols(); ++j) {
    const double pivot = lower(j, j) - lower.row(j).head(j).squaredNorm();
    if (!(pivot > dependent_squared))
      throw std::invalid_argument(std::string(what) + ": the column " + names[j] +
                                  " follows from the columns before it (or does not vary); leave one of them out");
    lower(j, j) = std::sqrt(pivot);
    for (Eigen::Index i = j + 1; i < lower.rows(); ++i)
      lower(i, j) = (lower(i, j) - lower.row(i).head(j).dot(lower.row(j).head(j))) / lower(j, j);
  }
  const MatrixXd inverse = lower.triangularView<Eigen::Lower>().solve(MatrixXd::Identity(cross.rows(), cross.cols()));
  return scale.cwiseInverse().asDiagonal() * inverse.transpose() * std::sqrt(static_cast<double>(n));
}

/// Value with first and second derivatives, for the few scalars of an outer group.
struct Jet {
  double v = 0;
  VectorXd g;
  MatrixXd h;
};

Jet operator*(const Jet& a, const Jet& b) {
  return {a.v * b.v, a.v * b.g + b.v * a.g, a.v * b.h + b.v * a.h + a.g * b.g.transpose() + b.g * a.g.transpose()};
}

/// f(a) from f, f', f'' at a.
Jet chain(const Jet& a, double f, double f1, double f2) { return {f, f1 * a.g, f1 * a.h + f2 * a.g * a.g.transpose()}; }

Jet jet_of(const BlockSums& sums, Eigen::Index i, Eigen::Index j, int parameters) {
  Jet jet{sums.w(i, j), VectorXd::Zero(parameters), MatrixXd::Zero(parameters, parameters)};
  for (int k = 0; k < sums.parameters(); ++k) {
    jet.g[k] = sums.d_w[k](i, j);
    for (int l = 0; l < sums.parameters(); ++l) jet.h(k, l) = sums.second(k, l)(i, j);
  }
  return jet;
}

void add_jet(const Jet& jet, Eigen::Index i, Eigen::Index j, BlockSums& sums) {
  sums.w(i, j) += jet.v;
  for (int k = 0; k < sums.parameters(); ++k) {
    sums.d_w[k](i, j) += jet.g[k];
    for (int l = 0; l < sums.parameters(); ++l) sums.second(k, l)(i, j) += jet.h(k, l);
  }
}

/// Takes the outer effect in: W less f v'v with f = g / (1 + g s), log|V| plus log(1 + g s), g its relative variance.
void eliminate_outer(const BlockSums& part, double outer, BlockSums& sums) {
  const int m = sums.parameters();
  const Eigen::Index c = sums.w.rows();
  Jet gamma{outer, VectorXd::Zero(m), MatrixXd::Zero(m, m)};
  if (m > 0) gamma.g[m - 1] = 1;
  Jet denominator = gamma * jet_of(part, 0, 0, m);
  denominator.v += 1;
  const double d = denominator.v;
  const Jet log_d = chain(denominator, std::log(d), 1 / d, -1 / (d * d));
  const Jet f = gamma * chain(denominator, 1 / d, -1 / (d * d), 2 / (d * d * d));
  sums.log_det += log_d.v + part.log_det;
  sums.d_log_det += log_d.g;
  sums.dd_log_det += log_d.h;
  const int inner = part.parameters();
  sums.d_log_det.head(inner) += part.d_log_det;
  sums.dd_log_det.topLeftCorner(inner, inner) += part.dd_log_det;
  for (Eigen::Index i = 0; i < c; ++i) {
    for (Eigen::Index j = 0; j < c; ++j) {
      Jet lost = f * (jet_of(part, 0, i + 1, m) * jet_of(part, 0, j + 1, m));
      lost = {-lost.v, -lost.g, -lost.h};
      add_jet(lost, i, j, sums);
      add_jet(jet_of(part, i + 1, j + 1, m), i, j, sums);
    }
  }
}

}  // namespace

BlockSums::BlockSums(int parameters, int columns)
    : d_log_det(VectorXd::Zero(parameters)),
      dd_log_det(MatrixXd::Zero(parameters, parameters)),
      w(MatrixXd::Zero(columns, columns)),
      d_w(static_cast<std::size_t>(parameters), w),
      dd_w(static_cast<std::size_t>(parameters * parameters), w) {}

MixedBlocks::MixedBlocks(const MixedData& data, bool correlated)
    : q_(data.groups.empty() ? 0 : static_cast<int>(data.z.cols())),
      p_(static_cast<int>(data.x.cols())),
      n_rows_(static_cast<std::size_t>(data.y.size())) {
  whiten(data, correlated);
  sort_groups(data);
  reduce(data);
}

void MixedBlocks::whiten(const MixedData& data, bool correlated) {
  x_map_ = whitening_map(data.x.transpose() * data.x, n_rows_, data.coefficients, "formula");
  z_map_.resize(q_, q_);
  if (q_ > 0) {
    MatrixXd cross = data.z.transpose() * data.z;
    if (!correlated) cross = MatrixXd(cross.diagonal().asDiagonal());
    z_map_ = whitening_map(cross, n_rows_, data.effects, "random effects");
  }
  beta0_ = x_map_ * (x_map_.transpose() * (data.x.transpose() * data.y)) / static_cast<double>(n_rows_);
}

void MixedBlocks::sort_groups(const MixedData& data) {
  const auto count = [](const std::vector<int>& codes) {
    return codes.empty() ? 0 : 1 + *std::max_element(codes.begin(), codes.end());
  };
  n_groups_ = q_ == 0 ? 0 : count(data.groups);
  n_outer_ = q_ == 0 ? 0 : count(data.outer_groups);
  slot_of_group_.resize(static_cast<std::size_t>(n_groups_));
  if (n_outer_ == 0) {
    std::iota(slot_of_group_.begin(), slot_of_group_.end(), 0);
    first_slot_ = {0, n_groups_};
    return;
  }
  outer_of_group_.assign(static_cast<std::size_t>(n_groups_), -1);
  for (std::size_t row = 0; row < n_rows_; ++row)
    outer_of_group_[data.groups[row]] = data.outer_groups[row];
  first_slot_.assign(static_cast<std::size_t>(n_outer_) + 1, 0);
  for (int outer : outer_of_group_) ++first_slot_[outer + 1];
  std::partial_sum(first_slot_.begin(), first_slot_.end(), first_slot_.begin());
  auto next = first_slot_;
  for (std::size_t g = 0; g < outer_of_group_.size(); ++g)
    slot_of_group_[g] = next[outer_of_group_[g]]++;
}

/// Rows of a group together, whatever their order in the table.
void MixedBlocks::reduce(const MixedData& data) {
  const int n_slots = std::max(n_groups_, 1);
  std::vector<std::size_t> first(static_cast<std::size_t>(n_slots) + 1, 0);
  const auto slot_of = [&](std::size_t row) {
    return q_ == 0 ? std::size_t{0}
                   : static_cast<std::size_t>(slot_of_group_[data.groups[row]]);
  };
  for (std::size_t row = 0; row < n_rows_; ++row) ++first[slot_of(row) + 1];
  std::partial_sum(first.begin(), first.end(), first.begin());
  std::vector<int> order(n_rows_);
  auto next = first;
  for (std::size_t row = 0; row < n_rows_; ++row) order[next[slot_of(row)]++] = static_cast<int>(row);
  r_.assign(static_cast<std::size_t>(n_slots * q_ * q_), 0.0);
  b_.assign(static_cast<std::size_t>(n_slots * q_ * width()), 0.0);
  within_.assign(static_cast<std::size_t>(std::max(n_outer_, 1)), MatrixXd::Zero(width(), width()));
  std::size_t most = 0;
  for (std::size_t s = 0; s < static_cast<std::size_t>(n_slots); ++s) most = std::max(most, first[s + 1] - first[s]);
  MatrixXd work(static_cast<Eigen::Index>(most), q_ + width());
  for (int slot = 0; slot < n_slots; ++slot)
    reduce_group(data, order, first[slot], first[slot + 1], slot,
                 work);
}

/// Modified Gram-Schmidt of [Z | 1 X y]: R, Q'[1 X y] and the cross products of what Z does not explain.
void MixedBlocks::reduce_group(const MixedData& data, const std::vector<int>& order, std::size_t from, std::size_t to,
                               int slot, MatrixXd& work) {
  const auto n = static_cast<Eigen::Index>(to - from);
  if (n == 0) return;
  const int ones = n_outer_ > 0 ? 1 : 0, c = width();
  work.topRows(n).setZero();
  for (Eigen::Index i = 0; i < n; ++i) {
    const int row = order[from + static_cast<std::size_t>(i)];
    for (int j = 0; j < q_; ++j)
      for (int a = 0; a <= j; ++a) work(i, j) += data.z(row, a) * z_map_(a, j);
    if (ones) work(i, q_) = 1;
    double y = data.y[row];
    for (int j = 0; j < p_; ++j) {
      y -= data.x(row, j) * beta0_[j];
      for (int a = 0; a <= j; ++a) work(i, q_ + ones + j) += data.x(row, a) * x_map_(a, j);
    }
    work(i, q_ + c - 1) = y;
  }
  total_squares_ += work.col(q_ + c - 1).head(n).squaredNorm();
  Eigen::Map<MatrixXd> r(r_.data() + slot * q_ * q_, q_, q_), b(b_.data() + slot * q_ * c, q_, c);
  for (int j = 0; j < q_; ++j) {
    const double norm = work.col(j).head(n).norm();
    r(j, j) = norm;
    if (norm == 0) continue;
    work.col(j).head(n) /= norm;
    for (int k = j + 1; k < q_ + c; ++k) {
      const double dot = work.col(j).head(n).dot(work.col(k).head(n));
      (k < q_ ? r(j, k) : b(j, k - q_)) = dot;
      work.col(k).head(n) -= dot * work.col(j).head(n);
    }
  }
  MatrixXd& within =
      within_[n_outer_ > 0 ? static_cast<std::size_t>(std::upper_bound(first_slot_.begin(), first_slot_.end(), slot) -
                                                      first_slot_.begin() - 1)
                           : 0];
  const auto left = work.block(0, q_, n, c);
  for (int i = 0; i < c; ++i)
    for (int j = 0; j <= i; ++j) {
      const double dot = left.col(i).dot(left.col(j));
      within(i, j) += dot;
      if (i != j) within(j, i) += dot;
    }
}

double MixedBlocks::within_squares() const {
  MatrixXd sum = MatrixXd::Zero(width(), width());
  for (const MatrixXd& part : within_) sum += part;
  const MatrixXd right = sum.bottomRightCorner(p_ + 1, p_ + 1);
  if (right(p_, p_) <= 0) return 0;
  const VectorXd xy = right.col(p_).head(p_);
  const Eigen::CompleteOrthogonalDecomposition<MatrixXd> x(right.topLeftCorner(p_, p_));
  return std::max(right(p_, p_) - xy.dot(x.solve(xy)), 0.0);
}

GroupView MixedBlocks::group(int code, const RelativeSpread& spread) const {
  const int slot = slot_of_group_[code];
  const Eigen::Map<const MatrixXd> r(r_.data() + slot * q_ * q_, q_, q_),
      b(b_.data() + slot * q_ * width(), q_, width());
  const MatrixXd m = MatrixXd::Identity(q_, q_) + r * spread.psi * r.transpose();
  const MatrixXd left = m.llt().solve(r).transpose();
  return {left * r, left * b};
}

std::vector<OuterView> MixedBlocks::outer_views(const RelativeSpread& spread) const {
  std::vector<OuterView> views;
  for (int outer = 0; outer < n_outer_; ++outer) {
    const BlockSums part = outer_part(outer, spread, false);
    views.push_back({part.w(0, 0), part.w.row(0).tail(p_ + 1)});
  }
  return views;
}

BlockSums MixedBlocks::outer_part(int outer, const RelativeSpread& spread, bool derivatives) const {
  BlockSums part(derivatives ? triangle(q_) : 0, width());
  const auto at = static_cast<std::size_t>(outer);
  part.w = within_[at];
  if (q_ > 0) add_range(first_slot_[at], first_slot_[at + 1], spread, derivatives, part);
  return part;
}

BlockSums MixedBlocks::sums(const RelativeSpread& spread, bool derivatives) const {
  if (n_outer_ == 0) return outer_part(0, spread, derivatives);
  BlockSums sums(derivatives ? parameters() : 0, p_ + 1);
  for (int outer = 0; outer < n_outer_; ++outer)
    eliminate_outer(outer_part(outer, spread, derivatives), spread.outer, sums);
  return sums;
}
void MixedBlocks::add_range(int from, int to, const RelativeSpread& spread, bool derivatives, BlockSums& sums) const {
  add_slots({r_.data(), b_.data(), from, to, width()}, q_, spread.psi, derivatives, sums);
}

}  // namespace moltspan
