#pragma once

#include <Eigen/Core>
#include <utility>
#include <vector>

#include "moltspan/posterior/model.hpp"

namespace moltspan {

/// Posterior of the latent variables at fixed hyperparameters: mode, Laplace's log marginal, covariances along a path.
template <PosteriorModel Model>
class Conditional {
 public:
  /// `threads` work on the terms of a large model together.
  explicit Conditional(const Model& model, int threads = 1);

  /// The next `solve` begins at the last mode of another solver of the same model, if it has one.
  void start_at(const Conditional& other) {
    mode_ = other.mode_;
    iterations_ = other.iterations_;
  }
  /// Damped Newton from the last mode (at first, or where that has no density: the prior means). Non-concave terms give
  /// a clipped Hessian for the step; the determinant uses the true one. Returns false when it did not converge or the
  /// true Hessian is not positive definite.
  bool solve(const Eigen::VectorXd& hyper);

  /// Laplace's approximation of log p(data | hyper); flat priors count as density 1.
  double log_marginal() const { return log_marginal_; }
  const Eigen::VectorXd& mode() const { return mode_; }
  /// Hyperparameters of the last `solve`.
  const Eigen::VectorXd& hyper() const { return hyper_; }
  int iterations() const { return iterations_; }
  bool positive_definite() const { return positive_definite_; }
  const TermResult& term_at_mode(std::size_t index) const { return results_[index]; }

  /// Shifts the means from the mode to first order in the skewness of the terms: H^-1 sum_r a_r c_r var(eta_r) / 2,
  /// with c_r the third derivative of term r (Tierney and Kadane 1986). Call after `solve`; the next `solve` forgets
  /// it. Terms of width 1 only; wider ones are taken as Gaussian. No term, and no variable of the root, is moved by more
  /// than half its posterior sd.
  void correct_means();
  /// Shift of a term's own predictor that its own skewness causes (0 without `correct_means`).
  double own_shift(std::size_t index) const { return own_shift_.empty() ? 0 : own_shift_[index]; }

  /// Covariance of (variables of the node, of its parent, ..., of the root); computes what it needs on first use.
  const Eigen::MatrixXd& path_covariance(int node) const;
  /// Mean (the mode, unless corrected) and variance of a linear predictor.
  std::pair<double, double> predictor_moments(const Predictor& predictor) const;
  double predictor_mode(const Predictor& predictor) const { return predictor_value(predictor, mode_); }
  /// Variance of a linear predictor under the prior at these hyperparameters; infinite where one of its variables is
  /// flat.
  double prior_variance(const Predictor& predictor) const;
  /// Prior precision of the first variable of a node.
  double prior_precision_of(int node) const { return prior_precision_[variable_offset_[node]]; }
  /// Mean (the mode, unless corrected) of the variables of a node.
  Eigen::VectorXd node_mean(int node) const;

 private:
  double evaluate(const Eigen::VectorXd& latent, const Eigen::VectorXd& hyper);
  double predictor_value(const Predictor& predictor, const Eigen::VectorXd& latent) const;
  void assemble(bool clipped);
  bool eliminate();
  void eliminate_sides();
  void back_substitute(Eigen::VectorXd& step) const;
  double newton_decrement() const;
  bool line_search(const Eigen::VectorXd& step, const Eigen::VectorXd& hyper, double& value);
  void limit_shift();
  void lengthen(const Eigen::VectorXd& step, const Eigen::VectorXd& hyper, double& value);
  void add_term_to_front(std::size_t index, bool clipped);
  void add_to_parent(int node);

  double evaluate_terms(std::size_t from, std::size_t to, const Eigen::VectorXd& latent, const Eigen::VectorXd& hyper);

  const Model& model_;
  int threads_;
  std::vector<int> path_length_, variable_offset_;
  std::vector<std::size_t> front_offset_, side_offset_;
  std::vector<double> fronts_, sides_;
  std::vector<TermResult> results_;
  Eigen::VectorXd hyper_, mode_, shift_, prior_mean_, prior_precision_;
  std::vector<double> own_shift_;
  mutable std::vector<Eigen::MatrixXd> path_covariance_;
  double log_marginal_ = 0, log_determinant_ = 0;
  int iterations_ = 0;
  bool positive_definite_ = true;
  bool any_clipped_ = false, moved_ = true;  ///< of the last assembly; since then
};

using ConditionalPosterior = Conditional<LatentModel>;
#ifdef MOLTSPAN_COMPILED
extern template class Conditional<LatentModel>;
#endif

}  // namespace moltspan

#include "moltspan/posterior/impl/conditional.hpp"
