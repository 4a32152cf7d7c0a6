#include "growth/blocks_loop.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

namespace moltspan {
namespace {

/// Sums over groups, with the sizes known to the compiler: q effects, C columns (0: any up to `columns`). Plain loops
/// over small arrays, as this is where a large fit spends its time.
template <int Q, int C>
class GroupLoop {
 public:
  GroupLoop(const Eigen::MatrixXd& psi, int columns)
      : columns_(C > 0 ? C : columns),
        pairs_(triangle(columns_)),
        solved_(static_cast<std::size_t>(Q * columns_)),
        t_(solved_.size()),
        product_(static_cast<std::size_t>(m * pairs_)),
        w_(static_cast<std::size_t>(pairs_)),
        d_w_(product_.size()),
        dd_w_(static_cast<std::size_t>(m * m * pairs_)) {
    for (int i = 0; i < Q; ++i)
      for (int j = 0; j < Q; ++j) psi_[i][j] = psi(i, j);
  }

  void add(const double* r, const double* b, bool derivatives) {
    factorise(r);
    solve(r, b);
    if (!derivatives) return;
    transform();
    add_first();
    add_second();
  }

  void add_to(BlockSums& sums) const {
    sums.log_det += log_det_;
    add_pairs(w_.data(), 1, sums.w);
    if (sums.parameters() == 0) return;
    for (int i = 0; i < m; ++i) {
      sums.d_log_det[i] += d_log_det_[i];
      add_pairs(d_w_.data() + i * pairs_, -1, sums.d_w[static_cast<std::size_t>(i)]);
      for (int j = 0; j < m; ++j) {
        const int a = std::max(i, j), b = std::min(i, j);
        sums.dd_log_det(i, j) -= dd_log_det_[a][b];
        add_pairs(dd_w_.data() + (a * m + b) * pairs_, 1, sums.second(i, j));
      }
    }
  }

 private:
  static constexpr int m = triangle(Q);
  int columns() const { return C > 0 ? C : columns_; }
  int pairs() const { return C > 0 ? triangle(C) : pairs_; }

  /// Cholesky factor of M = I + R psi R', and its log determinant.
  void factorise(const double* r) {
    double half[Q][Q], product = 1;
    for (int i = 0; i < Q; ++i)
      for (int j = 0; j < Q; ++j) {
        half[i][j] = 0;
        for (int k = i; k < Q; ++k) half[i][j] += r[k * Q + i] * psi_[k][j];
      }
    for (int j = 0; j < Q; ++j)
      for (int i = j; i < Q; ++i) {
        double sum = i == j ? 1 : 0;
        for (int k = j; k < Q; ++k) sum += half[i][k] * r[k * Q + j];
        for (int k = 0; k < j; ++k) sum -= lower_[i][k] * lower_[j][k];
        lower_[i][j] = i == j ? std::sqrt(sum) : sum / lower_[j][j];
        if (i == j) product *= sum;
      }
    log_det_ += std::log(product);
  }

  /// L^-1 [1 X y] and L^-1 R; adds the first's cross products.
  void solve(const double* r, const double* b) {
    for (int j = 0; j < columns(); ++j)
      for (int i = 0; i < Q; ++i) {
        double sum = b[j * Q + i];
        for (int k = 0; k < i; ++k) sum -= lower_[i][k] * solved_[static_cast<std::size_t>(j * Q + k)];
        solved_[static_cast<std::size_t>(j * Q + i)] = sum / lower_[i][i];
      }
    for (int j = 0; j < Q; ++j)
      for (int i = 0; i < Q; ++i) {
        double sum = i <= j ? r[j * Q + i] : 0;
        for (int k = 0; k < i; ++k) sum -= lower_[i][k] * root_[k][j];
        root_[i][j] = sum / lower_[i][i];
      }
    for (int u = 0, at = 0; u < columns(); ++u)
      for (int v = 0; v <= u; ++v, ++at)
        for (int i = 0; i < Q; ++i)
          w_[static_cast<std::size_t>(at)] +=
              solved_[static_cast<std::size_t>(u * Q + i)] * solved_[static_cast<std::size_t>(v * Q + i)];
  }

  /// K = Z'V^-1 Z and T = Z'V^-1 [1 X y].
  void transform() {
    for (int a = 0; a < Q; ++a)
      for (int b = 0; b < Q; ++b) {
        k_[a][b] = 0;
        for (int i = 0; i < Q; ++i) k_[a][b] += root_[i][a] * root_[i][b];
      }
    for (int j = 0; j < columns(); ++j)
      for (int a = 0; a < Q; ++a) {
        double sum = 0;
        for (int i = 0; i < Q; ++i) sum += root_[i][a] * solved_[static_cast<std::size_t>(j * Q + i)];
        t_[static_cast<std::size_t>(a * columns() + j)] = sum;
      }
  }

  /// -dW = T'E T for every entry's unit matrix E, d log|V| = tr(E K).
  void add_first() {
    for (int a = 0, entry = 0; a < Q; ++a)
      for (int b = 0; b <= a; ++b, ++entry) {
        const double *ta = &t_[static_cast<std::size_t>(a * columns())],
                     *tb = &t_[static_cast<std::size_t>(b * columns())];
        double* product = &product_[static_cast<std::size_t>(entry * pairs())];
        for (int u = 0, at = 0; u < columns(); ++u)
          for (int v = 0; v <= u; ++v, ++at) product[at] = a == b ? ta[u] * ta[v] : ta[u] * tb[v] + tb[u] * ta[v];
        for (int at = 0; at < pairs(); ++at) d_w_[static_cast<std::size_t>(entry * pairs() + at)] += product[at];
        d_log_det_[entry] += (a == b ? 1 : 2) * k_[a][b];
      }
  }

  /// E_i K E_j for the unit matrices of entries (a, b) and (c, d).
  void middle(int a, int b, int c, int d, double (&result)[Q][Q]) const {
    for (auto& row : result)
      for (double& value : row) value = 0;
    const auto half = [&](int x, int y) {
      result[x][d] += k_[y][c];
      if (c != d) result[x][c] += k_[y][d];
    };
    half(a, b);
    if (a != b) half(b, a);
  }

  /// d2W = T'(E_i K E_j + E_j K E_i) T, -d2 log|V| = tr(E_i K E_j K).
  void add_second() {
    for (int a = 0, i = 0; a < Q; ++a)
      for (int b = 0; b <= a; ++b, ++i)
        for (int c = 0, j = 0; c < Q; ++c)
          for (int d = 0; d <= c && j <= i; ++d, ++j) {
            double inner[Q][Q];
            middle(a, b, c, d, inner);
            double* target = &dd_w_[static_cast<std::size_t>((i * m + j) * pairs())];
            for (int x = 0, entry = 0; x < Q; ++x)
              for (int y = 0; y <= x; ++y, ++entry) {
                const double factor = inner[x][y] + inner[y][x];
                if (factor == 0) continue;
                const double* product = &product_[static_cast<std::size_t>(entry * pairs())];
                for (int at = 0; at < pairs(); ++at) target[at] += factor * product[at];
              }
            for (int x = 0; x < Q; ++x)
              for (int y = 0; y < Q; ++y) dd_log_det_[i][j] += inner[x][y] * k_[y][x];
          }
  }

  void add_pairs(const double* pairs, double sign, Eigen::MatrixXd& target) const {
    for (int u = 0, at = 0; u < columns(); ++u)
      for (int v = 0; v <= u; ++v, ++at) {
        target(u, v) += sign * pairs[at];
        if (u != v) target(v, u) += sign * pairs[at];
      }
  }

  int columns_, pairs_;
  double psi_[Q][Q], lower_[Q][Q], root_[Q][Q], k_[Q][Q];
  std::vector<double> solved_, t_, product_, w_, d_w_, dd_w_;
  double log_det_ = 0, d_log_det_[m] = {}, dd_log_det_[m][m] = {};
};

template <int Q, int C>
void add_groups(const SlotRange& slots, const Eigen::MatrixXd& psi, bool derivatives, BlockSums& sums) {
  GroupLoop<Q, C> loop(psi, slots.columns);
  for (int slot = slots.from; slot < slots.to; ++slot)
    loop.add(slots.r + slot * Q * Q, slots.b + slot * Q * slots.columns, derivatives);
  loop.add_to(sums);
}

template <int Q>
void add_groups_of(const SlotRange& slots, const Eigen::MatrixXd& psi, bool derivatives, BlockSums& sums) {
  switch (slots.columns) {
    case 3:
      return add_groups<Q, 3>(slots, psi, derivatives, sums);
    default:
      return add_groups<Q, 0>(slots, psi, derivatives, sums);
  }
}

}  // namespace

void add_slots(const SlotRange& slots, int effects, const Eigen::MatrixXd& psi, bool derivatives, BlockSums& sums) {
  switch (effects) {
    case 1:
      return add_groups_of<1>(slots, psi, derivatives, sums);
    case 2:
      return add_groups_of<2>(slots, psi, derivatives, sums);
    default:
      return add_groups_of<3>(slots, psi, derivatives, sums);
  }
}

}  // namespace moltspan
