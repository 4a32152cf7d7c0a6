#include "moltspan/growth/latent.hpp"

#include <algorithm>
#include <cmath>
#include <memory>
#include <stdexcept>

#include "growth/latent_model.hpp"
#include "growth/latent_points.hpp"
#include "intervals/health.hpp"
#include "base/words.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr int least_steps_for_decline = 10;
constexpr int few_steps = 8;

[[noreturn]] void fail(const std::string& what) { throw std::invalid_argument("fit_growth_model: " + what); }

void check_animals(const GrowthData& data) {
  for (std::size_t i = 0; i < data.animals.size(); ++i) {
    const GrowthAnimal& animal = data.animals[i];
    for (double molts : animal.molts)
      if (!(molts > 0) || !std::isfinite(molts))
        fail("animal " + std::to_string(i) + " has " + std::to_string(molts) +
             " molts between two instars; there has to be a positive number");
    if (!animal.shifts.empty() && animal.shifts.size() != animal.molts.size())
      fail("animal " + std::to_string(i) + ": one shift a step between instars, or none");
    if (!animal.slowing.empty() && animal.slowing.size() != animal.molts.size())
      fail("animal " + std::to_string(i) + ": one share of growth a step between instars, or none");
    if (!animal.slowing_variance.empty() && animal.slowing_variance.size() != animal.molts.size())
      fail("animal " + std::to_string(i) + ": one variance a step between instars, or none");
    for (double share : animal.slowing)
      if (!(share > 0 && share < 1.5))
        fail("animal " + std::to_string(i) + " has a share of growth of " + std::to_string(share) +
             "; it lies between 0 and 1");
  }
  for (const auto& codes : data.groups)
    if (!codes.empty() && codes.size() != data.animals.size()) fail("a code for each animal, or none at all");
}

void check_reading(const GrowthData& data, std::size_t i) {
  const GrowthReading& r = data.readings[i];
  const std::string name = "reading " + std::to_string(i);
  if (r.animal < 0 || r.animal >= static_cast<int>(data.animals.size())) fail(name + " is of an unknown animal");
  if (i > 0 && r.animal < data.readings[i - 1].animal) fail(name + ": readings stand in the order of their animals");
  if (r.instar < 0 || r.instar > static_cast<int>(data.animals[r.animal].molts.size()))
    fail(name + " is of an instar that its animal does not have");
  if (r.measure < 0 || r.measure >= static_cast<int>(data.measures.size())) fail(name + " is of an unknown measure");
  if (!std::isfinite(r.log_value)) fail(name + ": its log value is no finite number; sizes are positive");
  if (r.upper < r.lower || (r.upper > 0 && !(std::exp(r.log_value) <= r.upper * (1 + 1e-9))))
    fail(name + " does not lie within its rounding interval");
}

void check_growth_data(const GrowthData& data) {
  check_animals(data);
  for (std::size_t i = 0; i < data.readings.size(); ++i) check_reading(data, i);
  if (data.columns.cols() != static_cast<Index>(data.parameters.size()) ||
      (data.columns.cols() > 0 && data.columns.rows() != static_cast<Index>(data.readings.size())))
    fail("columns must have a row each reading and a column each parameter");
  if (data.readings.empty()) fail("there is no reading");
}

/// Some of the animals that were read, spread evenly without a period that groups could share (multiples of the golden
/// ratio).
GrowthData thinned(const GrowthData& data, std::size_t most_readings) {
  constexpr double golden = 0.6180339887498949;
  const double share = static_cast<double>(most_readings) / static_cast<double>(data.readings.size());
  if (share >= 1) return data;
  GrowthData few;
  few.measures = data.measures;
  few.parameters = data.parameters;
  std::vector<Index> rows;
  double turn = 0;
  for (std::size_t i = 0; i < data.readings.size();) {
    const int animal = data.readings[i].animal;
    const bool taken = turn < share;
    turn = std::fmod(turn + golden, 1.0);
    for (; i < data.readings.size() && data.readings[i].animal == animal; ++i) {
      if (!taken) continue;
      few.readings.push_back(data.readings[i]);
      few.readings.back().animal = static_cast<int>(few.animals.size());
      rows.push_back(static_cast<Index>(i));
    }
    if (!taken) continue;
    few.animals.push_back(data.animals[animal]);
    for (int level = 0; level < n_levels; ++level)
      if (!data.groups[level].empty())
        few.groups[level].push_back(data.groups[level][animal]);
  }
  few.columns = data.columns(rows, Eigen::all);
  return few;
}

/// Steps between instars of one animal that were both read.
int seen_steps(const GrowthData& data) {
  int steps = 0;
  for (std::size_t i = 1; i < data.readings.size(); ++i)
    steps += data.readings[i].animal == data.readings[i - 1].animal &&
             data.readings[i].instar != data.readings[i - 1].instar;
  return steps;
}

/// One form, fitted.
struct FormFit {
  std::shared_ptr<const GrowthModel> model;  ///< of the data searched
  HyperPosterior hyper;
  GrowthPoints points;
};

FormFit fit_form(const GrowthData& searched, const GrowthModelOptions& options, bool declining) {
  FormFit result;
  result.model = std::make_shared<const GrowthModel>(searched, options, declining);
  const GrowthModel& model = *result.model;
  HyperOptions how;
  how.threads = searched.readings.size() < 200 ? 1 : options.threads > 0 ? options.threads : default_threads();
  const std::size_t readings = searched.readings.size();
  how.max_points = options.points > 0 ? options.points : readings < 100 ? 512 : readings > 1000 ? 32 : 64;
  how.mode_tolerance = 1e-4;
  how.enough_points = how.max_points >= 512 ? 150 : 30;
  result.hyper = integrate_states(
      model, GrowthPosterior(model), how, [&](std::size_t n) { result.points.resize(n); },
      [&](std::size_t point, const GrowthPosterior& posterior) { result.points.keep(point, posterior); });
  return result;
}

/// The mode found, in the places of a model that may estimate levels which the searched animals did not show.
VectorXd mode_for(const GrowthModel& model, const FormFit& found) {
  VectorXd hyper = model.start();
  const auto& known = found.model->hyper_names();
  for (std::size_t i = 0; i < model.hyper_names().size(); ++i)
    if (const auto at = std::find(known.begin(), known.end(), model.hyper_names()[i]); at != known.end())
      hyper[static_cast<Index>(i)] = found.hyper.mode[at - known.begin()];
  return hyper;
}

/// With the spreads found on some of the animals: all animals at their mode.
void pass_over_all(const GrowthData& data, const FormFit& found, GrowthModelFit& fit) {
  const GrowthModel model(data, fit.options, found.model->declining());
  GrowthPosterior posterior(model);
  if (!posterior.solve(mode_for(model, found)))
    fit.health.push_back(
        {HealthState::bad, "growth_convergence", "the growth model did not come to rest on all animals"});
  GrowthPoints points;
  points.resize(1);
  points.keep(0, posterior);
  points.package(model, VectorXd::Ones(1), fit);
}

void set_spreads(const FormFit& found, GrowthModelFit& fit) {
  const auto& names = found.model->hyper_names();
  const auto moments = [&](Index column, const auto& transform) {
    const VectorXd values = found.hyper.points.col(column).unaryExpr(transform);
    const double mean = found.hyper.weights.dot(values);
    return GrowthEstimate{mean, std::sqrt(std::max(0.0, found.hyper.weights.dot(values.cwiseAbs2()) - mean * mean))};
  };
  for (std::size_t i = 0; i < names.size(); ++i) {
    const auto column = static_cast<Index>(i);
    if (names[i] == "decline") {
      fit.decline = moments(column, [](double x) { return x; });
      continue;
    }
    fit.spread_names.push_back(names[i]);
    fit.spreads.push_back(moments(column, [](double x) { return std::exp(x); }));
  }
}

void note_health(const GrowthData& data, const FormFit& found, GrowthModelFit& fit) {
  const auto note = [&](HealthState state, const char* topic, const std::string& text) {
    fit.health.push_back({state, topic, text});
  };
  if (!found.hyper.converged)
    note(HealthState::bad, "growth_convergence", "the search for the spreads of the growth model did not converge");
  if (10 * found.hyper.failed_points > found.hyper.weights.size())
    note(HealthState::warning, "growth_points",
         std::to_string(found.hyper.failed_points) + " of " + std::to_string(found.hyper.weights.size()) +
             " points of the growth model failed and are left out");
  const int steps = seen_steps(data);
  if (steps < few_steps)
    note(HealthState::warning, "growth_steps",
         "only " + std::to_string(steps) +
             " molts with a size before and after: the growth ratio is mostly what was assumed");
  if (fit.n_searched < fit.n_readings)
    note(HealthState::good, "growth_search",
         "the spreads of growth were found on " + std::to_string(fit.n_searched) + " of " +
             std::to_string(fit.n_readings) + " size readings");
  if (std::isfinite(fit.declining_weight))
    note(HealthState::good, "growth_form",
         fit.form == GrowthForm::declining
             ? "growth ratio falls with size (weight " + percent(fit.declining_weight) + " against a constant one)"
             : "constant growth ratio (weight " + percent(1 - fit.declining_weight) + " against a declining one)");
}

void describe(const GrowthData& data, GrowthModelFit& fit) {
  fit.n_readings = data.readings.size();
  const GrowthModel model(data, fit.options, false);
  for (std::size_t i = 0; i < data.readings.size(); ++i) {
    fit.n_rounded += model.as_interval(data.readings[i]);
    fit.n_animals_read += i == 0 || data.readings[i].animal != data.readings[i - 1].animal;
  }
  for (const GrowthAnimal& animal : data.animals) fit.next_shift.push_back(animal.next_shift);
  for (const GrowthParameter& parameter : data.parameters) fit.parameter_names.push_back(parameter.name);
}

double weight_of_declining(double constant, double declining) { return 1 / (1 + std::exp(constant - declining)); }

}  // namespace

GrowthModelFit fit_growth_model(const GrowthData& data, const GrowthModelOptions& options) {
  check_growth_data(data);
  GrowthModelFit fit;
  fit.options = options;
  describe(data, fit);
  const GrowthData searched = thinned(data, options.search_readings);
  fit.n_searched = searched.readings.size();
  const bool weigh = options.form == GrowthForm::weighed && seen_steps(searched) >= least_steps_for_decline;
  FormFit found = fit_form(searched, options, options.form == GrowthForm::declining);
  fit.declining_weight = std::numeric_limits<double>::quiet_NaN();
  if (weigh) {
    FormFit other = fit_form(searched, options, true);
    fit.declining_weight = weight_of_declining(found.hyper.log_evidence, other.hyper.log_evidence);
    if (fit.declining_weight > 0.5) found = std::move(other);
  }
  fit.form = found.model->declining() ? GrowthForm::declining : GrowthForm::constant;
  fit.log_evidence = found.hyper.log_evidence;
  fit.evaluations = found.hyper.evaluations;
  set_spreads(found, fit);
  if (fit.n_searched < fit.n_readings)
    pass_over_all(data, found, fit);
  else
    found.points.package(*found.model, found.hyper.weights, fit);
  note_health(data, found, fit);
  return fit;
}

}  // namespace moltspan
