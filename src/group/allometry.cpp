#include "moltspan/group/allometry.hpp"

#include <algorithm>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/fisher_f.hpp>
#include <boost/math/tools/minima.hpp>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <limits>
#include <map>

#include "group/stats.hpp"

namespace moltspan {
namespace {

using group::note;
using group::require;
using group::t_interval;
using group::t_quantile;

constexpr const char* function_name = "allometry_fit";
constexpr double bartlett = 2.5;  ///< Warton & Weber 2002

/// Sums of squares of one group's logs about their means.
struct Moments {
  int group = 0;
  double n = 0, mean_x = 0, mean_y = 0, xx = 0, yy = 0, xy = 0;

  double r_squared() const { return xy * xy / (xx * yy); }
  /// log(1 - r^2) of the residual y - b x and the fitted axis y + b x.
  double log_unshared(double b) const {
    const double residual = yy - 2 * b * xy + b * b * xx, along = yy + 2 * b * xy + b * b * xx;
    return std::log(4 * b * b * (xx * yy - xy * xy) / (residual * along));
  }
};

Moments moments(int group, const std::vector<std::pair<double, double>>& points) {
  Moments m{group, static_cast<double>(points.size())};
  for (const auto& [x, y] : points) m.mean_x += x / m.n, m.mean_y += y / m.n;
  for (const auto& [x, y] : points) {
    m.xx += (x - m.mean_x) * (x - m.mean_x);
    m.yy += (y - m.mean_y) * (y - m.mean_y);
    m.xy += (x - m.mean_x) * (y - m.mean_y);
  }
  return m;
}

/// A spread under this share of the size itself is rounding: all values are the same.
bool has_spread(double sum_of_squares, double mean, double n) {
  return sum_of_squares > n * std::pow(1e-12 * (1 + std::abs(mean)), 2);
}

std::vector<Moments> groups_of(std::span<const double> x, std::span<const double> y, std::span<const int> group) {
  group::require_as_many(function_name, "y", y.size(), x.size());
  group::require_as_many(function_name, "group", group.size(), x.size());
  std::map<int, std::vector<std::pair<double, double>>> points;
  for (std::size_t i = 0; i < x.size(); ++i) {
    const auto row = static_cast<std::ptrdiff_t>(i);
    require(x[i] > 0 && std::isfinite(x[i]), function_name, "x", row, x[i], "a size is positive; leave blanks out");
    require(y[i] > 0 && std::isfinite(y[i]), function_name, "y", row, y[i], "a size is positive; leave blanks out");
    points[group[i]].emplace_back(std::log(x[i]), std::log(y[i]));
  }
  require(!points.empty(), function_name, "x", -1, 0, "a line needs rows");
  std::vector<Moments> result;
  for (const auto& [code, rows] : points) {
    const Moments m = moments(code, rows);
    require(m.n >= 3, function_name, "rows of a group", -1, m.n, "a line with a spread needs 3; leave the group out");
    require(has_spread(m.xx, m.mean_x, m.n), function_name, "spread of log x in a group", -1, m.xx,
            "a line needs unequal x; leave the group out");
    require(has_spread(m.yy, m.mean_y, m.n), function_name, "spread of log y in a group", -1, m.yy,
            "a line needs unequal y; leave the group out");
    result.push_back(m);
  }
  return result;
}

double f_quantile(double level, double df_1, double df_2) { return quantile(boost::math::fisher_f(df_1, df_2), level); }

AllometryLine line_of(const Moments& m, double slope) {
  AllometryLine line;
  line.group = m.group;
  line.n = static_cast<int>(m.n);
  line.r_squared = m.r_squared();
  line.slope.estimate = slope;
  line.intercept.estimate = m.mean_y - slope * m.mean_x;
  line.sigma = std::sqrt(std::max(0.0, m.yy - 2 * slope * m.xy + slope * slope * m.xx) / (m.n - 2));
  return line;
}

void set_intercept(AllometryLine& line, const Moments& m, double slope_variance, double level) {
  const double error = std::sqrt(line.sigma * line.sigma / m.n + m.mean_x * m.mean_x * slope_variance);
  line.intercept = t_interval(line.intercept.estimate, error, level, m.n - 2);
}

AllometryLine ols_line(const Moments& m, double level, double test_slope) {
  AllometryLine line = line_of(m, m.xy / m.xx);
  const double error = line.sigma / std::sqrt(m.xx);
  line.slope = t_interval(line.slope.estimate, error, level, m.n - 2);
  set_intercept(line, m, error * error, level);
  line.p_isometry = group::t_two_sided((line.slope.estimate - test_slope) / error, m.n - 2);
  return line;
}

/// Slope = b0 exactly where residual and fitted axis are uncorrelated.
double sma_slope_test(const Moments& m, double test_slope) {
  const double unshared = std::exp(m.log_unshared(test_slope));
  if (std::isnan(unshared)) return 1;  // every point on the line tested
  return group::t_two_sided(std::sqrt(std::max(0.0, 1 / unshared - 1) * (m.n - 2)), m.n - 2);
}

AllometryLine sma_line(const Moments& m, double level, double test_slope) {
  AllometryLine line = line_of(m, std::copysign(std::sqrt(m.yy / m.xx), m.xy));
  const double slope = line.slope.estimate, rest = (1 - m.r_squared()) / (m.n - 2);
  const double b = f_quantile(level, 1, m.n - 2) * rest;
  const double near = slope * (std::sqrt(b + 1) - std::sqrt(b)), far = slope * (std::sqrt(b + 1) + std::sqrt(b));
  line.slope.lower = std::min(near, far), line.slope.upper = std::max(near, far);
  set_intercept(line, m, slope * slope * rest, level);
  line.p_isometry = std::signbit(test_slope) == std::signbit(slope) ? sma_slope_test(m, test_slope) : 0;
  return line;
}

void common_ols(AllometryFit& fit, const std::vector<Moments>& groups) {
  double n = 0, xx = 0, xy = 0, yy = 0, own = 0;
  for (const Moments& m : groups) {
    n += m.n, xx += m.xx, xy += m.xy, yy += m.yy;
    own += m.yy - m.xy * m.xy / m.xx;
  }
  const auto g = static_cast<double>(groups.size());
  const double slope = xy / xx, parallel = yy - slope * xy;
  fit.residual_df = n - 2 * g;
  fit.statistic = std::max(0.0, parallel - own) / (g - 1) / (own / fit.residual_df);
  fit.p_common = cdf(complement(boost::math::fisher_f(g - 1, fit.residual_df), fit.statistic));
  const double df = n - g - 1;
  fit.common_slope = t_interval(slope, std::sqrt(parallel / df / xx), fit.level, df);
}

/// Minus the sum over groups of (n - taken) log(1 - r^2) at the shared slope `sign` exp(log_b).
double shared_misfit(const std::vector<Moments>& groups, double slope, double taken) {
  double sum = 0;
  for (const Moments& m : groups) sum -= (m.n - taken) * m.log_unshared(slope);
  return sum;
}

/// The log slope on one side of `centre` where the Bartlett-corrected statistic has risen by `rise`.
double where_risen(const std::vector<Moments>& groups, double sign, double centre, double rise, double direction) {
  const auto risen = [&](double log_b) {
    return shared_misfit(groups, sign * std::exp(log_b), bartlett) -
           shared_misfit(groups, sign * std::exp(centre), bartlett) - rise;
  };
  double step = 0.1;
  while (risen(centre + direction * step) < 0 && step < 50) step *= 2;
  if (!(risen(centre + direction * step) >= 0)) return direction * std::numeric_limits<double>::infinity();
  double low = centre, high = centre + direction * step;
  if (low > high) std::swap(low, high);
  std::uintmax_t steps = 100;
  const auto bracket =
      boost::math::tools::toms748_solve(risen, low, high, boost::math::tools::eps_tolerance<double>(48), steps);
  return 0.5 * (bracket.first + bracket.second);
}

void common_sma(AllometryFit& fit, const std::vector<Moments>& groups) {
  const double sign = std::copysign(1.0, groups.front().xy);
  double low = std::numeric_limits<double>::infinity(), high = -low;
  for (const Moments& m : groups) {
    if (std::copysign(1.0, m.xy) != sign) {
      fit.health.push_back(note(HealthState::bad, "slopes", "the slopes differ in sign: they have no common slope"));
      return;
    }
    if (m.r_squared() > 1 - 1e-12) {
      fit.health.push_back(
          note(HealthState::bad, "no spread", "a group lies on its line exactly: no test is possible"));
      return;
    }
    const double log_slope = 0.5 * std::log(m.yy / m.xx);
    low = std::min(low, log_slope), high = std::max(high, log_slope);
  }
  const auto misfit = [&](double log_b) { return shared_misfit(groups, sign * std::exp(log_b), 0); };
  const double best = high > low ? boost::math::tools::brent_find_minima(misfit, low, high, 52).first : low;
  fit.statistic = shared_misfit(groups, sign * std::exp(best), bartlett);
  fit.p_common = cdf(complement(boost::math::chi_squared(fit.statistic_df), std::max(0.0, fit.statistic)));
  const double rise = quantile(boost::math::chi_squared(1), fit.level);
  const double a = sign * std::exp(where_risen(groups, sign, best, rise, -1));
  const double b = sign * std::exp(where_risen(groups, sign, best, rise, 1));
  fit.common_slope = {sign * std::exp(best), std::min(a, b), std::max(a, b)};
}

void judge(AllometryFit& fit) {
  int few = 0, weak = 0;
  for (const AllometryLine& line : fit.lines) few += line.n < 10, weak += line.r_squared < 0.1;
  if (few > 0)
    fit.health.push_back(
        note(HealthState::warning, "few rows",
             std::to_string(few) + " group(s) with under 10 rows: wide intervals that rest on normal errors"));
  if (weak > 0 && fit.method == LineMethod::sma)
    fit.health.push_back(note(HealthState::warning, "weak relation",
                              std::to_string(weak) + " group(s) with r^2 under .1: a major axis has a slope even where "
                                                     "nothing is related"));
}

}  // namespace

AllometryFit allometry_fit(std::span<const double> x, std::span<const double> y, std::span<const int> group,
                           LineMethod method, double level, double test_slope) {
  group::require_level(function_name, level);
  require(test_slope != 0 && std::isfinite(test_slope), function_name, "test_slope", -1, test_slope,
          "it has to be a number other than 0; isometry is 1");
  const auto groups = groups_of(x, y, group);
  AllometryFit fit;
  fit.method = method, fit.level = level, fit.test_slope = test_slope;
  fit.statistic_df = static_cast<int>(groups.size()) - 1;
  for (const Moments& m : groups)
    fit.lines.push_back(method == LineMethod::ols ? ols_line(m, level, test_slope) : sma_line(m, level, test_slope));
  if (groups.size() > 1) method == LineMethod::ols ? common_ols(fit, groups) : common_sma(fit, groups);
  judge(fit);
  return fit;
}

}  // namespace moltspan
