#include "moltspan/growth/bayes.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <memory>
#include <set>
#include <stdexcept>

#include "growth/bayes_model.hpp"
#include "intervals/health.hpp"
#include "moltspan/posterior/posterior.hpp"
#include "base/words.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr int few_groups = 3;
constexpr Index many_rows = 200;  ///< from here on with threads
constexpr std::size_t least_steps_for_decline = 10;
constexpr std::size_t enough_values = 8;
constexpr double reading_visits = 3e5;      ///< of all points together
constexpr double carried_by_prior = 0.9;    ///< share of the prior's sd that the posterior's has
constexpr double no_scatter = 1e-4;         ///< sigma over the scatter of the readings: the likelihood has no maximum
constexpr double few_points = 20;           ///< effective ones of a rough posterior
constexpr double negligible_weight = 1e-5;  ///< of all points left out together

[[noreturn]] void fail(const std::string& what) { throw std::invalid_argument("fit_growth: " + what); }

void check_rows(const BayesGrowthRows& rows, Index n, std::size_t coefficients, std::size_t effects) {
  const auto shape = [n](const MatrixXd& m, std::size_t columns) {
    return m.cols() == static_cast<Index>(columns) && (columns == 0 || m.rows() == n);
  };
  const auto empty_or = [n](auto size) { return size == 0 || static_cast<Index>(size) == n; };
  if (!shape(rows.x, coefficients) || !shape(rows.z, effects))
    fail("x and z must have a row each reading and a column each name");
  if (rows.x_slope.size() > 0 && (!shape(rows.x_slope, coefficients) || !shape(rows.z_slope, effects)))
    fail("x_slope and z_slope must have the shapes of x and z");
  if (!empty_or(rows.instars.size()) || !empty_or(rows.groups.size()) || !empty_or(rows.outer_groups.size()) ||
      !empty_or(rows.measures.size()))
    fail("instars, groups and measures have an entry each row, or none");
  for (Index row = 0; row < n; ++row)
    if (!rows.x.row(row).allFinite() || (effects > 0 && !rows.z.row(row).allFinite()))
      fail("row " + std::to_string(row) + " holds a number that is not finite; fill it in or leave the row out");
}

void check(const BayesGrowthData& data, const BayesGrowthOptions& options) {
  const Index n = data.y.size();
  if (n == 0) fail("there is no row; give at least one reading");
  check_rows(data.rows, n, data.coefficients.size(), data.effects.size());
  const bool needs_instars = options.process || options.form != GrowthForm::constant;
  if (needs_instars && data.rows.instars.size() == 0) fail("a walk or a declining ratio needs the instar of each row");
  if (options.form != GrowthForm::constant && data.rows.x_slope.size() == 0)
    fail("a declining ratio needs what the columns gain by an instar");
  for (Index row = 0; row < n; ++row) {
    if (!std::isfinite(data.y[row])) fail("row " + std::to_string(row) + ": the response is no finite number");
    if (data.lower.size() > 0 && !(data.lower[row] <= data.y[row] && data.y[row] <= data.upper[row]))
      fail("row " + std::to_string(row) + " does not lie within its rounding interval");
  }
}

struct FormFit {
  std::shared_ptr<const MixedModel> model;
  HyperPosterior hyper;
  std::vector<BayesGrowthPoint> points;
};

/// Points of the spreads: few readings tell little, so that the posterior is wide and skewed, but cost little.
int most_points(const MixedModel& model) {
  const double sweeps = model.rounded().empty() ? 1 : 4;
  return static_cast<int>(
      std::clamp(reading_visits / (sweeps * static_cast<double>(model.data().y.size())), 256.0, 4096.0));
}

/// Readings that follow the model to the last digit make the likelihood as large as one likes as sigma goes to 0.
void check_scatter(const MixedModel& model, const VectorXd& spreads) {
  const VectorXd away = model.data().y.array() - model.data().y.mean();
  const double scatter = std::sqrt(away.squaredNorm() / static_cast<double>(away.size()));
  for (std::size_t k = 0; k < std::max<std::size_t>(model.data().measures.size(), 1); ++k)
    if (!(spreads[static_cast<Index>(k)] > std::log(no_scatter * (scatter > 0 ? scatter : 1))))
      fail("the readings follow the model exactly, so that " + model.spread_names()[k] +
           " goes to 0: they look calculated or copied; give readings as they were read, each once, or the step to "
           "which they are rounded (reading_step_mm)");
}

FormFit fit_form(const BayesGrowthData& data, const BayesGrowthOptions& options, bool declining) {
  FormFit result;
  result.model = std::make_shared<const MixedModel>(data, options, declining);
  const MixedModel& model = *result.model;
  HyperOptions how;
  how.threads = data.y.size() < many_rows ? 1 : options.threads > 0 ? options.threads : default_threads();
  how.max_points = most_points(model);
  how.enough_points = how.max_points / 3.0;
  how.recentre = true;
  result.hyper = integrate_states(
      model, MixedState(model), how, [&](std::size_t n) { result.points.resize(n); },
      [&](std::size_t point, const MixedState& state) { result.points[point] = state.point(); });
  Index heaviest = 0;
  result.hyper.weights.maxCoeff(&heaviest);
  check_scatter(model, result.hyper.points.row(heaviest));
  return result;
}

/// Keeps the points that weigh anything.
void set_points(FormFit& found, BayesGrowthFit& fit) {
  for (std::size_t k = 0; k < found.points.size(); ++k) {
    const double weight = found.hyper.weights[static_cast<Index>(k)];
    if (!(weight > negligible_weight / static_cast<double>(found.points.size()))) continue;
    fit.points.push_back(std::move(found.points[k]));
    fit.points.back().weight = weight;
  }
}

void set_coefficients(BayesGrowthFit& fit) {
  const Index p = fit.data.rows.x.cols();
  fit.beta = VectorXd::Zero(p);
  fit.covariance = MatrixXd::Zero(p, p);
  for (const BayesGrowthPoint& point : fit.points) fit.beta += point.weight * point.beta;
  for (const BayesGrowthPoint& point : fit.points) {
    const VectorXd away = point.beta - fit.beta;
    fit.covariance += point.weight * (point.beta_covariance + away * away.transpose());
  }
}

void set_spreads(const MixedModel& model, BayesGrowthFit& fit) {
  fit.spread_names = model.spread_names();
  const auto n = static_cast<Index>(fit.spread_names.size());
  VectorXd mean = VectorXd::Zero(n), square = mean, free_mean = mean, free_square = mean;
  fit.effect_covariance = MatrixXd::Zero(model.n_effects(), model.n_effects());
  for (const BayesGrowthPoint& point : fit.points) {
    const VectorXd bounded = model.bounded(point.hyper), unbounded = model.unbounded(point.hyper);
    mean += point.weight * bounded;
    square += point.weight * bounded.cwiseAbs2();
    free_mean += point.weight * unbounded;
    free_square += point.weight * unbounded.cwiseAbs2();
    fit.effect_covariance += point.weight * model.numbers(point.hyper).effect_covariance;
  }
  for (Index i = 0; i < n; ++i) {
    fit.spreads.push_back({mean[i], std::sqrt(std::max(0.0, square[i] - mean[i] * mean[i]))});
    fit.unbounded.push_back({free_mean[i], std::sqrt(std::max(0.0, free_square[i] - free_mean[i] * free_mean[i]))});
  }
}

void note_members(BayesGrowthFit& fit) {
  const auto note = [&](int members, const std::string& what) {
    if (members > 0 && members < few_groups)
      fit.health.push_back(
          {HealthState::warning, "few_members",
           "only " + std::to_string(members) + " " + what + ": too few to learn how much they differ, so that the prior decides"});
  };
  if (!fit.data.effects.empty()) note(fit.n_groups, "animal" + std::string(fit.n_groups == 1 ? "" : "s"));
  if (!fit.data.rows.outer_groups.empty()) note(fit.n_outer, "cohort" + std::string(fit.n_outer == 1 ? "" : "s"));
}

/// As many effects as readings: their spreads and sigma come out of one scatter.
void note_told_by_priors(const MixedModel& model, BayesGrowthFit& fit) {
  std::size_t most = 0;
  for (const auto& rows : model.rows_of_animal()) most = std::max(most, rows.size());
  if (model.n_effects() > 0 && most <= static_cast<std::size_t>(model.n_effects()))
    fit.health.push_back(
        {HealthState::warning, "few_readings",
         "no animal has more than " + std::to_string(most) + " reading" + (most == 1 ? "" : "s") +
             ": how the scatter splits into sigma and the spread between animals rests on the priors"});
  for (Index i = 0; i < fit.beta.size(); ++i) {
    const std::string& name = fit.data.coefficients[i];
    if (std::sqrt(fit.covariance(i, i)) > carried_by_prior * model.prior_of(name).sd)
      fit.health.push_back({HealthState::warning, "coefficient",
                            "the table says next to nothing of " + name + ": its prior carries it"});
  }
}

void note_noise(BayesGrowthFit& fit) {
  const auto& rows = fit.data.rows;
  if (rows.instars.size() == 0 || fit.data.effects.empty()) return;
  const std::size_t repeats = repeated_readings(rows.groups, rows.instars);
  if (!fit.options.process)
    fit.health.push_back({HealthState::good, "process",
                          "the scatter of growth from molt to molt is not told from the error of "
                          "reading: sigma holds both (" +
                              std::to_string(repeats) + " readings of an instar read before)"});
  else if (!process_is_told(rows.groups, rows.instars))
    fit.health.push_back(
        {HealthState::warning, "process",
         "only " + std::to_string(repeats) +
             " readings of an instar read before: how the scatter splits into growth and reading rests on the "
             "priors of process_sd and sigma"});
}

void note_health(const FormFit& found, BayesGrowthFit& fit) {
  const auto note = [&](HealthState state, const char* topic, const std::string& text) {
    fit.health.push_back({state, topic, text});
  };
  if (!found.hyper.converged) note(HealthState::bad, "convergence", "the search for the spreads did not converge");
  if (10 * found.hyper.failed_points > found.hyper.weights.size())
    note(HealthState::warning, "points",
         std::to_string(found.hyper.failed_points) + " of " + std::to_string(found.hyper.weights.size()) +
             " points failed and are left out");
  if (found.hyper.effective_points > 0 && found.hyper.effective_points < few_points)
    note(HealthState::warning, "points",
         "the posterior of the spreads rests on " + std::to_string(static_cast<int>(found.hyper.effective_points)) +
             " effective points of " + std::to_string(found.hyper.weights.size()) + ": its bands are rough");
  note_members(fit);
  note_told_by_priors(*found.model, fit);
  note_noise(fit);
  if (fit.n_rounded > 0)
    note(HealthState::good, "rounding", std::to_string(fit.n_rounded) + " readings count as rounding intervals");
  if (std::isfinite(fit.declining_weight))
    note(HealthState::good, "growth_form",
         fit.form == GrowthForm::declining
             ? "growth ratio changes with size (weight " + percent(fit.declining_weight) + " against a constant one)"
             : "constant growth ratio (weight " + percent(1 - fit.declining_weight) +
                   " against one that changes with size)");
}

/// Steps from one instar of an animal to another.
std::size_t steps_between_instars(const BayesGrowthData& data) {
  std::set<std::pair<int, double>> seen;
  std::set<int> animals;
  for (Index row = 0; row < data.y.size(); ++row) {
    const int animal = data.rows.groups.empty() ? 0 : data.rows.groups[row];
    seen.insert({animal, data.rows.instars[row]});
    animals.insert(animal);
  }
  return seen.size() - animals.size();
}

double weight_of_declining(double constant, double declining) { return 1 / (1 + std::exp(constant - declining)); }

bool all_multiples(const std::vector<double>& values, double step) {
  return std::all_of(values.begin(), values.end(),
                     [&](double v) { return std::abs(v - step * std::round(v / step)) < 1e-6 * step; });
}

}  // namespace

BayesGrowthFit fit_growth_bayes(BayesGrowthData data, const BayesGrowthOptions& options) {
  check(data, options);
  BayesGrowthFit fit;
  fit.data = std::move(data);
  fit.options = options;
  const auto distinct = [](const std::vector<int>& codes) {
    return static_cast<int>(std::set<int>(codes.begin(), codes.end()).size());
  };
  fit.n_groups = distinct(fit.data.rows.groups);
  fit.n_outer = distinct(fit.data.rows.outer_groups);
  FormFit found = fit_form(fit.data, options, options.form == GrowthForm::declining);
  fit.declining_weight = std::numeric_limits<double>::quiet_NaN();
  if (options.form == GrowthForm::weighed && steps_between_instars(fit.data) >= least_steps_for_decline) {
    FormFit other = fit_form(fit.data, options, true);
    fit.declining_weight = weight_of_declining(found.hyper.log_evidence, other.hyper.log_evidence);
    if (fit.declining_weight > 0.5) found = std::move(other);
  }
  fit.form = found.model->declining() ? GrowthForm::declining : GrowthForm::constant;
  fit.log_evidence = found.hyper.log_evidence;
  fit.evaluations = found.hyper.evaluations;
  fit.n_rounded = found.model->rounded().size();
  fit.priors_used = found.model->priors_used();
  set_points(found, fit);
  set_coefficients(fit);
  set_spreads(*found.model, fit);
  note_health(found, fit);
  return fit;
}

double bayes_growth_log_marginal(const BayesGrowthData& data, const BayesGrowthOptions& options,
                                 const VectorXd& unbounded) {
  check(data, options);
  const MixedModel model(data, options, options.form == GrowthForm::declining);
  MixedState state(model);
  return state.solve(unbounded) ? state.log_marginal() : -std::numeric_limits<double>::infinity();
}

double found_rounding_step_mm(const std::vector<double>& values_mm) {
  if (values_mm.size() < enough_values) return 0;
  for (double step : {10.0, 25.4 / 4, 5.0, 25.4 / 8})
    if (all_multiples(values_mm, step)) return step;
  return 0;
}

std::size_t repeated_readings(const std::vector<int>& groups, const VectorXd& instars) {
  std::set<std::pair<int, double>> seen;
  for (Index row = 0; row < instars.size() && !groups.empty(); ++row)
    seen.insert({groups[row], instars[row]});
  return groups.empty() ? 0 : static_cast<std::size_t>(instars.size()) - seen.size();
}

bool process_is_told(const std::vector<int>& groups, const VectorXd& instars) {
  return repeated_readings(groups, instars) >= enough_values;
}

}  // namespace moltspan
