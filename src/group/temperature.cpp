#include "moltspan/group/temperature.hpp"

#include <algorithm>
#include <cmath>

#include "group/curves.hpp"
#include "group/stats.hpp"
#include "group/temperature_fall.hpp"

namespace moltspan {
namespace {

using Eigen::VectorXd;
using group::delta_error;
using group::line_solution;
using group::note;
using group::parameter;
using group::require;
using group::Rows;
using group::rows_of;
using group::Solution;

constexpr double infinity = std::numeric_limits<double>::infinity();

/// Fieller's interval of -intercept / slope.
IntervalEstimate fieller(const Solution& s, double t) {
  const double a = s.theta[0], b = s.theta[1], estimate = -a / b;
  if (s.covariance.size() == 0 || std::isinf(t)) return {estimate, -infinity, infinity};
  const auto& v = s.covariance;
  const double square = b * b - t * t * v(1, 1), linear = a * b - t * t * v(0, 1), free = a * a - t * t * v(0, 0);
  const double root = linear * linear - square * free;
  if (!(square > 0)) return {estimate, -infinity, infinity};
  const double half = std::sqrt(std::max(0.0, root)) / square, middle = -linear / square;
  return {estimate, middle - half, middle + half};
}

IntervalEstimate inverse_slope(double slope, double error, double t) {
  const double low = slope - t * error, high = slope + t * error;
  return {1 / slope, 1 / high, low > 0 ? 1 / low : infinity};
}

void line_parameters(CurveFit& fit, const Solution& s) {
  const double a = s.theta[0], b = s.theta[1], level = fit.options.level;
  const double slope_error = delta_error(s, VectorXd::Unit(2, 1)), t = group::t_quantile(level, fit.df);
  fit.parameters = {
      parameter("threshold_c", -a / b, delta_error(s, Eigen::Vector2d(-1 / b, a / (b * b))), level, fit.df),
      parameter("sum_degree_days", 1 / b, slope_error / (b * b), level, fit.df),
      parameter("intercept", a, delta_error(s, VectorXd::Unit(2, 0)), level, fit.df),
      parameter("slope", b, slope_error, level, fit.df)};
  fit.parameters[0].interval = fieller(s, t);
  fit.parameters[1].interval = inverse_slope(b, slope_error, t);
}

void line_bootstrap(CurveFit& fit, const Solution& s, const VectorXd& temperature) {
  const Eigen::MatrixXd draws = group::resample(s, fit.options, [&](const VectorXd& rate) -> VectorXd {
    const VectorXd theta = line_solution(temperature, rate).theta;
    if (!(theta[1] > 0)) return {};
    return Eigen::Vector4d(-theta[0] / theta[1], 1 / theta[1], theta[0], theta[1]);
  });
  group::set_bootstrap(fit, draws);
}

}  // namespace

const CurveParameter& CurveFit::operator[](const std::string& name) const {
  for (const CurveParameter& p : parameters)
    if (p.name == name) return p;
  throw std::invalid_argument("CurveFit: there is no parameter `" + name + "`");
}

double q10(double rate_1, double rate_2, double temperature_1_c, double temperature_2_c) {
  require(rate_1 > 0 && std::isfinite(rate_1), "q10", "rate_1", -1, rate_1, "a rate is positive");
  require(rate_2 > 0 && std::isfinite(rate_2), "q10", "rate_2", -1, rate_2, "a rate is positive");
  const double span = temperature_2_c - temperature_1_c;
  require(span != 0 && std::isfinite(span), "q10", "temperature_2_c", -1, temperature_2_c,
          "it has to differ from temperature_1_c");
  return std::pow(rate_2 / rate_1, 10 / span);
}

IntervalEstimate q10_from_slope(double log_days_per_c, double standard_error, double level, double df) {
  group::require_level("q10_from_slope", level);
  require(standard_error >= 0, "q10_from_slope", "standard_error", -1, standard_error, "it is not negative");
  return group::exp_of(group::t_interval(-10 * log_days_per_c, 10 * standard_error, level, df));
}

CurveFit thermal_sum_fit(std::span<const double> temperature_c, std::span<const double> days,
                         std::optional<double> use_from_c, std::optional<double> use_to_c,
                         const CurveOptions& options) {
  constexpr const char* name = "thermal_sum_fit";
  group::check_options(name, options);
  std::vector<double> t, d;
  group::require_as_many(name, "days", days.size(), temperature_c.size());
  for (std::size_t i = 0; i < days.size(); ++i)
    if (temperature_c[i] >= use_from_c.value_or(-infinity) && temperature_c[i] <= use_to_c.value_or(infinity))
      t.push_back(temperature_c[i]), d.push_back(days[i]);
    else
      require(!std::isnan(temperature_c[i]), name, "temperature_c", static_cast<std::ptrdiff_t>(i), temperature_c[i],
              "it has to be a temperature in degrees Celsius");
  const Rows rows = rows_of(name, t, d, false);
  group::require_temperatures(name, rows.temperature, 2, "a line needs 2; 4 or more give an interval worth having");
  CurveFit fit;
  fit.options = options;
  fit.n_left_out = static_cast<int>(days.size()) - static_cast<int>(rows.days.size());
  fit.df = static_cast<int>(rows.days.size()) - 2;
  const VectorXd rate = rows.days.cwiseInverse();
  const Solution solution = line_solution(rows.temperature, rate);
  line_parameters(fit, solution);
  group::describe(fit, solution, rate);
  if (!(solution.theta[1] > 0))
    fit.health.push_back(
        note(HealthState::bad, "slope", "the rate does not rise with temperature: no threshold, no sum"));
  else if (fit.df > 0 && std::isinf(fit.parameters[0].interval.lower))
    fit.health.push_back(
        note(HealthState::bad, "slope", "the slope is not clear of 0 at this level: the threshold is unbounded"));
  note_falling_rate(fit, rows.temperature, rate);
  if (options.bootstrap > 0 && fit.df > 0) line_bootstrap(fit, solution, rows.temperature);
  return fit;
}

double Belehradek::days(double temperature_c) const {
  return temperature_c > b_c ? a * std::pow(temperature_c - b_c, -c) : infinity;
}

double Belehradek::temperature_c(double days) const {
  require(days > 0, "Belehradek::temperature_c", "days", -1, days, "a length is positive");
  return std::pow(a / days, 1 / c) + b_c;
}

double Belehradek::rate_per_day(double temperature_c) const {
  return temperature_c > b_c ? std::pow(temperature_c - b_c, c) / a : 0;
}

double Briere::rate_per_day(double temperature_c) const {
  if (!(temperature_c > lower_c && temperature_c < upper_c)) return 0;
  return std::max(0.0, a * temperature_c * (temperature_c - lower_c) * std::sqrt(upper_c - temperature_c));
}

double Briere::optimum_c() const {
  const double u = upper_c, l = lower_c;
  return (4 * u + 3 * l + std::sqrt(16 * u * u + 9 * l * l - 16 * u * l)) / 10;
}

Accumulated accumulate_development(std::span<const double> rates_per_day, double step_days) {
  constexpr const char* name = "accumulate_development";
  require(step_days > 0 && std::isfinite(step_days), name, "step_days", -1, step_days, "a step is a positive time");
  Accumulated result;
  double lost = 0;  // Kahan's correction: a year of hourly steps has to add up
  for (std::size_t i = 0; i < rates_per_day.size(); ++i) {
    require(rates_per_day[i] >= 0 && std::isfinite(rates_per_day[i]), name, "rates_per_day",
            static_cast<std::ptrdiff_t>(i), rates_per_day[i], "a rate is not negative");
    const double before = result.progress, add = rates_per_day[i] * step_days - lost;
    result.progress = before + add;
    lost = (result.progress - before) - add;
    if (result.progress >= 1 - 1e-12) {
      result.days = static_cast<double>(i + 1) * step_days;
      result.days_within_step = (static_cast<double>(i) + std::min(1.0, (1 - before) / add)) * step_days;
      break;
    }
  }
  return result;
}

}  // namespace moltspan
