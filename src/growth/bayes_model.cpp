#include "growth/bayes_model.hpp"

#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "intervals/model.hpp"

namespace moltspan {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

namespace {

constexpr double least_decline = -0.9;
constexpr double no_decline = 1e-9;  ///< under which the declining form is the constant one to the last digit

std::string in_brackets(const std::string& name, const std::string& of) { return name + "[" + of + "]"; }

/// Scatter of y about the best line, and of a column: where a search may begin.
double scatter(const VectorXd& values) {
  const double sd = std::sqrt((values.array() - values.mean()).square().mean());
  return sd > 0 ? sd : 1;
}

/// Name of the default that a coefficient falls back on.
std::string default_for(const std::string& coefficient) {
  if (coefficient == "Intercept" || coefficient == "instar") return coefficient;
  return coefficient.starts_with("measure[") ? "measure" : "other";
}

}  // namespace

MixedModel::MixedModel(const BayesGrowthData& data, const BayesGrowthOptions& options, bool declining)
    : data_(&data), options_(options), declining_(declining) {
  set_groups();
  set_names();
  set_priors(options.priors);
  if (data.rows.instars.size() > 0) {
    first_instar_ = data.rows.instars.minCoeff();
    mean_instar_ = data.rows.instars.mean();
  }
  if (data.lower.size() > 0)
    for (Index row = 0; row < data.y.size(); ++row)
      if (data.upper[row] > data.lower[row]) rounded_.push_back(static_cast<int>(row));
}

void MixedModel::set_groups() {
  const auto& rows = data_->rows;
  const auto n = static_cast<std::size_t>(data_->y.size());
  if (rows.groups.empty()) {
    for (std::size_t row = 0; row < n; ++row) rows_of_animal_.push_back({static_cast<int>(row)});
  } else {
    rows_of_animal_.resize(static_cast<std::size_t>(*std::max_element(rows.groups.begin(), rows.groups.end())) + 1);
    for (std::size_t row = 0; row < n; ++row)
      rows_of_animal_[rows.groups[row]].push_back(static_cast<int>(row));
  }
  if (!cohorts()) return;
  n_cohorts_ = *std::max_element(rows.outer_groups.begin(), rows.outer_groups.end()) + 1;
  for (const auto& of_animal : rows_of_animal_) {
    cohort_of_.push_back(rows.outer_groups[of_animal.front()]);
    for (int row : of_animal)
      if (rows.outer_groups[row] != cohort_of_.back())
        throw std::invalid_argument("row " + std::to_string(row) +
                                    ": its animal stands in two cohorts; cohorts hold whole animals");
  }
}

void MixedModel::set_names() {
  if (data_->measures.size() > 1)
    for (const std::string& measure : data_->measures) names_.push_back(in_brackets("sigma", measure));
  else
    names_.push_back("sigma");
  const auto& effects = data_->effects;
  for (const std::string& effect : effects) names_.push_back(in_brackets("animal_sd", effect));
  for (std::size_t i = 1; options_.correlated && i < effects.size(); ++i)
    for (std::size_t j = 0; j < i; ++j)
      names_.push_back(effects.size() == 2 ? "animal_correlation"
                                           : in_brackets("animal_correlation", effects[j] + "," + effects[i]));
  n_correlations_ = options_.correlated ? n_effects() * (n_effects() - 1) / 2 : 0;
  if (cohorts()) names_.push_back("cohort_sd");
  if (process()) names_.push_back("process_sd");
  if (declining_) names_.push_back("decline");
}

/// Defaults of a response that is no logarithm are in units of its own scatter, and of that of the column.
Prior MixedModel::default_prior(const std::string& name, const std::string& base, double column_scatter) const {
  const PriorTable defaults("mixed", {});
  if (options_.log_response || name == "decline") return defaults.of(base);
  const double unit = scatter(data_->y) / column_scatter;
  Prior prior = defaults.of(defaults.of(base).kind == Prior::Kind::normal ? "response" : "response_sd");
  prior.sd *= unit;
  if (name == "Intercept") prior.mean = data_->y.mean();
  return prior;
}

void MixedModel::set_default_priors() {
  const auto& rows = data_->rows;
  for (std::size_t i = 0; i < data_->coefficients.size(); ++i) {
    const std::string& name = data_->coefficients[i];
    priors_[name] = default_prior(name, default_for(name), scatter(rows.x.col(static_cast<Index>(i))));
  }
  for (std::size_t i = 0; i < data_->effects.size(); ++i) {
    const std::string& effect = data_->effects[i];
    priors_[in_brackets("animal_sd", effect)] = default_prior(
        effect, effect == "Intercept" ? "animal_sd" : "animal_slope_sd", scatter(rows.z.col(static_cast<Index>(i))));
  }
  for (const std::string& name : names_) {
    const std::string base = name.substr(0, name.find('['));
    if (base == "animal_sd" || base == "animal_correlation") continue;
    priors_[name] = default_prior(name, base, base == "process_sd" ? scatter(rows.instars) : 1);
  }
}

/// What a given name stands for: itself, or all of its kind: `sigma` of every measure, `animal_sd` of every effect.
std::vector<std::string> MixedModel::meant_by(const std::string& name) const {
  std::vector<std::string> meant;
  std::string known;
  for (const auto& [own, prior] : priors_) {
    known += (known.empty() ? "" : ", ") + own;
    const bool of_kind = (name == "sigma" || name == "animal_sd") && own.starts_with(name + "[");
    if (own == name || of_kind) meant.push_back(own);
  }
  if (meant.empty())
    throw std::invalid_argument("prior of " + name + ": no such parameter in this model; it has " + known);
  return meant;
}

void MixedModel::set_priors(const Priors& given) {
  set_default_priors();
  // Names of a whole kind first, so that a name with brackets counts over them in any order.
  for (const bool single : {false, true})
    for (const auto& [name, prior] : given)
      for (const std::string& own : meant_by(name)) {
        if ((own == name) != single) continue;
        check_prior(own.substr(0, own.find('[')), prior);
        priors_[own] = prior;
      }
  const Index p = n_coefficients();
  prior_mean_.resize(p);
  prior_precision_.resize(p);
  for (Index i = 0; i < p; ++i) {
    const Prior& prior = priors_.at(data_->coefficients[i]);
    prior_mean_[i] = prior.mean;
    prior_precision_[i] = 1 / (prior.sd * prior.sd);
  }
}

Priors MixedModel::priors_used() const {
  Priors used;
  for (const std::string& name : data_->coefficients) used.emplace_back(name, priors_.at(name));
  for (const std::string& name : names_)
    if (const auto found = priors_.find(name); found != priors_.end()) used.emplace_back(name, found->second);
  return used;
}

Index MixedModel::first_correlation() const {
  return static_cast<Index>(std::max<std::size_t>(data_->measures.size(), 1)) + n_effects();
}

bool MixedModel::is_correlation(Index index) const {
  return index >= first_correlation() && index < first_correlation() + n_correlations_;
}

VectorXd MixedModel::start() const {
  VectorXd hyper = VectorXd::Zero(static_cast<Index>(names_.size()));
  const VectorXd line = data_->rows.x.colPivHouseholderQr().solve(data_->y);
  const double spread =
      std::max(scatter(data_->y - data_->rows.x * line), 1e-3 * (options_.log_response ? 1 : scatter(data_->y)));
  Index at = 0;
  const auto begin_at = [&](double sd) {
    const Prior& prior = priors_.at(names_[at]);
    hyper[at++] = std::log(std::min(sd, 0.5 * prior.sd));
  };
  for (std::size_t k = 0; k < std::max<std::size_t>(data_->measures.size(), 1); ++k) begin_at(0.5 * spread);
  for (Index k = 0; k < n_effects(); ++k) begin_at(0.5 * spread / scatter(data_->rows.z.col(k)));
  at += n_correlations_;
  if (cohorts()) begin_at(0.5 * spread);
  if (process()) begin_at(0.3 * spread);
  return hyper;
}

double MixedModel::log_correlation_prior(const VectorXd& hyper) const {
  // Uniform over correlation matrices: a partial correlation given k others is Beta on (-1, 1) with both parameters
  // 1 + (q - 2 - k) / 2 (Lewandowski, Kurowicka & Joe 2009); times the Jacobian 1 - r^2 of Fisher's z.
  double total = 0;
  Index at = first_correlation();
  for (Index i = 1; n_correlations_ > 0 && i < n_effects(); ++i)
    for (Index j = 0; j < i; ++j, ++at) {
      const double shape = 1 + 0.5 * static_cast<double>(n_effects() - 2 - j);
      const double log_one_less_square =
          -2 * (std::abs(hyper[at]) + std::log1p(std::exp(-2 * std::abs(hyper[at]))) - std::log(2.0));
      total += shape * log_one_less_square -
               ((2 * shape - 1) * std::log(2.0) + 2 * std::lgamma(shape) - std::lgamma(2 * shape));
    }
  return total;
}

double MixedModel::log_hyper_prior(const VectorXd& hyper) const {
  double total = log_correlation_prior(hyper);
  for (Index i = 0; i < hyper.size(); ++i) {
    if (is_correlation(i)) continue;
    const Prior& prior = priors_.at(names_[i]);
    total += prior.kind == Prior::Kind::half_normal ? log_half_normal_of_log(prior.sd, hyper[i])
                                                    : log_normal_density(prior.mean, prior.sd, hyper[i]);
  }
  return total;
}

MixedParameters MixedModel::numbers(const VectorXd& hyper) const {
  MixedParameters result;
  Index at = 0;
  for (std::size_t k = 0; k < std::max<std::size_t>(data_->measures.size(), 1); ++k)
    result.reading_variance.push_back(std::exp(2 * hyper[at++]));
  const Index q = n_effects();
  result.effect_sds = hyper.segment(at, q).array().exp();
  at += q;
  MatrixXd factor = MatrixXd::Identity(q, q);  // of the correlation matrix, from partial correlations
  for (Index i = 1; n_correlations_ > 0 && i < q; ++i) {
    double left = 1;
    for (Index j = 0; j < i; ++j) {
      const double partial = std::tanh(hyper[at++]);
      factor(i, j) = partial * std::sqrt(left);
      left *= 1 - partial * partial;
    }
    factor(i, i) = std::sqrt(left);
  }
  const MatrixXd correlation = factor * factor.transpose();
  result.correlations.resize(n_correlations_);
  for (Index i = 1, k = 0; n_correlations_ > 0 && i < q; ++i)
    for (Index j = 0; j < i; ++j) result.correlations[k++] = correlation(i, j);
  result.effect_covariance = result.effect_sds.asDiagonal() * correlation * result.effect_sds.asDiagonal();
  if (cohorts()) result.cohort_variance = std::exp(2 * hyper[at++]);
  if (process()) result.process_variance = std::exp(2 * hyper[at++]);
  if (declining_) result.decline = hyper[at];
  return result;
}

VectorXd MixedModel::bounded(const VectorXd& hyper) const {
  VectorXd result = hyper;
  const MixedParameters at = numbers(hyper);
  for (Index i = 0; i < hyper.size(); ++i) {
    if (is_correlation(i))
      result[i] = at.correlations[i - first_correlation()];
    else if (names_[i] != "decline")
      result[i] = std::exp(hyper[i]);
  }
  return result;
}

VectorXd MixedModel::unbounded(const VectorXd& hyper) const {
  VectorXd result = hyper;
  const MixedParameters at = numbers(hyper);
  for (Index i = 0; i < hyper.size(); ++i)
    if (is_correlation(i)) result[i] = std::atanh(at.correlations[i - first_correlation()]);
  return result;
}

MixedDesign MixedModel::design(const BayesGrowthRows& rows, double decline) const {
  MixedDesign result{rows.x, rows.z};
  if (!declining_ || std::abs(decline) < no_decline || !(decline > least_decline)) return result;
  const VectorXd later = rows.instars.array() - mean_instar_;
  const VectorXd bend =
      (later.array() * std::log1p(decline)).unaryExpr([](double u) { return std::expm1(u); }) / decline - later.array();
  result.x += bend.asDiagonal() * rows.x_slope;
  if (result.z.cols() > 0) result.z += bend.asDiagonal() * rows.z_slope;
  return result;
}

double MixedModel::walk(double instar, double other, const MixedParameters& numbers) const {
  const double first = std::min(instar, other) - first_instar_, apart = std::abs(instar - other);
  if (!(first > 0)) return 0;
  if (std::abs(numbers.decline) < no_decline) return numbers.process_variance * first;
  const double rate = std::log1p(numbers.decline);
  return numbers.process_variance * std::exp(rate * apart) * std::expm1(2 * rate * first) / std::expm1(2 * rate);
}

}  // namespace moltspan
