#include "moltspan/plots/plots.hpp"

#include <algorithm>
#include <boost/math/distributions/beta.hpp>
#include <boost/math/distributions/lognormal.hpp>
#include <boost/math/distributions/normal.hpp>
#include <boost/math/interpolators/pchip.hpp>
#include <cmath>
#include <numeric>
#include <stdexcept>

#include "intervals/model.hpp"
#include "intervals/posterior.hpp"
#include "moltspan/intervals/priors.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::VectorXd;

constexpr double least_survival = 1e-300;  ///< residuals stay finite
constexpr double prior_sds = 3.5;          ///< of a density's tail that is drawn

double normal_quantile(double p) {
  if (p <= 0) return -INFINITY;
  if (p >= 1) return INFINITY;
  return boost::math::quantile(boost::math::normal(), p);
}

void require_table(const StadiaFit& fit, const StadiaData& data, const char* function) {
  if (fit.n_records == 0 || !fit.posterior)
    throw std::invalid_argument(std::string(function) + ": the fit has no records; fit a table with stadia");
  if (data.size() != fit.n_records)
    throw std::invalid_argument(std::string(function) + ": a table of " + std::to_string(data.size()) +
                                " rows for a fit of " + std::to_string(fit.n_records) + "; give the fitted table");
}

/// New members in every level of the fit.
std::array<std::vector<int>, n_levels> new_members(const StadiaFit& fit, Index rows) {
  std::array<std::vector<int>, n_levels> members;
  for (Level level : fit.levels)
    members[static_cast<std::size_t>(level)].assign(static_cast<std::size_t>(rows), new_member_code);
  return members;
}

/// The posterior of every record's predictor.
PredictorMixture record_laws(const StadiaFit& fit, const StadiaData& data, Effects effects) {
  return predict_stadia(fit, data.covariates,
                        effects == Effects::fitted ? data.groups : new_members(fit, static_cast<Index>(data.size())));
}

/// Variance of a record's predictor at the estimates: its own known one, and that of effects that are not fitted.
double unfitted_variance(const StadiaFit& fit, const StadiaData& data, std::size_t row, Effects effects) {
  double variance = data.extra_variance.size() ? data.extra_variance[static_cast<Index>(row)] : 0;
  for (std::size_t k = 0; k < fit.levels.size(); ++k) {
    const bool own = effects == Effects::fitted && data.groups[static_cast<std::size_t>(fit.levels[k])][row] >= 0;
    if (!own) variance += fit.level_sds[k] * fit.level_sds[k];
  }
  return variance;
}

/// Laws of the records at the estimates: one point.
PredictorMixture laws_at_estimates(const StadiaFit& fit, const StadiaData& data, Effects effects) {
  const PredictorMixture own = record_laws(fit, data, effects), other = record_laws(fit, data, Effects::averaged);
  PredictorMixture laws;
  laws.weights = VectorXd::Ones(1);
  laws.log_sigma = VectorXd::Constant(1, std::log(fit.sigma));
  laws.mean = own.weights.transpose() * (own.mean - other.mean);  // the effects
  laws.mean += (data.covariates * fit.coefficients).transpose();
  laws.variance.resize(1, laws.mean.cols());
  for (std::size_t i = 0; i < data.size(); ++i)
    laws.variance(0, static_cast<Index>(i)) = unfitted_variance(fit, data, i, effects);
  return laws;
}

}  // namespace

BoundedTimes cox_snell_residuals(const StadiaFit& fit, const StadiaData& data, Effects effects) {
  require_table(fit, data, "cox_snell_residuals");
  const PredictorMixture laws = laws_at_estimates(fit, data, effects);
  BoundedTimes residuals = bounded_times(data);
  for (std::size_t i = 0; i < data.size(); ++i)
    for (auto* times : {&residuals.min_days, &residuals.max_days, &residuals.entry_days}) {
      double& t = (*times)[i];
      if (std::isnan(t)) continue;
      const double survival = mixture_survival(fit.options.family, laws, static_cast<Index>(i), t);
      t = std::max(0.0, -std::log(std::max(survival, least_survival)));
    }
  return residuals;
}

QuantilePairs normal_scores(const BoundedTimes& residuals) {
  const Npmle law = stadium_npmle(residuals);
  QuantilePairs pairs;
  double before = 0;
  for (std::size_t j = 0; j < law.mass.size(); ++j) {
    if (law.mass[j] > 0 && std::isfinite(law.right[j])) {
      pairs.expected.push_back(normal_quantile(before + 0.5 * law.mass[j]));
      pairs.low.push_back(normal_quantile(-std::expm1(-law.left[j])));
      pairs.high.push_back(normal_quantile(-std::expm1(-law.right[j])));
    }
    before += law.mass[j];
  }
  return pairs;
}

EffectCheck animal_effect_check(const StadiaFit& fit, double level) {
  if (!(level > 0 && level < 1))
    throw std::invalid_argument("animal_effect_check: level = " + std::to_string(level) +
                                ": a level lies between 0 and 1, for example 0.95");
  EffectCheck check;
  const auto found = std::find(fit.levels.begin(), fit.levels.end(), Level::animal);
  if (found == fit.levels.end() || !fit.posterior) return check;
  const double prior_sd = fit.level_sds[found - fit.levels.begin()];
  std::vector<AnimalEffect> effects = fit.posterior->get().animal_effects();
  std::erase_if(effects, [&](const AnimalEffect& effect) { return !(effect.sd < 0.9999 * prior_sd); });
  const auto standardized = [&](const AnimalEffect& effect) {
    return effect.mean / std::sqrt(prior_sd * prior_sd - effect.sd * effect.sd);
  };
  std::stable_sort(effects.begin(), effects.end(),
                   [&](const auto& a, const auto& b) { return standardized(a) < standardized(b); });
  const double n = static_cast<double>(effects.size());
  for (std::size_t i = 0; i < effects.size(); ++i) {
    const double rank = static_cast<double>(i) + 1;
    const boost::math::beta_distribution<> order(rank, n + 1 - rank);
    check.code.push_back(effects[i].code);
    check.mean.push_back(effects[i].mean);
    check.sd.push_back(effects[i].sd);
    check.standardized.push_back(standardized(effects[i]));
    check.expected.push_back(normal_quantile((rank - 0.375) / (n + 0.25)));
    check.lower.push_back(normal_quantile(boost::math::quantile(order, 0.5 * (1 - level))));
    check.upper.push_back(normal_quantile(boost::math::quantile(order, 0.5 * (1 + level))));
  }
  return check;
}

BoundedTimes bounded_times(const StadiaData& data) {
  BoundedTimes times;
  for (std::size_t i = 0; i < data.size(); ++i) {
    times.min_days.push_back(data.bounds[i].min_days);
    times.max_days.push_back(data.bounds[i].max_days);
    times.entry_days.push_back(data.bounds[i].entry_days);
    times.weight.push_back(data.weights.size() ? data.weights[static_cast<Index>(i)] : 1);
  }
  return times;
}

std::vector<double> mean_survival(const StadiaFit& fit, const StadiaData& data, const std::vector<double>& t_days,
                                  Effects effects) {
  require_table(fit, data, "mean_survival");
  const auto rows = static_cast<Index>(data.size());
  PredictorMixture laws = record_laws(fit, data, effects);
  if (data.extra_variance.size()) laws.variance.rowwise() += data.extra_variance.transpose();
  std::vector<double> result(t_days.size(), 0);
  double total = 0;
  for (Index row = 0; row < rows; ++row) {
    const double weight = data.weights.size() ? data.weights[row] : 1;
    total += weight;
    for (std::size_t k = 0; k < t_days.size(); ++k)
      result[k] += weight * mixture_survival(fit.options.family, laws, row, t_days[k]);
  }
  for (double& value : result) value /= total;
  return result;
}

namespace {

std::vector<double> evenly(double from, double to, int n) {
  std::vector<double> at(static_cast<std::size_t>(std::max(n, 2)));
  for (std::size_t i = 0; i < at.size(); ++i)
    at[i] = from + (to - from) * static_cast<double>(i) / static_cast<double>(at.size() - 1);
  return at;
}

PriorPosterior of_coefficient(const StadiaFit& fit, Index which, const Prior* prior, int n) {
  const PosteriorPoints points = posterior_points(fit);
  const double mean = fit.coefficients[which], sd = fit.coefficient_errors[which];
  double from = mean - prior_sds * sd, to = mean + prior_sds * sd;
  if (prior)
    from = std::min(from, prior->mean - prior_sds * prior->sd), to = std::max(to, prior->mean + prior_sds * prior->sd);
  PriorPosterior result{evenly(from, to, n), {}, {}};
  for (double x : result.at) {
    result.prior.push_back(prior ? boost::math::pdf(boost::math::normal(prior->mean, prior->sd), x) : NAN);
    double sum = 0;
    for (Index k = 0; prior && k < points.weights.size(); ++k)
      if (points.weights[k] > 0)
        sum += points.weights[k] *
               boost::math::pdf(boost::math::normal(points.coefficient_mean(k, which), points.coefficient_sd(k, which)),
                                x);
    result.posterior.push_back(prior ? sum : boost::math::pdf(boost::math::normal(mean, sd), x));
  }
  return result;
}

PriorPosterior of_spread(double log_mean, double log_sd, const Prior* prior, int n) {
  const double to = std::max(std::exp(log_mean + prior_sds * log_sd), prior ? prior_sds * prior->sd : 0);
  PriorPosterior result{evenly(to / (4.0 * n), to, n), {}, {}};
  for (double x : result.at) {
    result.prior.push_back(prior ? 2 * boost::math::pdf(boost::math::normal(0, prior->sd), x) : NAN);
    result.posterior.push_back(boost::math::pdf(boost::math::lognormal(log_mean, log_sd), x));
  }
  return result;
}

}  // namespace

PriorPosterior prior_posterior(const StadiaFit& fit, const std::string& name, int n) {
  const Priors priors = priors_used(fit);
  const auto given = std::ranges::find(priors, name, &Priors::value_type::first);
  const Prior* prior = given == priors.end() ? nullptr : &given->second;
  const auto coefficient = std::find(fit.coefficient_names.begin(), fit.coefficient_names.end(), name);
  if (coefficient != fit.coefficient_names.end())
    return of_coefficient(fit, coefficient - fit.coefficient_names.begin(), prior, n);
  const auto& names = fit.estimate.names;
  const auto found = std::find(names.begin() + fit.coefficients.size(), names.end(), "log_" + name);
  if (found == names.end()) {
    std::string known = "sigma";
    for (const auto& one : fit.coefficient_names) known += ", " + one;
    for (Level level : fit.levels) known += ", " + sd_name(level);
    throw std::invalid_argument("prior_posterior: the fit has no parameter " + name + "; it has " + known);
  }
  const Index i = found - names.begin();
  return of_spread(fit.estimate.values[i], std::sqrt(fit.estimate.covariance(i, i)),
                   prior, n);
}

std::vector<double> chance_by_day(const std::vector<double>& probabilities, const std::vector<double>& quantile_days,
                                  int first_day, int n_days) {
  std::vector<double> x, p;
  for (std::size_t i = 0; i < std::min(probabilities.size(), quantile_days.size()); ++i) {
    if (i > 0 && !(probabilities[i] > probabilities[i - 1] && quantile_days[i] >= quantile_days[i - 1]))
      throw std::invalid_argument("chance_by_day: quantile " + std::to_string(i) +
                                  " does not rise; give them in order");
    if (!x.empty() && !(quantile_days[i] > x.back())) continue;  // two quantiles at one time: a step, kept by the first
    x.push_back(quantile_days[i]);
    p.push_back(probabilities[i]);
  }
  if (x.size() < 4)
    throw std::invalid_argument("chance_by_day: " + std::to_string(x.size()) +
                                " different quantiles; give at least four");
  const double from = x.front(), to = x.back(), p_from = p.front(), p_to = p.back();
  const boost::math::interpolators::pchip<std::vector<double>> inside(std::move(x), std::move(p));
  const auto reached = [&](double day) { return day <= from ? p_from : day >= to ? p_to : inside(day); };
  std::vector<double> chances;
  for (int day = first_day; day < first_day + n_days; ++day)
    chances.push_back(std::max(0.0, reached(day + 1) - reached(day)));
  return chances;
}

Eigen::MatrixXd weighted_densities(const VectorXd& weights, const VectorXd& mean_log, const VectorXd& sd_log,
                                   const std::vector<double>& sizes_mm) {
  Eigen::MatrixXd result(weights.size(), static_cast<Index>(sizes_mm.size()));
  for (Index k = 0; k < weights.size(); ++k)
    for (Index i = 0; i < result.cols(); ++i)
      result(k, i) = weights[k] * boost::math::pdf(boost::math::normal(mean_log[k], sd_log[k]),
                                                   std::log(sizes_mm[i]));
  return result;
}

Eigen::MatrixXd stadia_at_sizes(const CollectionFit& fit, const std::vector<double>& sizes_mm,
                                const VectorXd& probabilities) {
  if (!fit.stadia.posterior)
    throw std::invalid_argument("stadia_at_sizes: the fit has no records; only priors stand behind it");
  const auto& roles = fit.stadia.coefficient_roles;
  const auto rows = static_cast<Index>(sizes_mm.size());
  Eigen::MatrixXd covariates = Eigen::MatrixXd::Zero(rows, static_cast<Index>(roles.size()));
  for (Index row = 0; row < rows; ++row) {
    const double size = sizes_mm[row];
    if (!(size > 0))
      throw std::invalid_argument("stadia_at_sizes: size " + std::to_string(row) + " = " + std::to_string(size) +
                                  " mm; sizes are positive");
    for (std::size_t j = 0; j < roles.size(); ++j) {
      if (roles[j] == CoefficientRole::intercept) covariates(row, static_cast<Index>(j)) = 1;
      if (roles[j] == CoefficientRole::log_size) covariates(row, static_cast<Index>(j)) = std::log(size / 20);
    }
  }
  const PredictorMixture laws = predict_stadia(fit.stadia, covariates, new_members(fit.stadia, rows));
  return mixture_quantiles(fit.stadia.options.family, laws, probabilities);
}

}  // namespace moltspan
