#include "group/temperature_fall.hpp"

#include <cmath>
#include <map>
#include <string>

#include "group/stats.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::VectorXd;

constexpr double off_errors = 3;
constexpr std::size_t fewest_temperatures = 4;

struct Sum {
  double rate = 0, n = 0;
  double mean() const { return rate / n; }
};

/// Rate that the line of all rows below `warmest` has there, and the standard error of a mean of `n` rows about it.
std::pair<double, double> from_cooler(const VectorXd& temperature, const VectorXd& rate, double warmest, double n) {
  double count = 0, t = 0, r = 0, tt = 0, tr = 0, left = 0;
  const auto each = [&](auto visit) {
    for (Index i = 0; i < rate.size(); ++i)
      if (temperature[i] < warmest) visit(temperature[i], rate[i]);
  };
  each([&](double x, double y) { ++count, t += x, r += y; });
  t /= count;
  r /= count;
  each([&](double x, double y) { tt += (x - t) * (x - t), tr += (x - t) * (y - r); });
  const double slope = tr / tt;
  each([&](double x, double y) { left += std::pow(y - r - slope * (x - t), 2); });
  const double variance = left / (count - 2);
  return {r + slope * (warmest - t),
          std::sqrt(variance * (1 / n + 1 / count + (warmest - t) * (warmest - t) / tt))};
}

}  // namespace

void note_falling_rate(CurveFit& fit, const VectorXd& temperature_c, const VectorXd& rate) {
  std::map<double, Sum> by_temperature;
  for (Index i = 0; i < rate.size(); ++i) {
    Sum& sum = by_temperature[temperature_c[i]];
    sum.rate += rate[i];
    ++sum.n;
  }
  if (by_temperature.size() < fewest_temperatures) return;
  const auto warmest = by_temperature.rbegin(), next = std::next(warmest);
  const auto [told, error] = from_cooler(temperature_c, rate, warmest->first, warmest->second.n);
  if (warmest->second.mean() >= next->second.mean() || !(warmest->second.mean() < told - off_errors * error)) return;
  std::string degrees = std::to_string(warmest->first);
  degrees = degrees.substr(0, degrees.find('.') + 2);
  fit.health.push_back(
      group::note(HealthState::bad, "falling_rate",
                  "at " + degrees + " C, the warmest, the rate falls: a straight line does not hold there and tilts the "
                  "threshold; leave it out with use_to_c, or fit briere_fit, which falls at the warmest"));
}

}  // namespace moltspan
