#pragma once

#include <Eigen/Core>

/// @file
/// Nodes and weights of Gaussian quadrature (Golub and Welsch 1969: eigenvalues of the Jacobi matrix).
namespace moltspan::numeric {

struct QuadratureRule {
  Eigen::VectorXd nodes;
  Eigen::VectorXd weights;
};

/// Integrates over [-1, 1] with weight 1; exact for polynomials of degree 2 n - 1. Kept after the first call.
const QuadratureRule& gauss_legendre(int n);

/// Integrates against the standard normal density (weights add up to 1). Kept after the first call.
const QuadratureRule& gauss_hermite(int n);

}  // namespace moltspan::numeric

#ifndef MOLTSPAN_COMPILED
#include "moltspan/numeric/impl/quadrature.hpp"
#endif
