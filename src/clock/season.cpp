#include "moltspan/clock/season.hpp"

#include <cmath>
#include <limits>

namespace moltspan {
namespace {

constexpr double clear_in_sds = 2, normal_95 = 1.6449;

}  // namespace

bool is_shown(const SeasonFit& season) {
  return season.log_rate.amplitude() > clear_in_sds * season.amplitude_sd && season.chance > 0.5;
}

double largest_amplitude(const SeasonFit& season) {
  if (!season.looked_for) return std::numeric_limits<double>::quiet_NaN();
  return season.log_rate.amplitude() + normal_95 * season.amplitude_sd;
}

}  // namespace moltspan
