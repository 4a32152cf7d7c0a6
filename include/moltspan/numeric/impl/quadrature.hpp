#pragma once

#include <Eigen/Eigenvalues>
#include <cmath>
#include <map>
#include <mutex>

#include "moltspan/config.hpp"
#include "moltspan/numeric/quadrature.hpp"

namespace moltspan::numeric {
namespace detail_quadrature {

/// 1 / sum of p_k(x)^2 over the orthonormal polynomials k < n: the weight of node x, with full relative accuracy.
inline double christoffel(double x, const Eigen::VectorXd& beta) {
  double before = 0, here = 1, sum = 1;
  for (Eigen::Index k = 0; k < beta.size(); ++k) {
    const double next = (x * here - (k > 0 ? beta[k - 1] * before : 0)) / beta[k];
    before = here;
    here = next;
    sum += here * here;
  }
  return 1 / sum;
}

/// Rule from the off-diagonal of a Jacobi matrix with zero diagonal; weights are scaled to add up to `total`.
inline QuadratureRule golub_welsch(const Eigen::VectorXd& beta, double total) {
  const Eigen::Index n = beta.size() + 1;
  Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> solver;
  solver.computeFromTridiagonal(Eigen::VectorXd::Zero(n), beta, Eigen::EigenvaluesOnly);
  // Exact symmetry, which the eigensolver only keeps to rounding.
  const Eigen::VectorXd nodes = 0.5 * (solver.eigenvalues() - solver.eigenvalues().reverse());
  const Eigen::VectorXd weights = nodes.unaryExpr([&](double x) { return christoffel(x, beta); });
  return {nodes, weights * (total / weights.sum())};
}

template <typename OffDiagonal>
inline const QuadratureRule& cached(std::map<int, QuadratureRule>& kept, int n, double total, OffDiagonal off_diagonal) {
  static std::mutex mutex;
  const std::lock_guard lock(mutex);
  auto found = kept.find(n);
  if (found == kept.end()) {
    Eigen::VectorXd beta(n - 1);
    for (int k = 1; k < n; ++k) beta[k - 1] = off_diagonal(k);
    found = kept.emplace(n, golub_welsch(beta, total)).first;
  }
  return found->second;
}

}  // namespace detail_quadrature

MOLTSPAN_INLINE const QuadratureRule& gauss_legendre(int n) {
  static std::map<int, QuadratureRule> kept;
  return detail_quadrature::cached(kept, n, 2.0, [](int k) { return k / std::sqrt(4.0 * k * k - 1); });
}

MOLTSPAN_INLINE const QuadratureRule& gauss_hermite(int n) {
  static std::map<int, QuadratureRule> kept;
  return detail_quadrature::cached(kept, n, 1.0, [](int k) { return std::sqrt(static_cast<double>(k)); });
}

}  // namespace moltspan::numeric
