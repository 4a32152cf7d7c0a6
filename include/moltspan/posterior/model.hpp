#pragma once

#include <Eigen/Core>
#include <array>
#include <concepts>
#include <functional>
#include <vector>

/// @file
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

/// A model that is chosen when the program runs. Implementations are read by several threads at once.
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

/// What the engine needs of a model: the members of LatentModel, virtual or not; `log_joint` may be missing.
template <typename M>
concept PosteriorModel = requires(const M& model, Eigen::VectorXd& out, const Eigen::VectorXd& hyper, const double* eta, std::size_t index) {
  { model.tree } -> std::convertible_to<const LatentTree&>;
  { model.predictors } -> std::convertible_to<const std::vector<Predictor>&>;
  { model.terms } -> std::convertible_to<const std::vector<TermPlace>&>;
  model.latent_prior(hyper, out, out);
  { model.term(index, eta, hyper) } -> std::convertible_to<TermResult>;
  { model.log_hyper_prior(hyper) } -> std::convertible_to<double>;
};

}  // namespace moltspan
