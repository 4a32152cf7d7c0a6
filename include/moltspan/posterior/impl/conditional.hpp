#pragma once

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "moltspan/numeric/parallel.hpp"
#include "moltspan/posterior/conditional.hpp"

namespace moltspan {

namespace conditional {

inline constexpr int max_newton_steps = 100, long_search = 8;
inline constexpr double newton_tolerance = 1e-12;  ///< Newton decrement: twice the gain that is left in the log density
inline constexpr std::size_t many_terms = 5000;    ///< from which threads pay and Newton may stop earlier
inline constexpr double loose_newton_tolerance = 1e-7;
inline constexpr double smallest_curvature = 1e-10;
inline constexpr double most_shift_sds = 0.5;  ///< of a mean: a correction of first order

/// Clips the positive eigenvalues of a term's Hessian, so that a Newton step climbs; true when there was one.
inline bool clip(TermResult& result, int width) {
  if (width == 1) {
    if (result.hessian[0] <= 0) return false;
    result.hessian[0] = -smallest_curvature;
    return true;
  }
  Eigen::Map<Eigen::Matrix2d> hessian(result.hessian.data());
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> parts(hessian);
  if (parts.eigenvalues().maxCoeff() <= 0) return false;
  hessian = parts.eigenvectors() * parts.eigenvalues().cwiseMin(-smallest_curvature).asDiagonal() *
            parts.eigenvectors().transpose();
  return true;
}

}  // namespace conditional

template <PosteriorModel Model>
Conditional<Model>::Conditional(const Model& model, int threads)
    : model_(model),
      threads_(model.terms.size() < conditional::many_terms ? 1 : std::max(threads, 1)),
      results_(model.terms.size()) {
  const auto& nodes = model.tree.nodes;
  std::size_t fronts = 0, sides = 0;
  int variables = 0;
  for (const auto& node : nodes) {
    const int length = node.dim + (node.parent < 0 ? 0 : path_length_[node.parent]);
    path_length_.push_back(length);
    variable_offset_.push_back(variables);
    front_offset_.push_back(fronts);
    side_offset_.push_back(sides);
    variables += node.dim;
    fronts += static_cast<std::size_t>(length) * length;
    sides += length;
  }
  fronts_.resize(fronts);
  sides_.resize(sides);
  mode_.setZero(variables);
  prior_mean_.setZero(variables);
  prior_precision_.setZero(variables);
}

template <PosteriorModel Model>
double Conditional<Model>::predictor_value(const Predictor& predictor, const Eigen::VectorXd& latent) const {
  double value = predictor.offset;
  const double* coefficient = predictor.coefficients.data();
  for (int node = predictor.node; node >= 0; node = model_.tree.nodes[node].parent) {
    const double* variable = latent.data() + variable_offset_[node];
    for (int i = 0; i < model_.tree.nodes[node].dim; ++i) value += *coefficient++ * variable[i];
  }
  return value;
}

template <PosteriorModel Model>
double Conditional<Model>::evaluate_terms(std::size_t from, std::size_t to, const Eigen::VectorXd& latent,
                                            const Eigen::VectorXd& hyper) {
  double total = 0;
  for (std::size_t t = from; t < to; ++t) {
    const auto& place = model_.terms[t];
    std::array<double, max_term_width> eta;
    for (int k = 0; k < place.width; ++k)
      eta[k] = predictor_value(model_.predictors[place.first_predictor + k], latent);
    results_[t] = model_.term(t, eta.data(), hyper);
    total += results_[t].value;
  }
  return total;
}

/// Log density of data and latent variables; keeps every term's derivatives. Summed in a fixed number of chunks, so
/// that the sum does not depend on the number of threads.
template <PosteriorModel Model>
double Conditional<Model>::evaluate(const Eigen::VectorXd& latent, const Eigen::VectorXd& hyper) {
  const std::size_t terms = model_.terms.size(), chunks = terms < conditional::many_terms ? 1 : 16;
  std::vector<double> sums(chunks, 0.0);
  const auto work = [&](std::size_t from, std::size_t to) {
    for (std::size_t c = from; c < to; ++c)
      sums[c] = evaluate_terms(c * terms / chunks, (c + 1) * terms / chunks, latent, hyper);
  };
  numeric::in_parts(0, chunks, threads_, work);
  double total = std::accumulate(sums.begin(), sums.end(), 0.0);
  for (Eigen::Index i = 0; i < latent.size(); ++i) {
    const double deviation = latent[i] - prior_mean_[i];
    total -= 0.5 * prior_precision_[i] * deviation * deviation;
    if (prior_precision_[i] > 0) total += 0.5 * std::log(prior_precision_[i] / (2 * std::numbers::pi));
  }
  return total;
}

template <PosteriorModel Model>
void Conditional<Model>::add_term_to_front(std::size_t index, bool clipped) {
  const auto& place = model_.terms[index];
  TermResult result = results_[index];
  if (clipped) any_clipped_ = conditional::clip(result, place.width) || any_clipped_;
  const int node = model_.predictors[place.first_predictor].node, length = path_length_[node];
  double* front = fronts_.data() + front_offset_[node];
  double* side = sides_.data() + side_offset_[node];
  for (int k = 0; k < place.width; ++k) {
    const double* a = model_.predictors[place.first_predictor + k].coefficients.data();
    for (int i = 0; i < length; ++i) side[i] += result.gradient[k] * a[i];
    for (int m = 0; m < place.width; ++m) {
      const double* b = model_.predictors[place.first_predictor + m].coefficients.data();
      const double curvature = -result.hessian[k * place.width + m];
      for (int i = 0; i < length; ++i) {
        const double scaled = curvature * a[i];
        if (scaled != 0)
          for (int j = i; j < length; ++j) front[i * length + j] += scaled * b[j];
      }
    }
  }
}

/// Fronts and right-hand sides of all nodes: negative Hessian and gradient at the current results.
template <PosteriorModel Model>
void Conditional<Model>::assemble(bool clipped) {
  any_clipped_ = false;
  std::fill(fronts_.begin(), fronts_.end(), 0.0);
  std::fill(sides_.begin(), sides_.end(), 0.0);
  for (std::size_t node = 0; node < model_.tree.nodes.size(); ++node) {
    for (int i = 0; i < model_.tree.nodes[node].dim; ++i) {
      const int variable = variable_offset_[node] + i;
      fronts_[front_offset_[node] + static_cast<std::size_t>(i) * (path_length_[node] + 1)] =
          prior_precision_[variable];
      sides_[side_offset_[node] + i] = -prior_precision_[variable] * (mode_[variable] - prior_mean_[variable]);
    }
  }
  for (std::size_t t = 0; t < model_.terms.size(); ++t) add_term_to_front(t, clipped);
}

/// What is left of a node's front after its own variables are eliminated belongs to its parent's front.
template <PosteriorModel Model>
void Conditional<Model>::add_to_parent(int node) {
  const int parent = model_.tree.nodes[node].parent, dim = model_.tree.nodes[node].dim;
  if (parent < 0) return;
  const int length = path_length_[node], above = path_length_[parent];
  const double* front = fronts_.data() + front_offset_[node] + static_cast<std::size_t>(dim) * length + dim;
  double* target = fronts_.data() + front_offset_[parent];
  for (int i = 0; i < above; ++i) {
    for (int j = i; j < above; ++j) target[i * above + j] += front[i * length + j];
    sides_[side_offset_[parent] + i] += sides_[side_offset_[node] + dim + i];
  }
}

/// Leaves first. Keeps the pivot rows for the way back; false when a pivot is not positive.
template <PosteriorModel Model>
bool Conditional<Model>::eliminate() {
  log_determinant_ = 0;
  for (int node = static_cast<int>(model_.tree.nodes.size()) - 1; node >= 0; --node) {
    const int length = path_length_[node];
    double* front = fronts_.data() + front_offset_[node];
    double* side = sides_.data() + side_offset_[node];
    for (int k = 0; k < model_.tree.nodes[node].dim; ++k) {
      const double* row = front + k * length;
      if (!(row[k] > 0)) return false;
      log_determinant_ += std::log(row[k]);
      for (int i = k + 1; i < length; ++i) {
        const double factor = row[i] / row[k];
        if (factor == 0) continue;
        for (int j = i; j < length; ++j) front[i * length + j] -= factor * row[j];
        side[i] -= factor * side[k];
      }
    }
    add_to_parent(node);
  }
  return true;
}

/// From the root down: solves for the step on the eliminated fronts.
template <PosteriorModel Model>
void Conditional<Model>::back_substitute(Eigen::VectorXd& step) const {
  std::vector<double> path;
  for (std::size_t node = 0; node < model_.tree.nodes.size(); ++node) {
    const int length = path_length_[node], dim = model_.tree.nodes[node].dim;
    path.assign(length, 0.0);
    int place = dim;
    for (int up = model_.tree.nodes[node].parent; up >= 0; up = model_.tree.nodes[up].parent)
      for (int i = 0; i < model_.tree.nodes[up].dim; ++i) path[place++] = step[variable_offset_[up] + i];
    const double* front = fronts_.data() + front_offset_[node];
    for (int k = dim - 1; k >= 0; --k) {
      double rest = sides_[side_offset_[node] + k];
      for (int i = k + 1; i < length; ++i) rest -= front[k * length + i] * path[i];
      path[k] = rest / front[k * length + k];
      step[variable_offset_[node] + k] = path[k];
    }
  }
}

/// Gradient times step: sum over pivots of (eliminated side)^2 / pivot.
template <PosteriorModel Model>
double Conditional<Model>::newton_decrement() const {
  double decrement = 0;
  for (std::size_t node = 0; node < model_.tree.nodes.size(); ++node)
    for (int k = 0; k < model_.tree.nodes[node].dim; ++k) {
      const double side = sides_[side_offset_[node] + k];
      decrement += side * side / fronts_[front_offset_[node] + static_cast<std::size_t>(k) * (path_length_[node] + 1)];
    }
  return decrement;
}

/// Halves the step until the log density does not fall; returns false when no length helps. Late in a long search it
/// doubles a full step while that gains: against an exponential wall Newton's own steps never grow.
template <PosteriorModel Model>
bool Conditional<Model>::line_search(const Eigen::VectorXd& step, const Eigen::VectorXd& hyper, double& value) {
  Eigen::VectorXd trial;
  for (double length = 1; length > 1e-11; length *= 0.5) {
    trial = mode_ + length * step;
    const double there = evaluate(trial, hyper);
    if (std::isfinite(there) && there >= value - 1e-12 * std::abs(value)) {
      mode_ = trial;
      value = there;
      if (length == 1 && iterations_ > conditional::long_search) lengthen(step, hyper, value);
      return true;
    }
  }
  evaluate(mode_, hyper);
  return false;
}

template <PosteriorModel Model>
void Conditional<Model>::lengthen(const Eigen::VectorXd& step, const Eigen::VectorXd& hyper, double& value) {
  for (double length = 1; length < 1e6; length *= 2) {
    const Eigen::VectorXd trial = mode_ + length * step;
    const double there = evaluate(trial, hyper);
    if (!(there > value)) break;
    mode_ = trial;
    value = there;
  }
  evaluate(mode_, hyper);
}

template <PosteriorModel Model>
bool Conditional<Model>::solve(const Eigen::VectorXd& hyper) {
  if (!hyper.allFinite()) return false;  // terms may not see what is no number
  hyper_ = hyper;
  model_.latent_prior(hyper, prior_mean_, prior_precision_);
  if (iterations_ == 0) mode_ = prior_mean_;
  path_covariance_.clear();
  own_shift_.clear();
  shift_.setZero(mode_.size());
  double value = mode_.allFinite() ? evaluate(mode_, hyper) : NAN;
  if (!std::isfinite(value)) value = evaluate(mode_ = prior_mean_, hyper);
  Eigen::VectorXd step = Eigen::VectorXd::Zero(mode_.size());
  bool converged = false;
  for (iterations_ = 1; iterations_ <= conditional::max_newton_steps && !converged; ++iterations_) {
    assemble(true);
    moved_ = false;
    if (!eliminate()) break;
    back_substitute(step);
    if (!step.allFinite()) break;  // a term had no finite derivatives here
    const double decrement = newton_decrement();
    if (decrement < (model_.terms.size() < conditional::many_terms ? conditional::newton_tolerance : conditional::loose_newton_tolerance)) {
      converged = true;
      break;
    }
    moved_ = true;
    if (!line_search(step, hyper, value)) {
      converged = decrement < 1e-6;
      break;
    }
  }
  // After convergence the fronts hold the elimination at the mode; it is the true one unless a term was clipped.
  if (!converged || any_clipped_ || moved_) {
    assemble(false);
    positive_definite_ = eliminate();
    if (!positive_definite_) {
      assemble(true);
      if (!eliminate()) return false;
    }
  } else {
    positive_definite_ = true;
  }
  log_marginal_ = value - 0.5 * log_determinant_ + 0.5 * static_cast<double>(mode_.size()) * std::log(2 * std::numbers::pi);
  if constexpr (requires { model_.log_joint(nullptr, hyper); })
    log_marginal_ += model_.log_joint([this](std::size_t i) { return predictor_mode(model_.predictors[i]); }, hyper);
  return converged && positive_definite_;
}

/// Carries right-hand sides through an elimination that is done already.
template <PosteriorModel Model>
void Conditional<Model>::eliminate_sides() {
  for (int node = static_cast<int>(model_.tree.nodes.size()) - 1; node >= 0; --node) {
    const int length = path_length_[node], dim = model_.tree.nodes[node].dim, parent = model_.tree.nodes[node].parent;
    const double* front = fronts_.data() + front_offset_[node];
    double* side = sides_.data() + side_offset_[node];
    for (int k = 0; k < dim; ++k)
      for (int i = k + 1; i < length; ++i) side[i] -= front[k * length + i] / front[k * length + k] * side[k];
    for (int i = dim; parent >= 0 && i < length; ++i) sides_[side_offset_[parent] + i - dim] += side[i];
  }
}

template <PosteriorModel Model>
void Conditional<Model>::correct_means() {
  std::fill(sides_.begin(), sides_.end(), 0.0);
  own_shift_.assign(model_.terms.size(), 0.0);
  for (std::size_t t = 0; t < model_.terms.size(); ++t) {
    if (model_.terms[t].width != 1) continue;
    const Predictor& predictor = model_.predictors[static_cast<std::size_t>(model_.terms[t].first_predictor)];
    const auto [eta, variance] = predictor_moments(predictor);
    const double step = 0.5 * std::sqrt(variance), above = eta + step, below = eta - step;
    const double third =
        (model_.term(t, &above, hyper_).hessian[0] - model_.term(t, &below, hyper_).hessian[0]) / (2 * step);
    double pull = 0.5 * third * variance;
    if (!std::isfinite(pull)) continue;
    const double most = conditional::most_shift_sds / std::sqrt(variance);
    pull = std::clamp(pull, -most, most);
    own_shift_[t] = pull * variance;
    double* side = sides_.data() + side_offset_[static_cast<std::size_t>(predictor.node)];
    for (std::size_t i = 0; i < predictor.coefficients.size(); ++i) side[i] += pull * predictor.coefficients[i];
  }
  eliminate_sides();
  back_substitute(shift_);
  limit_shift();
}

/// Many records of one kind (none of which has ended) push what they share the same way: first order holds no further
/// there either than half a posterior sd.
template <PosteriorModel Model>
void Conditional<Model>::limit_shift() {
  const int root = model_.tree.nodes[0].dim;
  double factor = 1;
  for (int k = 0; k < root; ++k) {
    const double most = conditional::most_shift_sds * std::sqrt(path_covariance(0)(k, k)), shift = std::abs(shift_[k]);
    if (shift > most) factor = std::min(factor, most / shift);
  }
  if (factor == 1) return;
  shift_ *= factor;
  for (double& own : own_shift_) own *= factor;
}

template <PosteriorModel Model>
const Eigen::MatrixXd& Conditional<Model>::path_covariance(int node) const {
  if (path_covariance_.empty()) path_covariance_.resize(model_.tree.nodes.size());
  Eigen::MatrixXd& covariance = path_covariance_[node];
  if (covariance.size() > 0 || path_length_[node] == 0) return covariance;
  const int length = path_length_[node], dim = model_.tree.nodes[node].dim, parent = model_.tree.nodes[node].parent;
  covariance.setZero(length, length);
  if (parent >= 0) covariance.bottomRightCorner(length - dim, length - dim) = path_covariance(parent);
  const double* front = fronts_.data() + front_offset_[node];
  for (int k = dim - 1; k >= 0; --k) {
    const int rest = length - k - 1;
    const double pivot = front[k * length + k];
    const Eigen::Map<const Eigen::VectorXd> row(front + k * length + k + 1, rest);
    const Eigen::VectorXd with_rest = -covariance.bottomRightCorner(rest, rest) * row / pivot;
    covariance.col(k).tail(rest) = with_rest;
    covariance.row(k).tail(rest) = with_rest.transpose();
    covariance(k, k) = 1 / pivot - row.dot(with_rest) / pivot;
  }
  return covariance;
}

template <PosteriorModel Model>
std::pair<double, double> Conditional<Model>::predictor_moments(const Predictor& predictor) const {
  const Eigen::MatrixXd& covariance = path_covariance(predictor.node);
  const Eigen::Map<const Eigen::VectorXd> a(predictor.coefficients.data(), covariance.rows());
  return {predictor_value(predictor, mode_) + predictor_value(predictor, shift_) - predictor.offset,
          a.dot(covariance * a)};
}

template <PosteriorModel Model>
double Conditional<Model>::prior_variance(const Predictor& predictor) const {
  double sum = 0;
  std::size_t at = 0;
  for (int node = predictor.node; node >= 0; node = model_.tree.nodes[node].parent)
    for (int k = 0; k < model_.tree.nodes[node].dim; ++k) {
      const double coefficient = predictor.coefficients[at++];
      if (coefficient != 0) sum += coefficient * coefficient / prior_precision_[variable_offset_[node] + k];
    }
  return sum;
}

template <PosteriorModel Model>
Eigen::VectorXd Conditional<Model>::node_mean(int node) const {
  const int dim = model_.tree.nodes[node].dim;
  return mode_.segment(variable_offset_[node], dim) + shift_.segment(variable_offset_[node], dim);
}

}  // namespace moltspan
