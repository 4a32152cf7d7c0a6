#include "intervals/bootstrap.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "intervals/ml.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;
using numeric::RandomStream;

constexpr int replicates = 200;
constexpr int refit_nodes = 8;
constexpr std::uint64_t bootstrap_seed = 20261125;
constexpr double least_sd_share = 0.02;  ///< of sigma: what stands for a refitted spread of 0

/// W with P(W > w) = survival.
double law_at_survival(Family family, double survival) {
  if (family == Family::weibull) return std::log(-std::log(survival));
  if (family == Family::loglogistic) return std::log1p(-survival) - std::log(survival);
  return -numeric::normal_quantile(survival);
}

double law_survival(Family family, double w) {
  if (family == Family::weibull) return std::exp(-std::exp(w));
  if (family == Family::loglogistic) return 1 / (1 + std::exp(w));
  return 0.5 * std::erfc(w / std::sqrt(2.0));
}

/// A length, longer than the age at which the record was joined.
double draw_length(Family family, double eta, double sigma, double entry_days, RandomStream& draws) {
  const double reached = entry_days > 0 ? law_survival(family, (std::log(entry_days) - eta) / sigma) : 1;
  const double survival = std::max(draws.uniform() * reached, 1e-300);
  return std::max(std::exp(eta + sigma * law_at_survival(family, survival)), entry_days * (1 + 1e-9));
}

/// How a length would have been seen by the keeper who saw that of the record: ranges of the same widths about it.
StadiumBounds seen_as(const StadiumBounds& seen, double length, RandomStream& draws) {
  StadiumBounds b = seen;
  const double started = draws.uniform() * seen.start_range_days, place = draws.uniform();
  const auto exact = [&] {
    b.min_days = b.max_days = length;
    b.start_range_days = b.end_range_days = 0;
  };
  if (std::isnan(seen.max_days)) {
    if (length <= seen.min_days + started) exact();
  } else if (seen.max_days == seen.min_days) {
    exact();
  } else if (seen.min_days <= 0) {
    if (length > seen.max_days) exact();
  } else {
    const double range = seen.start_range_days, end_range = std::max(seen.max_days - seen.min_days - range, 0.0);
    const double end = range > 0 ? started + length : length;
    const double end_earliest = std::max(end - place * end_range, 0.0);
    b.min_days = std::max(end_earliest - range, 0.0);
    b.max_days = end_earliest + end_range;
    b.end_range_days = end_range;
    if (b.max_days == b.min_days) exact();
  }
  return b;
}

StadiaData redrawn(const StadiaData& data, const StadiaOptions& options, const VectorXd& values, bool has_effect,
                   std::uint32_t replicate) {
  StadiaData result = data;
  const Index p = data.covariates.cols();
  const double sigma = std::exp(values[p]), animal_sd = has_effect ? std::exp(values[p + 1]) : 0;
  const auto& animals = data.groups[static_cast<int>(Level::animal)];
  RandomStream draws(bootstrap_seed, {1, 0, replicate});
  std::map<int, double> effects;
  for (std::size_t i = 0; i < data.size(); ++i) {
    double eta = data.covariates.row(static_cast<Index>(i)).dot(values.head(p));
    if (has_effect) {
      const auto [effect, added] = effects.try_emplace(animals[i] >= 0 ? animals[i] : -1 - static_cast<int>(i));
      if (added) effect->second = animal_sd * draws.normal();
      eta += effect->second;
    }
    const double length = draw_length(options.family, eta, sigma, data.bounds[i].entry_days, draws);
    result.bounds[i] = seen_as(data.bounds[i], length, draws);
  }
  return result;
}

}  // namespace

MatrixXd bootstrap_spreads(const StadiaData& data, const StadiaOptions& options, const StadiaEstimate& estimate,
                           bool has_effect) {
  const Index p = data.covariates.cols(), size = has_effect ? 2 : 1;
  const VectorXd values = estimate.values.head(p + size);
  std::vector<VectorXd> rows;
  for (int replicate = 0; replicate < replicates; ++replicate) {
    const StadiaData drawn = redrawn(data, options, values, has_effect, static_cast<std::uint32_t>(replicate));
    const AnimalQuadrature quadrature(drawn, options);
    const NewtonResult refit = maximise_likelihood(quadrature, values, refit_nodes);
    if (!refit.parameters.allFinite() || !(refit.converged || refit.vanishing)) continue;
    VectorXd row(size);
    row[0] = 2 * values[p] - refit.parameters[p];
    if (has_effect) row[1] = std::max(refit.parameters[p + 1], std::log(least_sd_share) + values[p]);
    rows.push_back(row);
  }
  MatrixXd result(static_cast<Index>(rows.size()), size);
  for (std::size_t i = 0; i < rows.size(); ++i) result.row(static_cast<Index>(i)) = rows[i].transpose();
  return result;
}

}  // namespace moltspan
