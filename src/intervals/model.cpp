#include "intervals/model.hpp"

#include <toml++/toml.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "facts/embedded_tables.hpp"
#include "intervals/predictive.hpp"
#include "moltspan/intervals/hidden_molts.hpp"
#include "moltspan/law/families.hpp"

namespace moltspan {
namespace {

Prior read_prior(const toml::table& entry) {
  const bool half = entry["kind"].value_or(std::string{}) == "half_normal";
  return {half ? Prior::Kind::half_normal : Prior::Kind::normal, entry["mean"].value_or(0.0),
          entry["sd"].value_or(1.0)};
}

/// The entries of a table that are priors, not tables of priors.
std::map<std::string, Prior> read_priors(const toml::table& table) {
  std::map<std::string, Prior> result;
  for (const auto& [name, entry] : table)
    if (entry.as_table()->contains("kind")) result.emplace(std::string(name.str()), read_prior(*entry.as_table()));
  return result;
}

const toml::table& shipped_priors() {
  static const toml::table table = toml::parse(embedded_table("priors"));
  return table;
}

const std::map<std::string, Prior>& default_priors() {
  static const std::map<std::string, Prior> priors = read_priors(shipped_priors());
  return priors;
}

bool is_sd(const std::string& name) { return name == "sigma" || (name.size() > 3 && name.ends_with("_sd")); }

}  // namespace

void check_prior(const std::string& name, const Prior& prior) {
  if (!(prior.sd > 0) || !std::isfinite(prior.sd) || !std::isfinite(prior.mean))
    throw std::invalid_argument("prior of " + name + ": the sd must be a positive number");
  if (is_sd(name) != (prior.kind == Prior::Kind::half_normal))
    throw std::invalid_argument("prior of " + name + ": a standard deviation takes half_normal, a coefficient normal");
}

std::string sd_name(Level level) {
  static const std::array<const char*, n_levels> names{"genus_sd", "taxon_sd", "cohort_sd", "animal_sd"};
  return names[static_cast<std::size_t>(level)];
}

std::vector<std::string> names_of(const std::vector<LearnedSpread>& learned) {
  std::vector<std::string> names;
  for (const LearnedSpread& one : learned) names.push_back(one.name);
  return names;
}

std::vector<std::string> names_of(const std::vector<Coefficient>& coefficients) {
  std::vector<std::string> names;
  for (const Coefficient& one : coefficients) names.push_back(one.name);
  return names;
}

static constexpr std::array<std::string_view, 13> role_names{
    "other", "Intercept", "log_size",          "kind_pace", "last_instar", "warmth_c",  "warmth_squared",
    "male",  "near_adult_female", "pace_slow", "pace_fast", "limb_lost",   "egg_sac"};

std::string role_name(CoefficientRole role) { return std::string(role_names[static_cast<std::size_t>(role)]); }

CoefficientRole role_named(std::string_view name) {
  const auto found = std::find(role_names.begin(), role_names.end(), name);
  return found == role_names.end() ? CoefficientRole::other : static_cast<CoefficientRole>(found - role_names.begin());
}

Eigen::Index StadiaData::column(CoefficientRole role) const {
  const auto found = std::ranges::find(coefficients, role, &Coefficient::role);
  return found == coefficients.end() ? -1 : found - coefficients.begin();
}

Eigen::Index StadiaFit::column(CoefficientRole role) const {
  const auto found = std::ranges::find(coefficient_roles, role);
  return found == coefficient_roles.end() ? -1 : found - coefficient_roles.begin();
}

double StadiaFit::coefficient(CoefficientRole role, double otherwise) const {
  const Eigen::Index at = column(role);
  return at < 0 ? otherwise : coefficients[at];
}

Prior default_prior(CoefficientRole role) { return default_priors().at(role_name(role)); }

PriorTable::PriorTable(const Priors& given, const std::vector<Coefficient>& coefficients,
                       const std::vector<std::string>& learned) {
  const auto& defaults = default_priors();
  for (const auto& [name, prior] : defaults)
    if (is_sd(name)) priors_[name] = prior;
  for (const auto& [name, role] : coefficients) priors_[name] = default_prior(role);
  for (const auto& name : learned) priors_.try_emplace(name, defaults.at("own_sd"));
  replace(given);
}

PriorTable::PriorTable(const std::string& section, const Priors& given)
    : priors_(read_priors(*shipped_priors()[section].as_table())) {
  replace(given);
}

void PriorTable::replace(const Priors& given) {
  for (const auto& [name, prior] : given) {
    if (!priors_.contains(name)) {
      std::string known;
      for (const auto& entry : priors_) known += (known.empty() ? "" : ", ") + entry.first;
      throw std::invalid_argument("prior of " + name + ": no such parameter in this model; it has " + known);
    }
    check_prior(name, prior);
    priors_[name] = prior;
  }
}

const Prior& PriorTable::of(const std::string& name) const { return priors_.at(name); }

double log_normal_density(double mean, double sd, double x) { return numeric::log_phi((x - mean) / sd) - std::log(sd); }

double log_half_normal_of_log(double scale, double log_sd) {
  return std::log(2.0) + log_normal_density(0, scale, std::exp(log_sd)) + log_sd;
}

double PriorTable::log_density_of_log_sd(const std::string& name, double log_sd) const {
  return log_half_normal_of_log(of(name).sd, log_sd);
}

GroupTree make_group_tree(const std::array<std::vector<int>, n_levels>& groups, std::size_t records, int root_dim) {
  GroupTree result;
  result.tree.nodes.push_back({-1, root_dim});
  result.level_of_node.push_back(-1);
  result.node_of_record.assign(records, 0);
  for (int level = 0; level < n_levels; ++level) {
    if (groups[level].empty()) continue;
    const int index = static_cast<int>(result.levels.size());
    result.levels.push_back(static_cast<Level>(level));
    std::map<int, int> own;  // a parent node that holds a nameless member of its own
    for (std::size_t record = 0; record < records; ++record) {
      const int code = groups[level][record], parent = result.node_of_record[record];
      auto& known = code >= 0 ? result.node_of_code[level] : own;
      const int key = code >= 0 ? code
                                : (groups[static_cast<int>(Level::animal)].empty()
                                       ? -1 - static_cast<int>(record)
                                       : groups[static_cast<int>(Level::animal)][record]);
      auto [found, added] = known.try_emplace(key, static_cast<int>(result.tree.nodes.size()));
      if (added) {
        result.tree.nodes.push_back({parent, 1});
        result.level_of_node.push_back(index);
        ++result.members[level];
      } else if (result.tree.nodes[found->second].parent != parent) {
        throw std::invalid_argument(
            "record " + std::to_string(record) + ": its " +
            sd_name(static_cast<Level>(level)).substr(0, sd_name(static_cast<Level>(level)).size() - 3) +
            " lies in two different groups of the level above; groups must be nested");
      }
      result.node_of_record[record] = found->second;
    }
  }
  return result;
}

/// Codes of the records, then of the probes.
static std::array<std::vector<int>, n_levels> with_probes(const StadiaData& data) {
  auto groups = data.groups;
  for (int level = 0; level < n_levels; ++level)
    if (!groups[level].empty() && data.probes() > 0)
      groups[level].insert(groups[level].end(), data.probe_groups[level].begin(), data.probe_groups[level].end());
  return groups;
}

bool StadiaData::hides_molts(std::size_t record) const {
  if (hidden_log_weights.empty()) return false;
  const auto& chances = hidden_log_weights[record];
  return !std::isinf(chances[1]) || !std::isinf(chances[2]);
}

StadiaModel::StadiaModel(StadiaData data, StadiaOptions options, bool coefficients_in_hyper)
    : data_(std::move(data)),
      shared_dates_(data_),
      options_(std::move(options)),
      coefficients_in_hyper_(coefficients_in_hyper),
      priors_(options_.priors, data_.coefficients, names_of(data_.learned)) {
  const int n_coefficients = static_cast<int>(data_.coefficients.size());
  groups_ =
      make_group_tree(with_probes(data_), data_.size() + data_.probes(), coefficients_in_hyper ? 0 : n_coefficients);
  tree = groups_.tree;
  for (int level = 0; level < static_cast<int>(groups_.levels.size()); ++level)
    if (coefficients_in_hyper || groups_.members[static_cast<int>(groups_.levels[level])] > 1)
      estimated_.push_back(level);
  coefficient_means_.resize(n_coefficients);
  coefficient_precisions_.resize(n_coefficients);
  for (int i = 0; i < n_coefficients; ++i) {
    const Prior& prior = priors_.of(data_.coefficients[i].name);
    coefficient_means_[i] = prior.mean;
    coefficient_precisions_[i] = 1 / (prior.sd * prior.sd);
  }
  for (std::size_t row = 0; row < data_.size(); ++row) {
    terms.push_back({static_cast<int>(row), 1});
    predictors.push_back(
        make_predictor(data_.covariates.row(static_cast<Eigen::Index>(row)), groups_.node_of_record[row]));
  }
  for (std::size_t probe = 0; probe < data_.probes(); ++probe)
    predictors.push_back(make_predictor(data_.probe_covariates.row(static_cast<Eigen::Index>(probe)),
                                        groups_.node_of_record[data_.size() + probe]));
  for (const auto& [code, variance] : data_.animal_extra_variance) {
    const auto found = groups_.node_of_code[static_cast<int>(Level::animal)].find(code);
    if (found != groups_.node_of_code[static_cast<int>(Level::animal)].end())
      extra_node_variance_.push_back({found->second, variance});
  }
}

Predictor StadiaModel::make_predictor(const Eigen::VectorXd& covariates, int node) const {
  Predictor predictor{node, 0, {}};
  for (int up = node; up > 0; up = tree.nodes[up].parent) predictor.coefficients.push_back(1);
  if (!coefficients_in_hyper_)
    predictor.coefficients.insert(predictor.coefficients.end(), covariates.data(),
                                  covariates.data() + covariates.size());
  return predictor;
}

constexpr double least_log_sigma = -14;

double StadiaModel::level_sd(int level, const Eigen::VectorXd& hyper) const {
  for (std::size_t i = 0; i < estimated_.size(); ++i)
    if (estimated_[i] == level) return std::exp(hyper[log_sigma_index() + 1 + static_cast<int>(i)]);
  return priors_.of(sd_name(groups_.levels[level])).sd;  // root mean square of its half-normal prior
}

void StadiaModel::latent_prior(const Eigen::VectorXd& hyper, Eigen::VectorXd& mean, Eigen::VectorXd& precision) const {
  mean.setZero();
  const int root = tree.nodes[0].dim;
  mean.head(root) = coefficient_means_.head(root);
  precision.head(root) = coefficient_precisions_.head(root);
  for (std::size_t k = 0; k < data_.learned.size() && root > 0; ++k)
    for (int column : data_.learned[k].coefficients)
      precision[column] = std::exp(-2 * hyper[first_learned() + static_cast<int>(k)]);
  std::vector<double> level_precision;
  for (int level = 0; level < static_cast<int>(groups_.levels.size()); ++level)
    level_precision.push_back(std::pow(level_sd(level, hyper), -2));
  for (std::size_t node = 1; node < tree.nodes.size(); ++node)
    precision[root + static_cast<int>(node) - 1] = level_precision[groups_.level_of_node[node]];
  for (const auto& [node, variance] : extra_node_variance_) {
    double& own = precision[root + node - 1];
    own = 1 / (1 / own + variance);
  }
}

double StadiaModel::record_log_sigma(std::size_t record, const Eigen::VectorXd& hyper) const {
  const double log_sigma =
      hyper[log_sigma_index()] + (data_.log_scale.size() == 0 ? 0 : data_.log_scale[static_cast<Eigen::Index>(record)]);
  if (data_.extra_variance.size() == 0) return log_sigma;
  const double extra = data_.extra_variance[static_cast<Eigen::Index>(record)];
  return extra > 0 ? 0.5 * std::log(std::exp(2 * log_sigma) + extra / moments_of(options_.family).variance) : log_sigma;
}

bool StadiaModel::hides_molts(std::size_t record) const { return data_.hides_molts(record); }

TermResult StadiaModel::term(std::size_t index, const double* eta, const Eigen::VectorXd& hyper) const {
  return weighted_term(index, *eta, hyper, options_.truncation);
}

TermResult StadiaModel::undivided_term(std::size_t index, double eta, const Eigen::VectorXd& hyper) const {
  return weighted_term(index, eta, hyper, Truncation::marginal);
}

TermResult StadiaModel::weighted_term(std::size_t index, double eta, const Eigen::VectorXd& hyper,
                                      Truncation truncation) const {
  const auto row = static_cast<Eigen::Index>(index);
  if (coefficients_in_hyper_) eta += data_.covariates.row(row).dot(hyper.head(data_.covariates.cols()));
  const StadiumTerm term =
      hides_molts(index)
          ? hidden_term(options_.family, data_.bounds[index], eta,
                        hyper[log_sigma_index()] + (data_.log_scale.size() == 0 ? 0 : data_.log_scale[row]),
                        data_.extra_variance.size() == 0 ? 0.0 : data_.extra_variance[row],
                        data_.hidden_log_weights[index], data_.hidden_log_step, truncation)
          : stadium_term(options_.family, data_.bounds[index], eta, record_log_sigma(index, hyper), truncation);
  const double weight = data_.weights.size() == 0 ? 1 : data_.weights[row];
  TermResult result;
  result.value = weight * term.value;
  result.gradient[0] = weight * term.d_eta;
  result.hessian[0] = weight * term.d_eta_eta;
  return result;
}

double StadiaModel::log_joint(const std::function<double(std::size_t)>& eta, const Eigen::VectorXd& hyper) const {
  if (!shared_dates_.any()) return 0;
  const auto whole = [&](std::size_t record) {
    if (!coefficients_in_hyper_) return eta(record);
    return eta(record) +
           data_.covariates.row(static_cast<Eigen::Index>(record)).dot(hyper.head(data_.covariates.cols()));
  };
  return shared_dates_.log_ratio(options_.family, whole,
                                 [&](std::size_t record) { return record_log_sigma(record, hyper); });
}

double StadiaModel::log_hyper_prior(const Eigen::VectorXd& hyper) const {
  if (coefficients_in_hyper_) return 0;
  // Lengths without any spread have no posterior: it grows without bound towards sigma = 0. Health says so.
  if (hyper[0] < least_log_sigma) return -std::numeric_limits<double>::infinity();
  double total = priors_.log_density_of_log_sd("sigma", hyper[0]);
  for (std::size_t i = 0; i < estimated_.size(); ++i)
    total += priors_.log_density_of_log_sd(sd_name(groups_.levels[estimated_[i]]), hyper[1 + static_cast<int>(i)]);
  for (std::size_t k = 0; k < data_.learned.size(); ++k)
    total += priors_.log_density_of_log_sd(data_.learned[k].name, hyper[first_learned() + static_cast<int>(k)]);
  return total;
}

/// The numbers that animals bear, in order: a table that was thinned before lacks some, so that numbers alone say
/// nothing of how many there are.
static std::vector<int> animals_present(const StadiaData& data) {
  std::vector<int> present = data.groups[static_cast<int>(Level::animal)];
  std::sort(present.begin(), present.end());
  present.erase(std::unique(present.begin(), present.end()), present.end());
  return present;
}

std::vector<Eigen::Index> thinned_rows(const StadiaData& data, std::size_t most_records) {
  const auto& animals = data.groups[static_cast<int>(Level::animal)];
  const std::size_t step = 1 + data.size() / std::max<std::size_t>(most_records, 1);
  const std::vector<int> present = step == 1 ? std::vector<int>() : animals_present(data);
  const auto place = [&](std::size_t row) {
    return static_cast<std::size_t>(std::lower_bound(present.begin(), present.end(), animals[row]) - present.begin());
  };
  std::vector<Eigen::Index> rows;
  for (std::size_t i = 0; i < data.size(); ++i)
    if (step == 1 || (!animals.empty() && place(i) % step == 0)) rows.push_back(static_cast<Eigen::Index>(i));
  return rows;
}

/// Every k-th of the rows, `most` of them.
static std::vector<Eigen::Index> spread_over(const std::vector<Eigen::Index>& rows, std::size_t most) {
  std::vector<Eigen::Index> few;
  for (std::size_t i = 0; i < most; ++i) few.push_back(rows[i * rows.size() / most]);
  return few;
}

std::vector<Eigen::Index> rows_of_part(const StadiaData& data, std::size_t most_records) {
  auto rows = thinned_rows(data, most_records);
  if (rows.empty())
    for (std::size_t i = 0; i < data.size(); ++i) rows.push_back(static_cast<Eigen::Index>(i));
  // An animal may hold most of the stadia: a part that is no smaller than the whole would never end the search.
  if (rows.size() > 2 * std::max<std::size_t>(most_records, 1))
    rows = spread_over(rows, std::max<std::size_t>(most_records, 1));
  return rows;
}

StadiaData thinned(const StadiaData& data, std::size_t most_records) {
  const auto rows = rows_of_part(data, most_records);
  return rows.size() == data.size() ? data : picked_rows(data, rows);
}

/// Links between records that were both picked.
static std::vector<int> picked_links(const StadiaData& data, const std::vector<Eigen::Index>& rows) {
  std::vector<int> place(data.follows.size(), -1), follows;
  if (data.follows.empty()) return follows;
  for (std::size_t i = 0; i < rows.size(); ++i) place[static_cast<std::size_t>(rows[i])] = static_cast<int>(i);
  for (Eigen::Index row : rows) {
    const int before = data.follows[static_cast<std::size_t>(row)];
    follows.push_back(before < 0 ? -1 : place[static_cast<std::size_t>(before)]);
  }
  return follows;
}

StadiaData picked_rows(const StadiaData& data, const std::vector<Eigen::Index>& rows) {
  StadiaData few;
  few.follows = picked_links(data, rows);
  few.coefficients = data.coefficients;
  few.covariates = data.covariates(rows, Eigen::all);
  few.learned = data.learned;
  if (data.extra_variance.size() > 0) few.extra_variance = data.extra_variance(rows);
  if (data.log_scale.size() > 0) few.log_scale = data.log_scale(rows);
  if (data.weights.size() > 0) few.weights = data.weights(rows);
  few.animal_extra_variance = data.animal_extra_variance;
  few.hidden_log_step = data.hidden_log_step;
  if (!data.hidden_log_weights.empty())
    for (Eigen::Index row : rows)
      few.hidden_log_weights.push_back(data.hidden_log_weights[static_cast<std::size_t>(row)]);
  few.probe_covariates.resize(0, few.covariates.cols());
  for (Eigen::Index row : rows) few.bounds.push_back(data.bounds[static_cast<std::size_t>(row)]);
  for (int level = 0; level < n_levels; ++level)
    for (Eigen::Index row : rows)
      if (!data.groups[level].empty()) few.groups[level].push_back(data.groups[level][static_cast<std::size_t>(row)]);
  return few;
}

}  // namespace moltspan
