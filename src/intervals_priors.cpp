#include "moltspan/intervals_priors.hpp"

#include "intervals_model.hpp"

namespace moltspan {

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

}  // namespace moltspan
