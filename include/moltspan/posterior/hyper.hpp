#pragma once

#include <Eigen/Core>
#include <cmath>
#include <concepts>
#include <functional>
#include <limits>
#include <type_traits>

#include "moltspan/config.hpp"
#include "moltspan/numeric/maximum.hpp"
#include "moltspan/posterior/conditional.hpp"

/// @file
/// Integration over hyperparameters: a finite mixture of Gaussian posteriors.
namespace moltspan {

struct HyperOptions {
  int threads = 1;
  bool correct_means = true;  ///< see ConditionalPosterior::correct_means
  int max_points = 512;       ///< most points of the lattice that is used from three hyperparameters on
  bool large = false;  ///< so many data that the posterior is narrow: coarser grid, looser Newton, mode found to a
                       ///< fraction of a posterior sd
  double enough_points = 70;     ///< the lattice is doubled while its effective number of points stays under this
  double mode_tolerance = 1e-8;  ///< relative, of the log density: the mode is only where points are centered
  bool recentre = false;         ///< at each doubling the importance distribution takes the moments of the points so far
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

/// BFGS: that of Ceres in the compiled library, `numeric::Bfgs` in a header-only build.
Maximiser usual_maximiser();

/// Solves a point of hyperparameters and returns its log posterior, -infinity where that failed.
using PointSolver = std::function<double(std::size_t point, const Eigen::VectorXd& hyper)>;

/// Makes a solver for one thread.
using SolverMaker = std::function<PointSolver()>;

/// Maximises the marginal posterior of the hyperparameters, then integrates: up to two hyperparameters on a full grid in the
/// principal axes; more by an importance-weighted rank-1 lattice drawn through a split Student-t in the principal axes (with
/// `recentre` moved to where the posterior proves to be). No random numbers: the same answer every time. `log_posterior` is
/// searched by one thread, then the points are solved by solvers of `make_solver`. Throws std::runtime_error where no point
/// can be solved.
HyperPosterior integrate_hyperparameters(const Objective& log_posterior, const SolverMaker& make_solver,
                                         const Eigen::VectorXd& start, const HyperOptions& options,
                                         const PointCount& begin, const Maximiser& maximiser = usual_maximiser());

/// The same for a latent model: `visit(point, posterior)` is called once a point with the solved posterior there.
HyperPosterior integrate_hyperparameters(const LatentModel& model, const Eigen::VectorXd& start,
                                         const HyperOptions& options, const PointCount& begin,
                                         const PointVisitor& visit, const Maximiser& maximiser = usual_maximiser());

/// The same for a model of one's own type, whose terms are then called without a virtual function.
template <PosteriorModel Model>
  requires(!std::derived_from<Model, LatentModel>)
HyperPosterior integrate_hyperparameters(
    const Model& model, const Eigen::VectorXd& start, const HyperOptions& options, const PointCount& begin,
    const std::type_identity_t<std::function<void(std::size_t point, const Conditional<Model>& posterior)>>& visit,
    const Maximiser& maximiser = usual_maximiser());

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

/// `usual_maximiser` with its usual accuracy.
Maximum maximise(const Objective& objective, const Eigen::VectorXd& start, double step = 1e-4, double tolerance = 1e-11);

}  // namespace moltspan

#include "moltspan/posterior/impl/model_solvers.hpp"
#ifndef MOLTSPAN_COMPILED
#include "moltspan/posterior/impl/hyper.hpp"
#endif
