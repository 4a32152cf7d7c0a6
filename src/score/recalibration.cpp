#include "moltspan/score/recalibration.hpp"

#include <cmath>

#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace {

constexpr double stretched_z = 2;  ///< past forecasts are too few to tell of tails beyond

}  // namespace

double Recalibration::scale() const { return std::exp(log_scale); }

double Recalibration::survival(double s) const {
  if (!used() || !(s > 0) || s >= 1) return s;
  const double z = numeric::normal_quantile(s) + location, factor = scale(), within = z / factor;
  if (std::abs(within) <= stretched_z || factor <= 1) return numeric::Phi(within);
  return numeric::Phi(z - std::copysign(stretched_z * (factor - 1), z));  // tails keep their own shape
}

}  // namespace moltspan
