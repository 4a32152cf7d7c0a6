#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <vector>

#include "moltspan/growth/growth.hpp"

namespace moltspan {

inline constexpr int max_effects = 3;

/// Number of distinct entries of a symmetric matrix.
constexpr int triangle(int n) { return n * (n + 1) / 2; }

/// W = [1 X y]'V^-1[1 X y] and log|V| with derivatives in the entries of the relative covariance (and the relative
/// outer variance, last); V is that of y / sigma. The column of ones is there only where there are outer groups.
struct BlockSums {
  double log_det = 0;
  Eigen::VectorXd d_log_det;
  Eigen::MatrixXd dd_log_det;
  Eigen::MatrixXd w;
  std::vector<Eigen::MatrixXd> d_w, dd_w;  ///< dd_w: entry k * m + l for all k, l

  BlockSums() = default;
  BlockSums(int parameters, int columns);
  Eigen::MatrixXd& second(int k, int l) { return dd_w[k * parameters() + l]; }
  const Eigen::MatrixXd& second(int k, int l) const { return dd_w[k * parameters() + l]; }
  int parameters() const { return static_cast<int>(d_log_det.size()); }
};

/// Relative spreads of the whitened model.
struct RelativeSpread {
  Eigen::MatrixXd psi;
  double outer = 0;
};

/// What one group's rows say at given spreads: k = Z'V^-1 Z and t = Z'V^-1 [1 X y] of its own rows.
struct GroupView {
  Eigen::MatrixXd k, t;
};

/// What an outer group says before its own effect is taken into account: s = 1'V^-1 1, v = 1'V^-1 [X y].
struct OuterView {
  double s = 0;
  Eigen::RowVectorXd v;
};

/// Sufficient statistics of a mixed model, a small block a group, in whitened coordinates (X and Z of about unit
/// cross products, y less its least-squares line).
class MixedBlocks {
 public:
  /// `data` is checked. Throws std::invalid_argument for dependent columns. Independent effects keep their axes.
  MixedBlocks(const MixedData& data, bool correlated);

  int effects() const { return q_; }
  int columns() const { return p_ + 1; }  ///< of [X y]
  int coefficients() const { return p_; }
  int groups() const { return n_groups_; }
  int outer_groups() const { return n_outer_; }
  std::size_t rows() const { return n_rows_; }
  int parameters() const { return triangle(q_) + (n_outer_ > 0 ? 1 : 0); }

  /// W and log|V|, with derivatives where asked.
  BlockSums sums(const RelativeSpread& spread, bool derivatives) const;
  GroupView group(int code, const RelativeSpread& spread) const;
  std::vector<OuterView> outer_views(const RelativeSpread& spread) const;
  int outer_of(int code) const { return outer_of_group_.empty() ? -1 : outer_of_group_[code]; }

  const Eigen::MatrixXd& x_map() const { return x_map_; }  ///< whitened x = x' * x_map
  const Eigen::MatrixXd& z_map() const { return z_map_; }
  const Eigen::VectorXd& start_line() const { return beta0_; }  ///< taken off y beforehand
  double total_squares() const { return total_squares_; }
  /// Sum of squares that neither X nor the groups' own Z explain.
  double within_squares() const;
  /// Rows a group on average: the mean of its whitened Z'Z is this multiple of the unit matrix (of its diagonal, where
  /// effects are independent).
  double rows_per_group() const { return static_cast<double>(n_rows_) / std::max(n_groups_, 1); }

 private:
  void whiten(const MixedData& data, bool correlated);
  void sort_groups(const MixedData& data);
  void reduce(const MixedData& data);
  void reduce_group(const MixedData& data, const std::vector<int>& order, std::size_t from, std::size_t to, int slot,
                    Eigen::MatrixXd& work);
  void add_range(int from, int to, const RelativeSpread& spread, bool derivatives, BlockSums& sums) const;
  BlockSums outer_part(int outer, const RelativeSpread& spread, bool derivatives) const;
  int width() const { return p_ + 1 + (n_outer_ > 0 ? 1 : 0); }

  int q_ = 0, p_ = 0, n_groups_ = 0, n_outer_ = 0;
  std::size_t n_rows_ = 0;
  double total_squares_ = 0;
  Eigen::MatrixXd x_map_, z_map_;
  Eigen::VectorXd beta0_;
  std::vector<double> r_, b_;  ///< per slot: R (q x q) and Q'[1 X y] (q x width), by columns
  std::vector<int> slot_of_group_, outer_of_group_, first_slot_;  ///< slots stand outer group by outer group
  std::vector<Eigen::MatrixXd> within_;                           ///< per outer group: cross products left over
};

}  // namespace moltspan
