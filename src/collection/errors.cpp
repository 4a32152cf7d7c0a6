#include "collection/errors.hpp"
#include "moltspan/collection/animal_view.hpp"

#include <algorithm>
#include <cmath>
#include <map>

namespace moltspan {
namespace {

using Eigen::Index;

constexpr int enough_temperatures = 5;  ///< degrees of freedom of the spread of stadia about their animal

/// Pooled sd of the temperatures of stadia about the mean of their animal's; 0 where too few are known.
double stadium_temperature_sd(const CollectionFit& fit) {
  struct Sums {
    double n = 0, sum = 0, squares = 0;
  };
  std::map<int, Sums> animals;
  for (const Stadium& s : fit.table.stadia) {
    if (!std::isfinite(s.temperature_c)) continue;
    Sums& own = animals[s.animal];
    const double c = s.temperature_c;
    ++own.n;
    own.sum += c;
    own.squares += c * c;
  }
  double squares = 0, freedom = 0;
  for (const auto& [animal, own] : animals) {
    squares += own.squares - own.sum * own.sum / own.n;
    freedom += own.n - 1;
  }
  return freedom < enough_temperatures ? 0 : std::sqrt(std::max(0.0, squares / freedom));
}

}  // namespace

void weigh_covariate_errors(CollectionFit& fit, double exponent, double warmth, double last_instar) {
  fit.exponent_for_size_error = exponent;
  fit.unmeasured_warmth_sd = std::abs(warmth) * stadium_temperature_sd(fit);
  fit.data.extra_variance.resize(static_cast<Index>(fit.data.size()));
  for (std::size_t row = 0; row < fit.data.size(); ++row) {
    const Stadium& s = fit.table.stadia[row];
    const AnimalView animal = fit.animal(s.animal);
    double variance = exponent * exponent * animal.inputs().sizes[s.molt + 1].record_variance;
    if (!std::isfinite(s.temperature_c) && std::isfinite(animal.history().temperature_c))
      variance += fit.unmeasured_warmth_sd * fit.unmeasured_warmth_sd;
    if (!fit.last_instar.row_variances.empty()) variance += last_instar * last_instar * fit.last_instar.row_variances[row];
    fit.data.extra_variance[static_cast<Index>(row)] = variance;
  }
  for (auto& [animal, variance] : fit.data.animal_extra_variance)
    variance = exponent * exponent * fit.animal(animal).inputs().shared_size_variance;
}

}  // namespace moltspan
