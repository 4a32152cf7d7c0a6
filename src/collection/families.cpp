#include "collection/families.hpp"

#include <toml++/toml.h>

#include <cmath>

#include "facts/embedded_tables.hpp"
#include "intervals/next_molt_law.hpp"
#include "intervals/posterior.hpp"
#include "moltspan/numeric/quadrature.hpp"

namespace moltspan {
namespace {

constexpr std::size_t enough_records = 1500;  ///< to tell families apart
constexpr int effect_nodes = 9;               ///< over a predictor
constexpr double weightless = 1e-3;
constexpr Family all_families[] = {Family::lognormal, Family::weibull, Family::loglogistic};

double own_share() {
  static const double share = toml::parse(embedded_table("priors"))["families"]["own_share"].value<double>().value();
  return share;
}

/// log p(record | the others) in one family that has the mean and sd of the fit's at every predictor.
double log_predictive(const StadiumBounds& bounds, Family own, Family other, const PredictiveComponent& cavity) {
  const PredictiveComponent point = in_family({cavity}, own, other).front();
  const auto& rule = numeric::gauss_hermite(effect_nodes);
  double sum = 0;
  for (int i = 0; i < effect_nodes; ++i)
    sum +=
        rule.weights[i] * std::exp(stadium_term(other, bounds, point.mean + std::sqrt(point.variance) * rule.nodes[i],
                                                std::log(point.sigma), Truncation::marginal)
                                       .value);
  return std::log(std::max(sum, 1e-300));
}

/// Sums of log_predictive over the records of a model, by family.
std::array<double, std::size(all_families)> log_scores(const StadiaModel& model, const Eigen::VectorXd& hyper) {
  std::array<double, std::size(all_families)> scores{};
  ConditionalPosterior posterior(model);
  if (!posterior.solve(hyper)) return scores;
  const StadiaData& data = model.data();
  for (std::size_t i = 0; i < data.size(); ++i) {
    if (model.hides_molts(i) || data.bounds[i].entry_days > 0) continue;
    const auto [mean, variance] = predictor_without_term(posterior, model, i);
    const PredictiveComponent cavity{1, mean, variance, std::exp(model.record_log_sigma(i, hyper))};
    const double weight = data.weights.size() == 0 ? 1 : data.weights[static_cast<Eigen::Index>(i)];
    for (std::size_t f = 0; f < scores.size(); ++f)
      scores[f] += weight * log_predictive(data.bounds[i], model.options().family, all_families[f], cavity);
  }
  return scores;
}

/// Makes the weights add up to 1.
void share_out(std::vector<FamilyWeight>& families) {
  double total = 0;
  for (const FamilyWeight& one : families) total += one.weight;
  for (FamilyWeight& one : families) one.weight /= total;
}

}  // namespace

std::vector<FamilyWeight> weigh_families(const CollectionFit& fit) {
  const Family own = fit.options.family;
  std::vector<FamilyWeight> result{{own, 1}};
  if (!fit.options.mix_families || fit.options.method != Method::bayes || fit.data.size() == 0) return result;
  const auto& values = fit.stadia.estimate.values;
  const Eigen::VectorXd hyper = values.tail(values.size() - fit.stadia.coefficients.size());
  const StadiaModel& whole = fit.stadia.posterior->get().model();
  const StadiaModel part(thinned(whole.data(), enough_records), whole.options(), false);
  // A part that lacks a level of groups cannot be solved at these spreads: the fit's family stands alone, as it says.
  if (!hyper.allFinite() || part.n_hyper() != hyper.size()) return result;
  const auto scores = log_scores(part, hyper);
  const double each = (1 - own_share()) / (static_cast<double>(std::size(all_families)) - 1);
  result.front().weight = own_share();
  for (std::size_t f = 0; f < std::size(all_families); ++f)
    if (all_families[f] != own)
      result.push_back(
          {all_families[f], each * std::exp(std::min(scores[f] - scores[static_cast<std::size_t>(own)], 50.0))});
  share_out(result);
  std::erase_if(result, [&](const FamilyWeight& one) { return one.family != own && !(one.weight > weightless); });
  share_out(result);
  return result;
}

}  // namespace moltspan
