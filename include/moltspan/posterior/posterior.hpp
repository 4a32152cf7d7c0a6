#pragma once

#include <Eigen/Core>
#include <array>
#include <cmath>
#include <functional>
#include <limits>
#include <memory>
#include <span>
#include <string>
#include <vector>

/// The engine: latent Gaussian posterior by Newton on a tree of blocks, Laplace's approximation, hyperparameter
/// integration.
///
/// Latent variables sit in the nodes of a tree whose root holds what all records share. A term of the likelihood
/// belongs to one node and sees a few linear predictors of the variables on the path from that node to the root. The
/// posterior precision is then a nested arrow: eliminating leaves first, one pass costs O(terms + nodes) for any number
/// of nodes. The engine knows nothing of what the terms mean.
namespace moltspan {

inline constexpr int max_term_width = 2;

/// Value, gradient and Hessian of one term in its predictors.
struct TermResult {
  double value = 0;
  std::array<double, max_term_width> gradient{};
  std::array<double, max_term_width * max_term_width> hessian{};  ///< row by row
};

/// Blocks of latent variables. Node 0 is the root; every parent stands before its children.
struct LatentTree {
  struct Node {
    int parent = -1;
    int dim = 0;
  };
  std::vector<Node> nodes;
};

/// Linear predictor: offset + coefficients' (variables of the node, of its parent, ..., of the root).
struct Predictor {
  int node = 0;
  double offset = 0;
  std::vector<double> coefficients;
};

/// One term: `width` successive predictors, all of the same node.
struct TermPlace {
  int first_predictor = 0;
  int width = 1;
};

/// What the engine needs of a model. Implementations are read by several threads at once.
class LatentModel {
 public:
  virtual ~LatentModel() = default;

  LatentTree tree;
  std::vector<Predictor> predictors;
  std::vector<TermPlace> terms;

  /// Independent Gaussian priors of all latent variables, node by node: means and precisions (0 = flat).
  virtual void latent_prior(const Eigen::VectorXd& hyper, Eigen::VectorXd& mean, Eigen::VectorXd& precision) const = 0;
  /// Log-density of a term at its predictors, with exact derivatives.
  virtual TermResult term(std::size_t index, const double* eta, const Eigen::VectorXd& hyper) const = 0;
  /// What terms that belong together add to the log marginal likelihood, at the predictors (by index) of the mode; its
  /// own slope moves no mode.
  virtual double log_joint(const std::function<double(std::size_t)>& /*eta*/, const Eigen::VectorXd& /*hyper*/) const {
    return 0;
  }
  /// Log prior density of the hyperparameters on the unbounded scale they are given on.
  virtual double log_hyper_prior(const Eigen::VectorXd& hyper) const = 0;
};

/// Posterior of the latent variables at fixed hyperparameters: mode, Laplace's log marginal, covariances along a path.
class ConditionalPosterior {
 public:
  /// `threads` work on the terms of a large model together.
  explicit ConditionalPosterior(const LatentModel& model, int threads = 1);

  /// The next `solve` begins at the last mode of another solver of the same model, if it has one.
  void start_at(const ConditionalPosterior& other) {
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

  const LatentModel& model_;
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

struct HyperOptions {
  int threads = 1;
  bool correct_means = true;  ///< see ConditionalPosterior::correct_means
  int max_points = 512;       ///< most points of the lattice that is used from three hyperparameters on
  bool large = false;  ///< so many data that the posterior is narrow: coarser grid, looser Newton, mode found to a
                       ///< fraction of a posterior sd
  double enough_points = 70;     ///< the lattice is doubled while its effective number of points stays under this
  double mode_tolerance = 1e-8;  ///< relative, of the log density: the mode is only where points are centered
  bool lay_anew = false;         ///< at each doubling the lattice is laid by the moments of the points so far
  bool gaussian_only = false;  ///< take the Gaussian at `start` with `covariance` as the posterior (maximum likelihood)
  Eigen::MatrixXd covariance;
  Eigen::MatrixXd
      given_points;  ///< with gaussian_only: these points, alike in weight, in place of the Gaussian; one a row
};

/// A finite mixture over the hyperparameters.
struct HyperPosterior {
  Eigen::MatrixXd points;   ///< one a row
  Eigen::VectorXd weights;  ///< adding up to 1
  Eigen::VectorXd mode;
  double log_evidence = 0;  ///< log of the integral of likelihood times prior
  bool converged = true;
  int evaluations = 0;
  int failed_points = 0;        ///< points left out as Newton failed there
  double effective_points = 0;  ///< of a lattice: as many points of equal weight would say as much; 0 of a grid
};

/// Called once a point with the solved posterior there; from several threads, for different points.
using PointVisitor = std::function<void(std::size_t point, const ConditionalPosterior& posterior)>;

/// Called with the number of points before they are visited; again with a larger one when points are added, what was
/// kept stays.
using PointCount = std::function<void(std::size_t points)>;

/// A function to maximise: value at x, or -infinity outside its domain.
using Objective = std::function<double(const Eigen::VectorXd&)>;

/// Solves a point of hyperparameters and returns its log posterior, -infinity where that failed.
using PointSolver = std::function<double(std::size_t point, const Eigen::VectorXd& hyper)>;

/// Makes a solver for one thread.
using SolverMaker = std::function<PointSolver()>;

/// Maximises the marginal posterior of the hyperparameters (BFGS of Ceres, central differences), then integrates: up to
/// two hyperparameters on a full grid in the principal axes; more by an importance-weighted rank-1 lattice drawn
/// through a split Student-t in the principal axes (with `lay_anew` moved to where the posterior proves to be). No
/// random numbers: the same answer every time. Throws std::runtime_error where no point can be solved.
HyperPosterior integrate_hyperparameters(const LatentModel& model, const Eigen::VectorXd& start,
                                         const HyperOptions& options, const PointCount& begin,
                                         const PointVisitor& visit);

/// The same for a model that is no LatentModel: `log_posterior` is searched by one thread, then the points are solved
/// by solvers of `make_solver`.
HyperPosterior integrate_hyperparameters(const Objective& log_posterior, const SolverMaker& make_solver,
                                         const Eigen::VectorXd& start, const HyperOptions& options,
                                         const PointCount& begin);

/// The same for a model whose `State` has `solve(hyper)` and `log_marginal()`: each point starts from a copy of the
/// state that searched, so that it does not matter which thread solves it; `keep(point, state)` is called for each
/// solved one.
template <typename Model, typename State, typename Keep>
HyperPosterior integrate_states(const Model& model, State search, const HyperOptions& options, const PointCount& begin,
                                Keep keep) {
  const auto value_at = [&model](State& state, const Eigen::VectorXd& hyper) {
    return state.solve(hyper) ? state.log_marginal() + model.log_hyper_prior(hyper)
                              : -std::numeric_limits<double>::infinity();
  };
  const SolverMaker make_solver = [&]() -> PointSolver {
    return [&](std::size_t point, const Eigen::VectorXd& hyper) {
      State state = search;
      const double value = value_at(state, hyper);
      if (std::isfinite(value)) keep(point, state);
      return value;
    };
  };
  const Objective log_posterior = [&](const Eigen::VectorXd& hyper) { return value_at(search, hyper); };
  return integrate_hyperparameters(log_posterior, make_solver, model.start(), options, begin);
}

struct Maximum {
  Eigen::VectorXd x;
  double value = 0;
  bool converged = false;
  int iterations = 0;
};

/// BFGS (Ceres) with central differences of step `step`, until a step gains less than `tolerance` of the value or the
/// gradient is under 1e5 x `tolerance`.
Maximum maximise(const Objective& objective, const Eigen::VectorXd& start, double step = 1e-4,
                 double tolerance = 1e-11);

/// Second derivatives by central differences.
Eigen::MatrixXd difference_hessian(const Objective& objective, const Eigen::VectorXd& x, double step);

}  // namespace moltspan
