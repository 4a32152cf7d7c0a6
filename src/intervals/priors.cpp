#include "moltspan/intervals/priors.hpp"

#include <cmath>
#include <stdexcept>

#include "intervals/model.hpp"

namespace moltspan {
namespace {

/// Whether other records would have a coefficient of the same meaning.
bool travels(CoefficientRole role) {
  return role != CoefficientRole::other && role != CoefficientRole::kind_pace && role != CoefficientRole::warmth_squared;
}

/// The coefficients of a fit with their roles.
std::vector<Coefficient> coefficients_of(const StadiaFit& fit) {
  std::vector<Coefficient> result;
  for (std::size_t i = 0; i < fit.coefficient_names.size(); ++i)
    result.push_back({fit.coefficient_names[i], fit.coefficient_roles[i]});
  return result;
}

Prior half_normal(double mean, double error, double widen) { return {Prior::Kind::half_normal, 0, std::hypot(mean, error) * widen}; }

}  // namespace

Priors priors_used(const StadiaFit& fit) {
  Priors result;
  if (fit.options.method != Method::bayes) return result;
  const PriorTable table(fit.options.priors, coefficients_of(fit), fit.learned_names);
  for (const auto& name : fit.coefficient_names) result.emplace_back(name, table.of(name));
  result.emplace_back("sigma", table.of("sigma"));
  for (const Level level : fit.levels) result.emplace_back(sd_name(level), table.of(sd_name(level)));
  for (const auto& name : fit.learned_names) result.emplace_back(name, table.of(name));
  return result;
}

Priors posterior_as_priors(const StadiaFit& fit, double weight) {
  if (!(weight > 0 && weight <= 1)) throw std::invalid_argument("weight: give a number above 0 and up to 1");
  Priors result;
  if (fit.options.method != Method::bayes) return result;
  const double widen = 1 / std::sqrt(weight);
  const auto& names = fit.coefficient_names;
  const bool paced = fit.column(CoefficientRole::kind_pace) >= 0;
  for (std::size_t i = 0; i < names.size(); ++i) {
    const auto k = static_cast<Eigen::Index>(i);
    const CoefficientRole role = fit.coefficient_roles[i];
    if (travels(role) && !(paced && role == CoefficientRole::intercept))
      result.push_back({names[i], {Prior::Kind::normal, fit.coefficients[k], fit.coefficient_errors[k] * widen}});
  }
  if (fit.n_records == 0) return result;
  result.push_back({"sigma", half_normal(fit.sigma, fit.sigma_error, widen)});
  for (std::size_t l = 0; l < fit.levels.size(); ++l)
    result.push_back({sd_name(fit.levels[l]), half_normal(fit.level_sds[l], fit.level_sd_errors[l], widen)});
  return result;
}

}  // namespace moltspan
