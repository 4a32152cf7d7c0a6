#pragma once

#include <memory>

#include "moltspan/posterior/hyper.hpp"

namespace moltspan {
namespace hyper {

/// Solvers of a latent model that hand each solved point to `visit`.
template <typename Model, typename Visit>
SolverMaker model_solvers(const Model& model, const Conditional<Model>& search, const HyperOptions& options,
                          const Visit& visit) {
  return [&model, &search, &options, &visit]() -> PointSolver {
    const auto posterior = std::make_shared<Conditional<Model>>(model);
    posterior->start_at(search);
    return [posterior, &model, &options, &visit](std::size_t point, const Eigen::VectorXd& at) {
      if (!posterior->solve(at)) return -std::numeric_limits<double>::infinity();
      const double value = posterior->log_marginal() + model.log_hyper_prior(at);
      if (options.correct_means) posterior->correct_means();
      visit(point, *posterior);
      return value;
    };
  };
}

template <typename Model, typename Visit>
HyperPosterior integrate_model(const Model& model, const Eigen::VectorXd& start, const HyperOptions& options,
                               const PointCount& begin, const Visit& visit, const Maximiser& maximiser) {
  Conditional<Model> solver(model, options.threads);
  const Objective log_posterior = [&](const Eigen::VectorXd& at) {
    const bool solved = solver.solve(at);
    return solved ? solver.log_marginal() + model.log_hyper_prior(at) : -std::numeric_limits<double>::infinity();
  };
  return integrate_hyperparameters(log_posterior, model_solvers(model, solver, options, visit), start, options, begin,
                                   maximiser);
}

}  // namespace hyper

template <PosteriorModel Model>
  requires(!std::derived_from<Model, LatentModel>)
HyperPosterior integrate_hyperparameters(
    const Model& model, const Eigen::VectorXd& start, const HyperOptions& options, const PointCount& begin,
    const std::type_identity_t<std::function<void(std::size_t point, const Conditional<Model>& posterior)>>& visit,
    const Maximiser& maximiser) {
  return hyper::integrate_model(model, start, options, begin, visit, maximiser);
}

}  // namespace moltspan
