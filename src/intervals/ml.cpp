#include "intervals/ml.hpp"

#include <Eigen/Eigenvalues>
#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <map>

#include "intervals/health.hpp"
#include "moltspan/numeric/parallel.hpp"
#include "moltspan/numeric/quadrature.hpp"

namespace moltspan {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

namespace {

constexpr int n_chunks = 64;  ///< fixed, so that sums do not depend on the number of threads

}  // namespace

/// Sums of one chunk, and the workspace of one animal.
struct AnimalQuadrature::Part {
  Likelihood sum;
  VectorXd score, mean_score;
  MatrixXd node_hessian, second_moment;
};

AnimalQuadrature::AnimalQuadrature(const StadiaData& data, const StadiaOptions& options)
    : data_(data),
      options_(options),
      n_coefficients_(static_cast<int>(data.covariates.cols())),
      has_effect_(!data.groups[static_cast<int>(Level::animal)].empty()) {
  if (!has_effect_) {
    for (std::size_t first = 0; first < data.size(); first += 256) {
      animals_.emplace_back();
      for (std::size_t i = first; i < std::min(first + 256, data.size()); ++i)
        animals_.back().push_back(static_cast<int>(i));
    }
    return;
  }
  std::map<int, std::size_t> place;
  const auto& codes = data.groups[static_cast<int>(Level::animal)];
  for (std::size_t i = 0; i < data.size(); ++i) {
    const int key = codes[i] >= 0 ? codes[i] : -1 - static_cast<int>(i);
    const auto [found, added] = place.try_emplace(key, animals_.size());
    if (added) animals_.emplace_back();
    animals_[found->second].push_back(static_cast<int>(i));
  }
}

StadiumTerm AnimalQuadrature::term(int record, double eta, double log_sigma, bool entry) const {
  const auto& bounds = data_.bounds[static_cast<std::size_t>(record)];
  return entry ? entry_term(options_.family, bounds, eta, log_sigma)
               : stadium_term(options_.family, bounds, eta, log_sigma, options_.truncation);
}

/// Mode of the standardised effect u (effect = sd * u) given an animal's records, by damped Newton.
double AnimalQuadrature::find_mode(const std::vector<int>& records, const VectorXd& parameters, bool entry,
                                   double& curvature) const {
  const double log_sigma = parameters[n_coefficients_], sd = std::exp(parameters[n_coefficients_ + 1]);
  const auto density = [&](double u, double& slope) {
    double value = -0.5 * u * u;
    slope = -u;
    curvature = 1;
    for (int record : records) {
      const double eta = data_.covariates.row(record).dot(parameters.head(n_coefficients_)) + sd * u;
      const double weight = data_.weights.size() == 0 ? 1 : data_.weights[record];
      const StadiumTerm t = term(record, eta, log_sigma, entry);
      value += weight * t.value;
      slope += weight * sd * t.d_eta;
      curvature -= weight * sd * sd * t.d_eta_eta;
    }
    return value;
  };
  double u = 0, slope = 0, value = density(u, slope);
  for (int step = 0; step < 60; ++step) {
    const double move =
        std::clamp(slope / std::max(curvature, 0.1), -3.0, 3.0);  // curvature is 1 where nothing is known
    if (std::abs(move) < 1e-9) break;
    double length = 1, there = 0;
    for (; length > 1e-10; length *= 0.5) {
      there = density(u + length * move, slope);
      if (there >= value - 1e-12) break;
    }
    u += length * move;
    value = there;
  }
  if (!(curvature > 0.05)) curvature = 1;  // not concave here: the prior's own spread
  return u;
}

/// Adds one record's score and Hessian, at one node, in all parameters; `effect` is the animal's effect there.
void AnimalQuadrature::add_derivatives(Part& part, int record, double weight, double effect,
                                       const StadiumTerm& t) const {
  const int p = n_coefficients_;
  for (int a = 0; a < p; ++a) {
    const double xa = weight * data_.covariates(record, a);
    part.score[a] += xa * t.d_eta;
    for (int b = 0; b <= a; ++b) part.node_hessian(a, b) += xa * data_.covariates(record, b) * t.d_eta_eta;
    part.node_hessian(p, a) += xa * t.d_eta_s;
    if (has_effect_) part.node_hessian(p + 1, a) += xa * effect * t.d_eta_eta;
  }
  part.score[p] += weight * t.d_s;
  part.node_hessian(p, p) += weight * t.d_s_s;
  if (!has_effect_) return;
  part.score[p + 1] += weight * effect * t.d_eta;
  part.node_hessian(p + 1, p) += weight * effect * t.d_eta_s;
  part.node_hessian(p + 1, p + 1) += weight * effect * (t.d_eta + effect * t.d_eta_eta);
}

/// Adds sign * log of one animal's integral, with derivatives.
void AnimalQuadrature::add_animal(const std::vector<int>& records, const VectorXd& parameters, int nodes,
                                  bool derivatives, bool entry, double sign, Part& part) const {
  const int p = n_coefficients_, n = n_parameters();
  const double log_sigma = parameters[p], sd = has_effect_ ? std::exp(parameters[p + 1]) : 0;
  double curvature = 1;
  const double mode = has_effect_ ? find_mode(records, parameters, entry, curvature) : 0;
  const double spread = 1 / std::sqrt(curvature);
  const auto& rule = numeric::gauss_hermite(has_effect_ ? nodes : 1);
  std::vector<double> base(records.size());
  for (std::size_t i = 0; i < records.size(); ++i) base[i] = data_.covariates.row(records[i]).dot(parameters.head(p));
  double top = -std::numeric_limits<double>::infinity(), total = 0;
  part.mean_score.setZero(n);
  part.second_moment.setZero(n, n);
  for (Index k = 0; k < rule.nodes.size(); ++k) {
    const double x = rule.nodes[k], u = mode + spread * x;
    double value = has_effect_ ? std::log(rule.weights[k]) + std::log(spread) + 0.5 * (x * x - u * u) : 0;
    part.score.setZero(n);
    part.node_hessian.setZero(n, n);
    for (std::size_t i = 0; i < records.size(); ++i) {
      const int record = records[i];
      const double weight = data_.weights.size() == 0 ? 1 : data_.weights[record];
      const StadiumTerm t = term(record, base[i] + sd * u, log_sigma, entry);
      value += weight * t.value;
      if (!derivatives) continue;
      add_derivatives(part, record, weight, sd * u, t);
    }
    if (value > top) {
      const double factor = std::exp(top - value);
      total *= factor;
      part.mean_score *= factor;
      part.second_moment *= factor;
      top = value;
    }
    const double share = std::exp(value - top);
    total += share;
    if (!derivatives) continue;
    part.mean_score += share * part.score;
    part.second_moment.triangularView<Eigen::Lower>() += share * part.node_hessian;
    if (has_effect_) part.second_moment.selfadjointView<Eigen::Lower>().rankUpdate(part.score, share);
  }
  part.sum.value += sign * (top + std::log(total));
  if (!derivatives) return;
  part.mean_score /= total;
  part.sum.gradient += sign * part.mean_score;
  part.sum.hessian.triangularView<Eigen::Lower>() += (sign / total) * part.second_moment;
  if (has_effect_) part.sum.hessian.selfadjointView<Eigen::Lower>().rankUpdate(part.mean_score, -sign);
}

Likelihood AnimalQuadrature::evaluate(const VectorXd& parameters, int nodes, bool derivatives) const {
  const int n = n_parameters();
  std::vector<Part> parts(n_chunks);
  const auto work = [&](std::size_t first, std::size_t last) {
    for (std::size_t chunk = first; chunk < last; ++chunk) {
      Part& part = parts[chunk];
      part.sum.gradient.setZero(n);
      part.sum.hessian.setZero(n, n);
      for (std::size_t i = animals_.size() * chunk / n_chunks; i < animals_.size() * (chunk + 1) / n_chunks; ++i) {
        add_animal(animals_[i], parameters, nodes, derivatives, false, 1, part);
        if (options_.truncation != Truncation::marginal) continue;
        std::vector<int> late;
        for (int record : animals_[i])
          if (data_.bounds[static_cast<std::size_t>(record)].entry_days > 0) late.push_back(record);
        if (!late.empty()) add_animal(late, parameters, nodes, derivatives, true, -1, part);
      }
    }
  };
  const int threads = data_.size() < 2000 ? 1 : options_.threads > 0 ? options_.threads : default_threads();
  numeric::in_parts(0, n_chunks, threads, work);
  Likelihood total{0, VectorXd::Zero(n), MatrixXd::Zero(n, n)};
  for (const Part& part : parts) {
    total.value += part.sum.value;
    total.gradient += part.sum.gradient;
    total.hessian += part.sum.hessian;
  }
  total.hessian = MatrixXd(total.hessian.selfadjointView<Eigen::Lower>());
  return total;
}

/// Newton step with the negative Hessian made positive definite, no longer than 2 in any log standard deviation.
static VectorXd safe_step(const Likelihood& at, int first_log_sd, double& decrement) {
  const Eigen::SelfAdjointEigenSolver<MatrixXd> parts(-at.hessian);
  const VectorXd floor =
      VectorXd::Constant(at.gradient.size(), 1e-12 * std::max(1.0, parts.eigenvalues().cwiseAbs().maxCoeff()));
  const VectorXd scale = parts.eigenvalues().cwiseAbs().cwiseMax(floor);
  const VectorXd along = parts.eigenvectors().transpose() * at.gradient;
  decrement = along.cwiseAbs2().cwiseQuotient(scale).sum();
  VectorXd step = parts.eigenvectors() * along.cwiseQuotient(scale);
  const double longest =
      std::max(step.tail(step.size() - first_log_sd).cwiseAbs().maxCoeff() / 2, step.cwiseAbs().maxCoeff() / 10);
  return step / std::max(1.0, longest);
}

NewtonResult maximise_likelihood(const AnimalQuadrature& quadrature, VectorXd parameters, int nodes) {
  NewtonResult result;
  result.parameters = std::move(parameters);
  const int log_sigma = quadrature.n_parameters() - 1 - (quadrature.has_effect() ? 1 : 0);
  result.at = quadrature.evaluate(result.parameters, nodes, true);
  for (; result.iterations < 100 && !result.converged; ++result.iterations) {
    double decrement = 0;
    const VectorXd step = safe_step(result.at, log_sigma, decrement);
    result.converged = decrement < 1e-13 * std::max(1.0, std::abs(result.at.value));
    if (result.converged) break;
    double length = 1;
    Likelihood there;
    for (; length > 1e-10; length *= 0.5) {
      there = quadrature.evaluate(result.parameters + length * step, nodes, true);
      if (std::isfinite(there.value) && there.value >= result.at.value - 1e-13 * std::abs(result.at.value)) break;
    }
    if (length <= 1e-10) {
      result.converged = decrement < 1e-8;
      break;
    }
    result.parameters += length * step;
    result.at = there;
    if (result.parameters[log_sigma] < -14) break;
    result.vanishing = quadrature.has_effect() && result.parameters[log_sigma + 1] < result.parameters[log_sigma] - 7;
    if (result.vanishing) break;
  }
  return result;
}

VectorXd start_values(const StadiaData& data, bool with_effect) {
  const auto n = static_cast<Index>(data.size()), p = data.covariates.cols();
  VectorXd log_middle(n);
  for (Index i = 0; i < n; ++i) {
    const auto& b = data.bounds[static_cast<std::size_t>(i)];
    const double high = std::isnan(b.max_days) ? 1.5 * b.min_days + 1 : b.max_days;
    log_middle[i] = std::log(std::max(0.5 * (std::max(b.min_days, 0.25 * high) + high), 1e-3));
  }
  VectorXd parameters = VectorXd::Zero(p + (with_effect ? 2 : 1));
  const Eigen::ColPivHouseholderQR<MatrixXd> qr(data.covariates);
  parameters.head(p) = qr.solve(log_middle);
  const VectorXd residual = log_middle - data.covariates * parameters.head(p);
  const double sd = std::sqrt(residual.squaredNorm() / static_cast<double>(std::max<Index>(n - p, 1)));
  parameters[p] = std::log(std::clamp(sd, 0.03, 2.0));
  if (with_effect) {
    parameters[p + 1] = parameters[p] - 0.35;
    parameters[p] -= 0.35;
  }
  return parameters;
}

}  // namespace moltspan
