#include "moltspan/intervals/priors.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <stdexcept>
#include <string_view>

#include "intervals/model.hpp"

namespace moltspan {
namespace {

constexpr std::array<std::string_view, 10> shared_coefficients{
    "Intercept", "log_size", "last_instar", "warmth_c", "male", "near_adult_female", "pace_slow", "pace_fast", "limb_lost", "egg_sac"};

Prior half_normal(double mean, double error, double widen) { return {Prior::Kind::half_normal, 0, std::hypot(mean, error) * widen}; }

}  // namespace

Priors priors_used(const StadiaFit& fit) {
  Priors result;
  if (fit.options.method != Method::bayes) return result;
  const PriorTable table(fit.options.priors, fit.coefficient_names, fit.learned_names);
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
  const bool paced = std::find(names.begin(), names.end(), "kind_pace") != names.end();
  for (std::size_t i = 0; i < names.size(); ++i) {
    const auto k = static_cast<Eigen::Index>(i);
    const bool shared = std::find(shared_coefficients.begin(), shared_coefficients.end(), names[i]) != shared_coefficients.end();
    if (shared && !(paced && names[i] == "Intercept"))
      result.push_back({names[i], {Prior::Kind::normal, fit.coefficients[k], fit.coefficient_errors[k] * widen}});
  }
  if (fit.n_records == 0) return result;
  result.push_back({"sigma", half_normal(fit.sigma, fit.sigma_error, widen)});
  for (std::size_t l = 0; l < fit.levels.size(); ++l)
    result.push_back({sd_name(fit.levels[l]), half_normal(fit.level_sds[l], fit.level_sd_errors[l], widen)});
  return result;
}

}  // namespace moltspan
