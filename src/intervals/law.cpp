#include "intervals/law.hpp"

#include <algorithm>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>

#include "moltspan/law/families.hpp"
#include "moltspan/numeric/quadrature.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::VectorXd;

constexpr int effect_nodes = 16;            ///< Gauss-Hermite nodes over eta, where there is no closed form
constexpr double negligible_weight = 1e-4;  ///< of all points that are left out together
constexpr int root_bits = 34;               ///< of a quantile's logarithm

template <typename Law>
double survival_with_law(const LawPoint& p, double log_t) {
  if (p.variance == 0) return std::exp(Law::log_survival((log_t - p.mean) / p.sigma));
  const auto& rule = numeric::gauss_hermite(effect_nodes);
  const double sd = std::sqrt(p.variance);
  double sum = 0;
  for (int i = 0; i < effect_nodes; ++i)
    sum += rule.weights[i] * std::exp(Law::log_survival((log_t - p.mean - sd * rule.nodes[i]) / p.sigma));
  return sum;
}

double sum_survival(Family family, const std::vector<LawPoint>& points, double log_t) {
  double sum = 0;
  for (const LawPoint& point : points) sum += point.weight * predictive_survival_log(family, point, log_t);
  return sum;
}

}  // namespace

LawMoments moments_of(Family family) {
  using namespace numeric;
  if (family == Family::weibull) return {GumbelMinLaw::mean, GumbelMinLaw::variance, GumbelMinLaw::median};
  if (family == Family::loglogistic) return {LogisticLaw::mean, LogisticLaw::variance, LogisticLaw::median};
  return {NormalLaw::mean, NormalLaw::variance, NormalLaw::median};
}

double predictive_survival_log(Family family, const LawPoint& p, double log_t) {
  if (family == Family::weibull) return survival_with_law<numeric::GumbelMinLaw>(p, log_t);
  if (family == Family::loglogistic) return survival_with_law<numeric::LogisticLaw>(p, log_t);
  return numeric::Phi((p.mean - log_t) / std::sqrt(p.variance + p.sigma * p.sigma));
}

double predictive_survival(Family family, const LawPoint& p, double t_days) {
  return t_days <= 0 ? 1 : predictive_survival_log(family, p, std::log(t_days));
}

std::vector<LawPoint> law_points(const PredictorMixture& mixture, Index predictor) {
  std::vector<LawPoint> points;
  const double log_scale = mixture.log_scale.size() == 0 ? 0 : mixture.log_scale[predictor];
  for (Index k = 0; k < mixture.weights.size(); ++k)
    if (mixture.weights[k] > 0)
      points.push_back({mixture.weights[k], mixture.mean(k, predictor), std::max(mixture.variance(k, predictor), 0.0),
                        std::exp(mixture.log_sigma[k] + log_scale)});
  std::sort(points.begin(), points.end(), [](const LawPoint& a, const LawPoint& b) { return a.weight > b.weight; });
  double dropped = 0;
  while (points.size() > 1 && (dropped += points.back().weight) < negligible_weight) points.pop_back();
  return points;
}

double mixture_survival(Family family, const PredictorMixture& mixture, Index predictor, double t_days) {
  return t_days <= 0 ? 1 : sum_survival(family, law_points(mixture, predictor), std::log(t_days));
}

VectorXd conditional_quantiles(Family family, const PredictorMixture& mixture, Index predictor, double elapsed_days,
                               const VectorXd& probabilities) {
  std::vector<LawPoint> points = law_points(mixture, predictor);
  double total = 0;
  for (LawPoint& point : points) {
    total += point.weight;
    point.weight /= std::max(predictive_survival(family, point, elapsed_days), 1e-300);
  }
  const double floor = elapsed_days > 0 ? std::log(elapsed_days) : -20;
  double from = floor, last = 0;
  VectorXd quantiles(probabilities.size());
  for (Index i = 0; i < probabilities.size(); ++i) {
    if (probabilities[i] < last) from = floor;
    last = probabilities[i];
    const auto excess = [&](double log_t) { return 1 - last - sum_survival(family, points, log_t) / total; };
    double low = from, width = from > -20 ? 0.1 : 20;
    if (excess(low) < 0) {
      for (; excess(low + width) < 0 && low < 60; width *= 2) low += width;
      std::uintmax_t steps = 100;
      const boost::math::tools::eps_tolerance<double> enough(root_bits);
      const auto root = excess(low + width) < 0
                            ? std::pair(low + width, low + width)  // no end of the tail within exp(60) days
                            : boost::math::tools::toms748_solve(excess, low, low + width, enough, steps);
      from = root.first;
      low = 0.5 * (root.first + root.second);
    }
    quantiles[i] = std::exp(low);
  }
  return quantiles;
}

Eigen::MatrixXd running_quantiles(Family family, const PredictorMixture& mixture, const VectorXd& elapsed_days,
                                  const VectorXd& probabilities) {
  Eigen::MatrixXd result(mixture.mean.cols(), probabilities.size());
  for (Index i = 0; i < result.rows(); ++i)
    result.row(i) = conditional_quantiles(family, mixture, i, elapsed_days[i], probabilities).transpose();
  return result;
}

Eigen::MatrixXd mixture_quantiles(Family family, const PredictorMixture& mixture, const VectorXd& probabilities) {
  return running_quantiles(family, mixture, VectorXd::Zero(mixture.mean.cols()), probabilities);
}

Eigen::MatrixXd median_quantiles(Family family, const PredictorMixture& mixture, const VectorXd& probabilities) {
  // The distribution of exp(predictor) is that of a log-normal T without any spread of its own.
  PredictorMixture bare = mixture;
  bare.mean.colwise() += (moments_of(family).median * mixture.log_sigma.array().exp()).matrix();
  bare.log_sigma.setConstant(-50);
  return mixture_quantiles(Family::lognormal, bare, probabilities);
}

}  // namespace moltspan
