#include <toml++/toml.h>

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>

#include "facts/embedded_tables.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/posterior/posterior.hpp"
#include "moltspan/signs/signs.hpp"
#include "signs/priors.hpp"

namespace moltspan {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double days_per_year = 365.25;
constexpr std::size_t most_stadia = 2000;   ///< to learn a sign from: more would move nothing
constexpr double no_alarms_per_day = 1e-9;  ///< a rate that stands for none
constexpr double weightless = 1e-5;         ///< of a point that is left out
constexpr int alarms_place = 1;             ///< place of their rate among the parameters
constexpr int most_end_nodes = 7;           ///< over the range of days of a molt

SignPrior normal_prior(const toml::node_view<const toml::node>& entry) {
  return {entry["mean"].value<double>().value(), entry["sd"].value<double>().value()};
}

SignPrior log_prior(const toml::node_view<const toml::node>& entry, double unit) {
  return {std::log(entry["median"].value<double>().value() / unit), entry["log_sd"].value<double>().value()};
}

SignRules read_rules(const toml::table& table, Sign sign) {
  const auto entry = table["sign"][sign_name(sign)];
  return {{normal_prior(entry["noted"]), log_prior(entry["alarms_a_year"], days_per_year),
           log_prior(entry["lag_days"], 1), log_prior(entry["lag_log_sd"], 1), normal_prior(entry["lag_exponent"])},
          entry["a_meal"].value<std::string>().value() == "ends",
          entry["after_mating"].value<double>().value(),
          entry["bald_patch_alarms"].value<double>().value()};
}

const toml::table& priors_table() {
  static const toml::table table = toml::parse(embedded_table("priors"));
  return table;
}

SignParameters parameters_at(const VectorXd& x) {
  return {numeric::logistic(x[0]), std::exp(x[1]), std::exp(x[2]), std::exp(x[3]), x[4]};
}

/// What a closed stadium shows of one sign.
struct Shown {
  SignRecord record;
  const SignStadium* stadium = nullptr;
  double alarm_factor = 1;
};

/// log-likelihood of one closed stadium: its molt lies anywhere in its range of days.
double log_likelihood(const Shown& s, const SignParameters& p) {
  const int width = s.stadium->end.width_days(), nodes = std::min(width, most_end_nodes);
  double sum = 0;
  for (int i = 0; i < nodes; ++i)
    sum += sign_likelihood(s.record, p, s.stadium->log_size, s.stadium->end.earliest + (i + 0.5) * width / nodes,
                           s.alarm_factor);
  const double rate = p.alarms_per_day * s.alarm_factor;
  const double alarms = s.record.ended * std::log(rate) - rate * s.record.alarm_days;
  return s.stadium->weight * (s.record.weight * std::log(std::max(sum / nodes, 1e-300)) + alarms);
}

/// Log posterior density of one sign's parameters.
double log_posterior(const std::vector<Shown>& data, const SignRules& rules, const VectorXd& x) {
  double sum = 0;
  for (int i = 0; i < n_sign_parameters; ++i)
    sum -= 0.5 * std::pow((x[i] - rules.priors[i].mean) /
                              rules.priors[i].sd,
                          2);
  const SignParameters p = parameters_at(x);
  for (const Shown& s : data) sum += log_likelihood(s, p);
  return std::isfinite(sum) ? sum : -INFINITY;
}

/// Points on the axes of a Gaussian that give its first two moments exactly, weighted by what the true density is
/// there.
std::vector<std::pair<double, SignParameters>> points_about(const Objective& objective, const VectorXd& mode,
                                                            const MatrixXd& covariance) {
  const Eigen::LLT<MatrixXd> root(covariance);
  const double radius = std::sqrt(n_sign_parameters + 1.0), top = objective(mode);
  const double beside = 0.5 / (n_sign_parameters + 1), middle = 1.0 / (n_sign_parameters + 1);
  std::vector<std::pair<double, SignParameters>> points{{middle, parameters_at(mode)}};
  double total = middle;
  const MatrixXd axes = root.matrixL();
  for (int i = 0; i < n_sign_parameters; ++i)
    for (double side : {-radius, radius}) {
      const VectorXd at = mode + side * axes.col(i);
      const double weight = beside * std::min(5.0, std::exp(objective(at) - top + 0.5 * radius * radius));
      points.push_back({weight, parameters_at(at)});
      total += weight;
    }
  for (auto& point : points) point.first /= total;
  return points;
}

/// Inverse of the negative Hessian; directions in which it is not positive keep the prior's spread.
MatrixXd covariance_at(const Objective& objective, const VectorXd& mode, const SignRules& rules) {
  const MatrixXd information = -difference_hessian(objective, mode, 0.02);
  const Eigen::LLT<MatrixXd> factor(information);
  if (factor.info() == Eigen::Success) return factor.solve(MatrixXd::Identity(mode.size(), mode.size()));
  VectorXd variances(n_sign_parameters);
  for (int i = 0; i < n_sign_parameters; ++i) variances[i] = std::pow(rules.priors[i].sd, 2);
  return variances.asDiagonal();
}

/// Joins the points with copies that have no false alarms, by the evidence of either.
///
/// Evidence of a rate over that of none, the other parameters at the mode: the ratio of the likelihoods there times the
/// posterior sd of the log rate over its prior sd (Laplace).
void allow_for_no_alarms(const std::vector<Shown>& data, const SignRules& rules, const VectorXd& mode,
                         const MatrixXd& covariance, std::vector<std::pair<double, SignParameters>>& points) {
  const SignPrior& prior = rules.priors[alarms_place];
  VectorXd without = mode;
  without[alarms_place] = std::log(no_alarms_per_day);
  const auto prior_term = [&](double log_rate) { return -0.5 * std::pow((log_rate - prior.mean) / prior.sd, 2); };
  const double none = log_posterior(data, rules, without) - prior_term(without[alarms_place]);
  const double some =
      log_posterior(data, rules, mode) + std::log(std::sqrt(covariance(alarms_place, alarms_place)) / prior.sd);
  const double odds =
      sign_settings().no_alarms / (1 - sign_settings().no_alarms) * std::exp(std::min(none - some, 50.0));
  const std::size_t n = points.size();
  for (std::size_t i = 0; i < n; ++i) {
    auto [weight, parameters] = points[i];
    parameters.alarms_per_day = no_alarms_per_day;
    points[i].first = weight / (1 + odds);
    points.push_back({weight * odds / (1 + odds), parameters});
  }
  std::erase_if(points, [](const auto& point) { return point.first < weightless; });
  double total = 0;
  for (const auto& point : points) total += point.first;
  for (auto& point : points) point.first /= total;
}

/// Day of the first row of this sign: stadia that ended before it do not tell whether it is written down by now.
double first_noted(Sign sign, const std::vector<SignTimeline>& timelines) {
  double first = INFINITY;
  for (const SignTimeline& timeline : timelines)
    for (const auto& [day, kind] : timeline.signs)
      if (kind == sign) first = std::min(first, day);
  return first;
}

std::vector<Shown> shown_in(Sign sign, const Collection& collection, const std::vector<SignTimeline>& timelines,
                            const std::vector<SignStadium>& closed) {
  const std::size_t step = 1 + closed.size() / most_stadia;
  const double practiced_from = first_noted(sign, timelines);
  std::vector<Shown> data;
  for (std::size_t i = 0; i < closed.size(); i += step) {
    const SignStadium& s = closed[i];
    const auto animal = static_cast<std::size_t>(s.animal);
    if (s.end.earliest <= s.from || s.end.latest < practiced_from || s.weight <= 0) continue;
    data.push_back({sign_record(timelines[animal], sign, s.from, s.end.earliest), &s,
                    sign_alarm_factor(sign, collection.animals[animal])});
  }
  return data;
}

void fit_sign(SignModel& model, const std::vector<Shown>& data) {
  const SignRules& rules = sign_rules(model.sign);
  model.closed = static_cast<int>(data.size());
  for (const Shown& s : data) model.shown += s.record.shown;
  model.absence_counts = model.shown >= sign_settings().enough_shown;
  VectorXd start(n_sign_parameters);
  for (int i = 0; i < n_sign_parameters; ++i) start[i] = rules.priors[i].mean;
  const Objective objective = [&](const VectorXd& x) { return log_posterior(data, rules, x); };
  const VectorXd mode = maximise(objective, start, 1e-4, 1e-7).x;
  model.center = parameters_at(mode);
  const MatrixXd covariance = covariance_at(objective, mode, rules);
  model.points = points_about(objective, mode, covariance);
  allow_for_no_alarms(data, rules, mode, covariance, model.points);
}

}  // namespace

const SignRules& sign_rules(Sign sign) {
  static const std::array<SignRules, n_signs> all = [] {
    std::array<SignRules, n_signs> rules;
    for (int i = 0; i < n_signs; ++i)
      rules[i] = read_rules(priors_table(), static_cast<Sign>(i));
    return rules;
  }();
  return all[static_cast<std::size_t>(sign)];
}

const SignSettings& sign_settings() {
  static const SignSettings settings = [] {
    const auto entry = priors_table()["signs"];
    return SignSettings{entry["shared"].value<double>().value(), entry["weakened"].value<double>().value(),
                        static_cast<int>(entry["enough_shown"].value<std::int64_t>().value()),
                        entry["no_alarms"].value<double>().value()};
  }();
  return settings;
}

SignModels fit_signs(const Collection& collection, const std::vector<SignTimeline>& timelines,
                     const std::vector<SignStadium>& closed) {
  SignModels models;
  for (int i = 0; i < n_signs; ++i) models[i].sign = static_cast<Sign>(i);
  for (const SignTimeline& timeline : timelines)
    for (const auto& [day, sign] : timeline.signs) models[static_cast<std::size_t>(sign)].recorded = true;
  for (SignModel& model : models)
    if (model.recorded) fit_sign(model, shown_in(model.sign, collection, timelines, closed));
  return models;
}

}  // namespace moltspan
