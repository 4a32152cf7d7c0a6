#pragma once

#include <vector>

#include "moltspan/intervals/intervals.hpp"

namespace moltspan {

/// Log-likelihood with gradient and Hessian in (coefficients, log sigma [, log animal sd]).
struct Likelihood {
  double value = 0;
  Eigen::VectorXd gradient;
  Eigen::MatrixXd hessian;
};

/// Marginal likelihood with one effect an animal, by adaptive Gauss-Hermite quadrature (Pinheiro and Bates 1995), or
/// with no effect at all. Gradient and Hessian are those of the integral (Fisher's and Louis' identities at the same
/// nodes). Under `marginal` truncation the integral of each animal's entry survival is divided out.
class AnimalQuadrature {
 public:
  AnimalQuadrature(const StadiaData& data, const StadiaOptions& options);

  bool has_effect() const { return has_effect_; }
  int n_parameters() const { return n_coefficients_ + 1 + (has_effect_ ? 1 : 0); }
  int n_animals() const { return static_cast<int>(animals_.size()); }
  Likelihood evaluate(const Eigen::VectorXd& parameters, int nodes, bool derivatives) const;

 private:
  struct Part;
  void add_animal(const std::vector<int>& records, const Eigen::VectorXd& parameters, int nodes, bool derivatives,
                  bool entry, double sign, Part& part) const;
  double find_mode(const std::vector<int>& records, const Eigen::VectorXd& parameters, bool entry,
                   double& curvature) const;
  void add_derivatives(Part& part, int record, double weight, double effect, const StadiumTerm& t) const;
  StadiumTerm term(int record, double eta, double log_sigma, bool entry) const;

  const StadiaData& data_;
  const StadiaOptions& options_;
  int n_coefficients_;
  bool has_effect_;
  std::vector<std::vector<int>> animals_;
};

/// Damped Newton on the quadrature at a fixed number of nodes. Stops early, with `vanishing` set, where the animals' sd
/// goes to 0.
struct NewtonResult {
  Eigen::VectorXd parameters;
  Likelihood at;
  int iterations = 0;
  bool converged = false, vanishing = false;
};
NewtonResult maximise_likelihood(const AnimalQuadrature& quadrature, Eigen::VectorXd parameters, int nodes);

/// Start values: least squares on the middles of the bounds.
Eigen::VectorXd start_values(const StadiaData& data, bool with_effect);

}  // namespace moltspan
