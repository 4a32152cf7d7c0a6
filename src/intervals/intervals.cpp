#include "moltspan/intervals/intervals.hpp"

#include <Eigen/Eigenvalues>
#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <optional>
#include <set>
#include <stdexcept>

#include "intervals/bootstrap.hpp"
#include "intervals/health.hpp"
#include "intervals/ml.hpp"
#include "intervals/posterior.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr int animal_level = static_cast<int>(Level::animal);
constexpr double small_sd = 0.15;             ///< share of sigma under which an sd may lie at 0
constexpr double same_log_likelihood = 1e-4;  ///< by which a fit without a level may fall short of one with it
constexpr double enough_points = 80;          ///< effective ones, of the spreads
constexpr int large_table = 20000;  ///< records from which few hyperparameter points do: the posterior is narrow

void count_kinds(const StadiaData& data, StadiaFit& fit) {
  fit.n_records = data.size();
  for (const auto& b : data.bounds) {
    if (std::isnan(b.max_days))
      ++fit.n_running;
    else if (b.max_days == b.min_days)
      ++fit.n_exact;
    else if (b.min_days <= 0)
      ++fit.n_left;
    else
      ++fit.n_interval;
    if (b.entry_days > 0) ++fit.n_truncated;
    if (b.start_range_days > 1 && b.max_days != b.min_days) ++fit.n_doubly;
  }
  for (int level = 0; level < n_levels; ++level) {
    std::set<int> named(data.groups[level].begin(), data.groups[level].end());
    named.erase(-1);
    fit.n_members[level] = static_cast<int>(named.size());
    if (level ==
        animal_level)  // each record without an animal is one of its own; larger groups are those that have a name
      fit.n_members[level] += static_cast<int>(std::count(data.groups[level].begin(), data.groups[level].end(), -1));
  }
}

int thread_count(const StadiaOptions& options, std::size_t records) {
  if (options.threads > 0) return options.threads;
  return records < 20 ? 1 : default_threads();
}

void clear_level(StadiaData& data, int level) {
  data.groups[static_cast<std::size_t>(level)].clear();
  data.probe_groups[static_cast<std::size_t>(level)].clear();
}

/// Under maximum likelihood a level of one member, or of one unit a member, is left out and one of two members becomes
/// a fixed difference; health says so.
StadiaData reduce_small_levels(StadiaData data, std::vector<HealthNote>& health) {
  for (int level = 0; level < n_levels; ++level) {
    auto& codes = data.groups[level];
    const std::set<int> members(codes.begin(), codes.end());
    const bool one_each = members.size() > 2 && !holds_two_units(data, static_cast<Level>(level));
    if (one_each) {
      note_one_unit_each(data, static_cast<Level>(level), health);
      clear_level(data, level);
    }
    if (codes.empty() || members.size() > 2) continue;
    const std::string name = sd_name(static_cast<Level>(level));
    const std::string group = name.substr(0, name.size() - 3);
    if (members.size() == 2) {
      const int second = *members.rbegin();
      data.covariates.conservativeResize(Eigen::NoChange, data.covariates.cols() + 1);
      for (std::size_t i = 0; i < codes.size(); ++i)
        data.covariates(static_cast<Index>(i), data.covariates.cols() - 1) = codes[i] == second ? 1 : 0;
      data.probe_covariates.conservativeResize(Eigen::NoChange, data.covariates.cols());
      for (std::size_t i = 0; i < data.probes(); ++i)
        data.probe_covariates(static_cast<Index>(i), data.covariates.cols() - 1) =
            data.probe_groups[level][i] == second ? 1 : 0;
      data.coefficients.push_back({group + "_difference"});
    }
    health.push_back(
        {HealthState::warning, "few_members",
         members.size() == 1
             ? "only one " + group + ": no spread between members can be estimated, its effect is left out"
             : "only two members of level " + group + ": a fixed difference is estimated in place of a spread"});
    clear_level(data, level);
  }
  return data;
}

void name_coefficients(const StadiaData& data, StadiaFit& fit) {
  fit.coefficient_names = names_of(data.coefficients);
  for (const Coefficient& one : data.coefficients) fit.coefficient_roles.push_back(one.role);
}

void store_parameters(StadiaFit& fit, const VectorXd& values, const MatrixXd& covariance, int n_coefficients) {
  fit.estimate.values = values;
  fit.estimate.covariance = covariance;
  fit.estimate.names = fit.coefficient_names;
  fit.estimate.names.push_back("log_sigma");
  for (Level level : fit.levels) fit.estimate.names.push_back("log_" + sd_name(level));
  for (const auto& name : fit.learned_names) fit.estimate.names.push_back("log_" + name);
  const VectorXd errors = covariance.diagonal().cwiseSqrt();
  fit.coefficients = values.head(n_coefficients);
  fit.coefficient_errors = errors.head(n_coefficients);
  fit.sigma = std::exp(values[n_coefficients]);
  fit.sigma_error = fit.sigma * errors[n_coefficients];
  for (Index i = n_coefficients + 1; i < values.size(); ++i) {
    const bool level = fit.level_sds.size() < fit.levels.size();
    (level ? fit.level_sds : fit.learned_sds).push_back(std::exp(values[i]));
    (level ? fit.level_sd_errors : fit.learned_sd_errors).push_back(std::exp(values[i]) * errors[i]);
  }
}

/// Doubles the nodes until the log-likelihood at the maximum stands still.
NewtonResult maximise_with_doubling(const AnimalQuadrature& quadrature, const VectorXd& start, int fixed_nodes,
                                    int& nodes) {
  nodes = fixed_nodes > 0 ? fixed_nodes : 8;
  NewtonResult result = maximise_likelihood(quadrature, start, nodes);
  while (fixed_nodes == 0 && quadrature.has_effect() && nodes < 200 && !result.vanishing) {
    const double finer = quadrature.evaluate(result.parameters, 2 * nodes, false).value;
    nodes *= 2;
    const bool still = std::abs(finer - result.at.value) < 1e-9;
    const int before = result.iterations;
    result = maximise_likelihood(quadrature, result.parameters, nodes);
    result.iterations += before;
    if (still) break;
  }
  return result;
}

void fit_levels(const StadiaData& data, StadiaFit& fit);

/// Fits without a level whose sd lies at 0.
void fit_without(const StadiaData& data, Level level, StadiaFit& fit) {
  StadiaData without = data;
  clear_level(without, static_cast<int>(level));
  fit_levels(without, fit);
  fit.levels.push_back(level);
  fit.level_sds.push_back(0);
  fit.level_sd_errors.push_back(0);
  note_zero_sd(level, fit.health);
}

/// The level, if any, that a fit does as well without: its sd is small, and a search on logarithms never comes to 0.
std::optional<Level> level_at_zero(const StadiaData& data, const StadiaOptions& options,
                                   const std::vector<Level>& levels, const Maximum& maximum) {
  const Index log_sigma = data.covariates.cols();
  for (std::size_t k = 0; k < levels.size(); ++k) {
    if (maximum.x[log_sigma + 1 + static_cast<Index>(k)] > maximum.x[log_sigma] + std::log(small_sd)) continue;
    StadiaFit without;
    without.options = options;
    fit_without(data, levels[k], without);
    const double laplace = without.laplace_log_likelihood;
    if (laplace > maximum.value - same_log_likelihood) return levels[k];
  }
  return {};
}

/// Any levels, by Laplace's approximation: numeric derivatives of the engine's marginal likelihood.
void fit_by_laplace(const StadiaData& data, StadiaFit& fit) {
  const StadiaModel model(data, fit.options, true);
  ConditionalPosterior posterior(model);
  const Objective objective = [&](const VectorXd& x) {
    return posterior.solve(x) ? posterior.log_marginal() : -INFINITY;
  };
  const VectorXd begin = start_values(data, false);
  VectorXd start = VectorXd::Constant(model.n_hyper(), begin[begin.size() - 1] - 0.7);
  start.head(begin.size()) = begin;
  const Maximum maximum = maximise(objective, start, 1e-4);
  fit.iterations += maximum.iterations;
  if (const auto level = level_at_zero(data, fit.options, model.groups().levels, maximum))
    return fit_without(data, *level, fit);
  fit.quadrature_nodes = 1;
  fit.log_likelihood = fit.laplace_log_likelihood = maximum.value;
  const MatrixXd information = -difference_hessian(objective, maximum.x, 1e-3);
  for (Level level : model.groups().levels) fit.levels.push_back(level);
  const MatrixXd covariance = invert_information(information, maximum.x, data, fit.levels, fit.health);
  store_parameters(fit, maximum.x, covariance, static_cast<int>(data.covariates.cols()));
  note_convergence(maximum.converged, fit.health);
  if (fit.options.quadrature != 1)
    fit.health.push_back({HealthState::warning, "laplace",
                          "more than one level of groups: Laplace's approximation is used in place of quadrature"});
}

void fit_by_quadrature(const StadiaData& data, StadiaFit& fit) {
  const AnimalQuadrature quadrature(data, fit.options);
  const NewtonResult result = maximise_with_doubling(quadrature, start_values(data, quadrature.has_effect()),
                                                     fit.options.quadrature, fit.quadrature_nodes);
  fit.iterations += result.iterations;
  if (result.vanishing) return fit_without(data, Level::animal, fit);
  if (quadrature.has_effect())
    fit.levels.push_back(Level::animal);
  else
    fit.quadrature_nodes = 0;
  fit.log_likelihood = result.at.value;
  fit.laplace_log_likelihood = quadrature.evaluate(result.parameters, 1, false).value;
  const MatrixXd covariance = invert_information(-result.at.hessian, result.parameters, data, fit.levels, fit.health);
  store_parameters(fit, result.parameters, covariance, static_cast<int>(data.covariates.cols()));
  note_convergence(result.converged, fit.health);
}

/// By quadrature where only animals are groups, else by Laplace's approximation.
void fit_levels(const StadiaData& data, StadiaFit& fit) {
  bool only_animals = true;
  for (int level = 0; level < animal_level; ++level) only_animals = only_animals && data.groups[level].empty();
  if (only_animals && (fit.options.quadrature != 1 || data.groups[animal_level].empty()))
    fit_by_quadrature(data, fit);
  else
    fit_by_laplace(data, fit);
}

/// Levels whose spread was estimated as 0.
std::vector<Level> levels_at_zero(const StadiaFit& fit) {
  std::vector<Level> levels;
  for (std::size_t k = 0; k < fit.levels.size(); ++k)
    if (fit.level_sds[k] == 0) levels.push_back(fit.levels[k]);
  return levels;
}

/// The posterior that stands behind predictions of a maximum-likelihood fit: flat priors and the estimate's Gaussian.
std::shared_ptr<const StadiaPosterior> posterior_of_estimate(StadiaData data, StadiaOptions options,
                                                             const StadiaEstimate& estimate,
                                                             const std::vector<Level>& without, bool few_animals) {
  options.priors.clear();
  for (const auto& [name, role] : data.coefficients) options.priors.push_back({name, {Prior::Kind::normal, 0, 1e4}});
  for (Level level : without) data.groups[static_cast<std::size_t>(level)].clear();
  if (options.truncation == Truncation::marginal) options.truncation = Truncation::conditional;
  auto model = std::make_shared<const StadiaModel>(data, options, false);
  HyperOptions hyper;
  hyper.gaussian_only = true;
  hyper.large = data.size() > large_table;
  hyper.threads = thread_count(options, data.size());
  hyper.correct_means = data.size() <= large_table;
  const Index size = model->n_hyper();
  hyper.covariance = estimate.covariance.block(data.covariates.cols(), data.covariates.cols(), size, size);
  if (!hyper.covariance.allFinite()) hyper.covariance.setZero();
  if (few_animals) hyper.given_points = bootstrap_spreads(data, options, estimate, size > 1);
  return std::make_shared<const StadiaPosterior>(model, estimate.values.segment(data.covariates.cols(), size), hyper);
}

void fit_ml(const StadiaData& given, StadiaFit& fit) {
  check_estimable(given, fit);
  const StadiaData data = reduce_small_levels(given, fit.health);
  name_coefficients(data, fit);
  bool only_animals = true;
  for (int level = 0; level < animal_level; ++level) only_animals = only_animals && data.groups[level].empty();
  fit_levels(data, fit);
  check_spread(fit);
  const bool few_animals = only_animals && !given.groups[animal_level].empty() &&
                           fit.n_members[animal_level] < enough_animals && std::isfinite(fit.estimate.values.sum());
  if (few_animals)
    fit.health.push_back(
        {HealthState::warning, "few_animals", "under five animals: bands come from a parametric bootstrap"});
  fit.posterior = std::make_shared<LazyStadiaPosterior>(
      [data, options = fit.options, estimate = fit.estimate, few_animals, without = levels_at_zero(fit)] {
        return posterior_of_estimate(data, options, estimate, without, few_animals);
      });
}

/// Posterior means and covariance of (coefficients, log sigma, log sds), from the mixture.
void summarise_posterior(const StadiaPosterior& posterior, StadiaFit& fit) {
  const auto& model = posterior.model();
  const auto& hyper = posterior.hyper();
  const Index p = model.data().covariates.cols(), size = p + hyper.points.cols();
  VectorXd mean = VectorXd::Zero(size);
  MatrixXd second = MatrixXd::Zero(size, size);
  VectorXd sds = VectorXd::Zero(hyper.points.cols()), squares = sds;
  for (Index i = 0; i < hyper.weights.size(); ++i) {
    if (!(hyper.weights[i] > 0)) continue;
    VectorXd x(size);
    x << posterior.coefficient_means().row(i).transpose(), hyper.points.row(i).transpose();
    mean += hyper.weights[i] * x;
    second += hyper.weights[i] * x * x.transpose();
    second.topLeftCorner(p, p) += hyper.weights[i] * posterior.coefficient_covariances()[static_cast<std::size_t>(i)];
    const VectorXd natural = hyper.points.row(i).transpose().array().exp();
    sds += hyper.weights[i] * natural;
    squares += hyper.weights[i] * natural.cwiseAbs2();
  }
  for (int level : model.estimated_levels())
    fit.levels.push_back(model.groups().levels[static_cast<std::size_t>(level)]);
  for (const LearnedSpread& learned : model.data().learned) fit.learned_names.push_back(learned.name);
  store_parameters(fit, mean, second - mean * mean.transpose(), static_cast<int>(p));
  const VectorXd spread = (squares - sds.cwiseAbs2()).cwiseMax(0).cwiseSqrt();
  fit.sigma = sds[0];
  fit.sigma_error = spread[0];
  const auto levels = static_cast<std::ptrdiff_t>(fit.levels.size());
  fit.level_sds.assign(sds.data() + 1, sds.data() + 1 + levels);
  fit.level_sd_errors.assign(spread.data() + 1, spread.data() + 1 + levels);
  fit.learned_sds.assign(sds.data() + 1 + levels, sds.data() + sds.size());
  fit.learned_sd_errors.assign(spread.data() + 1 + levels, spread.data() + spread.size());
}

/// Where to start on a large table: the hyperparameters of ever larger parts of it.
VectorXd start_of_part(const StadiaData& data, StadiaOptions options) {
  options.points = 8;
  for (std::size_t records : {std::size_t{1500}, data.size() / 8}) {
    if (records == 1500 && options.start.size() > 0) continue;
    const StadiaFit part = fit_stadia(thinned(data, records), options);
    options.start = part.estimate.values.tail(part.estimate.values.size() - part.coefficients.size());
  }
  return options.start;
}

void fit_bayes(const StadiaData& data, StadiaFit& fit) {
  name_coefficients(data, fit);
  auto model = std::make_shared<const StadiaModel>(data, fit.options, false);
  HyperOptions hyper;
  hyper.threads = thread_count(fit.options, data.size());
  hyper.large = data.size() > large_table;
  if (hyper.large) hyper.max_points = 32;
  if (fit.options.points > 0) hyper.max_points = fit.options.points;
  hyper.recentre = !hyper.large;
  hyper.enough_points = enough_points;
  hyper.correct_means = data.size() <= large_table;  // beyond, Laplace's means err by nothing that shows
  VectorXd start = VectorXd::Constant(model->n_hyper(), std::log(0.15));
  start[0] = std::log(0.2);
  if (hyper.large && !data.groups[animal_level].empty()) fit.options.start = start_of_part(data, fit.options);
  if (fit.options.start.size() == start.size()) start = fit.options.start;
  const auto posterior = std::make_shared<const StadiaPosterior>(model, start, hyper);
  fit.posterior = std::make_shared<LazyStadiaPosterior>([posterior] { return posterior; });
  fit.points = static_cast<int>(posterior->hyper().weights.size());
  fit.iterations = posterior->hyper().evaluations;
  fit.log_likelihood = fit.laplace_log_likelihood = posterior->hyper().log_evidence;
  summarise_posterior(*posterior, fit);
  note_posterior(*posterior, fit);
}

}  // namespace

StadiaFit fit_stadia(const StadiaData& data, const StadiaOptions& options) {
  check_table(data, options);
  StadiaFit fit;
  fit.options = options;
  count_kinds(data, fit);
  if (options.method == Method::ml)
    fit_ml(data, fit);
  else
    fit_bayes(data, fit);
  for (std::size_t i = 0; i < data.size(); ++i)
    if (std::isnan(data.bounds[i].max_days)) fit.running_rows.push_back(static_cast<int>(i));
  return fit;
}

double stadia_log_likelihood(const StadiaData& data, const StadiaOptions& options, const VectorXd& parameters) {
  check_table(data, options);
  const AnimalQuadrature quadrature(data, options);
  if (parameters.size() != quadrature.n_parameters())
    throw std::invalid_argument("stadia_log_likelihood: " + std::to_string(quadrature.n_parameters()) +
                                " parameters are needed, " + std::to_string(parameters.size()) + " were given");
  if (options.quadrature > 0) return quadrature.evaluate(parameters, options.quadrature, false).value;
  double value = quadrature.evaluate(parameters, 16, false).value;
  for (int nodes = 32; nodes <= 256; nodes *= 2) {
    const double finer = quadrature.evaluate(parameters, nodes, false).value;
    const bool still = std::abs(finer - value) < 1e-9;
    value = finer;
    if (still) break;
  }
  return value;
}

namespace {

const StadiaPosterior& posterior_of(const StadiaFit& fit) {
  if (!fit.posterior) throw std::invalid_argument("a fit without a posterior: nothing was fitted, or by method ml");
  return fit.posterior->get();
}

}  // namespace

PredictorMixture running_predictors(const StadiaFit& fit) { return posterior_of(fit).running(fit.running_rows); }

PosteriorPoints posterior_points(const StadiaFit& fit) {
  const StadiaPosterior& posterior = posterior_of(fit);
  PosteriorPoints points{posterior.hyper().weights, posterior.hyper().points, posterior.coefficient_means(), {}};
  points.coefficient_sd = points.coefficient_mean;
  for (Index i = 0; i < points.weights.size(); ++i)
    points.coefficient_sd.row(i) =
        posterior.coefficient_covariances()[static_cast<std::size_t>(i)].diagonal().cwiseSqrt().transpose();
  return points;
}

PredictorMixture probe_predictors(const StadiaFit& fit) { return posterior_of(fit).probes(); }

std::vector<std::pair<int, double>> own_weights(const StadiaFit& fit) { return posterior_of(fit).own_weights(); }

PredictorMixture predict_stadia(const StadiaFit& fit, const MatrixXd& covariates,
                                const std::array<std::vector<int>, n_levels>& members) {
  return posterior_of(fit).predict(covariates, members);
}

}  // namespace moltspan
