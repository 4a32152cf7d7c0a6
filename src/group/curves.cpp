#include "group/curves.hpp"

#include <algorithm>
#include <cmath>

#include "optimise/nonlinear_least_squares.hpp"
#include "moltspan/numeric/least_squares.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan::group {

using Eigen::VectorXd;

namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
/// Beyond these squares of rates overflow, and no animal lives.
constexpr double hottest_c = 1000, shortest_days = 1e-6, longest_days = 1e6;
constexpr std::uint32_t purpose_resample = 0x67726f75;  ///< no other stream of this seed draws from it

double percentile(const std::vector<double>& sorted, double p) {
  const double at = p * static_cast<double>(sorted.size() - 1);
  const auto below = static_cast<std::size_t>(at);
  const auto above = std::min(below + 1, sorted.size() - 1);
  return sorted[below] + (at - static_cast<double>(below)) * (sorted[above] - sorted[below]);
}

/// Percentile interval; NaN where there are fewer than 20 resamples.
IntervalEstimate percentiles(const VectorXd& draws, double estimate, double level) {
  if (draws.size() < 20) return {estimate, unknown_value, unknown_value};
  std::vector<double> sorted(draws.begin(), draws.end());
  std::sort(sorted.begin(), sorted.end());
  return {estimate, percentile(sorted, (1 - level) / 2), percentile(sorted, (1 + level) / 2)};
}

VectorXd adjusted_residuals(const Solution& solution) {
  VectorXd adjusted = solution.residuals;
  for (Eigen::Index i = 0; i < adjusted.size(); ++i) adjusted[i] /= std::sqrt(std::max(1 - solution.leverage[i], 1e-3));
  return adjusted.array() - adjusted.mean();
}

int distinct(const VectorXd& values) {
  std::vector<double> sorted(values.begin(), values.end());
  std::sort(sorted.begin(), sorted.end());
  return static_cast<int>(std::unique(sorted.begin(), sorted.end()) - sorted.begin());
}

/// Covariance and leverages from (J'J)^-1, which is NaN where J has not full rank.
void set_errors(Solution& solution, const Eigen::MatrixXd& jacobian, const Eigen::MatrixXd& unscaled) {
  const Eigen::Index n = jacobian.rows(), p = jacobian.cols();
  solution.rss = solution.residuals.squaredNorm();
  solution.leverage = VectorXd::Zero(n);
  if (n <= p || !unscaled.allFinite()) return;
  solution.leverage = (jacobian * unscaled).cwiseProduct(jacobian).rowwise().sum();
  solution.covariance = unscaled * (solution.rss / static_cast<double>(n - p));
}

}  // namespace

bool no_development(double days) { return std::isnan(days) || std::isinf(days); }

void check_options(const char* function, const CurveOptions& options) {
  require_level(function, options.level);
  require(options.bootstrap >= 0 && options.bootstrap <= 1'000'000, function, "bootstrap", -1, options.bootstrap,
          "it counts resamples, 0 to 1000000");
}

/// Checked rows; those without development are left out and counted, or kept.
Rows rows_of(const char* function, std::span<const double> temperature_c, std::span<const double> days,
             bool keep_without_development) {
  require_as_many(function, "days", days.size(), temperature_c.size());
  std::vector<double> t, d;
  for (std::size_t i = 0; i < days.size(); ++i) {
    const auto row = static_cast<std::ptrdiff_t>(i);
    require(temperature_c[i] > -273.15 && temperature_c[i] < hottest_c, function, "temperature_c", row,
            temperature_c[i], "it has to be a temperature in degrees Celsius");
    require(no_development(days[i]) || days[i] > 0, function, "days", row, days[i],
            "a length is positive; leave it blank where there was no development");
    require(no_development(days[i]) || (days[i] >= shortest_days && days[i] <= longest_days), function, "days", row,
            days[i], "a length lies between 1e-6 and 1e6 days: check the unit");
    if (no_development(days[i]) && !keep_without_development) continue;
    t.push_back(temperature_c[i]), d.push_back(days[i]);
  }
  Rows rows;
  rows.left_out = static_cast<int>(days.size() - d.size());
  rows.temperature = Eigen::Map<VectorXd>(t.data(), static_cast<Eigen::Index>(t.size()));
  rows.days = Eigen::Map<VectorXd>(d.data(), static_cast<Eigen::Index>(d.size()));
  return rows;
}

void require_temperatures(const char* function, const VectorXd& temperature, int wanted, const char* rule) {
  const int found = distinct(temperature);
  require(found >= wanted, function, "different temperatures with lengths", -1, found, rule);
}

Solution line_solution(const VectorXd& temperature, const VectorXd& y) {
  Eigen::MatrixXd design(y.size(), 2);
  design.col(0).setOnes();
  design.col(1) = temperature;
  const numeric::LinearFit line = numeric::least_squares(design, y);
  Solution solution;
  solution.theta = line.coefficients, solution.fitted = line.fitted, solution.residuals = line.residuals;
  solution.converged = true;
  set_errors(solution, design, line.unscaled_covariance);
  return solution;
}

Solution solve_curve(const CurveModel& model, const VectorXd& temperature, const VectorXd& y, const VectorXd& start) {
  const auto residual = [&](Eigen::Index row, const VectorXd& theta, VectorXd* gradient) {
    return model.at(theta, temperature[row], gradient) - y[row];
  };
  const optimise::NonlinearFit found = optimise::nonlinear_least_squares(residual, y.size(), start);
  Solution solution;
  solution.converged = found.converged;
  solution.theta = found.parameters;
  solution.residuals = -found.residuals;
  solution.fitted = y + found.residuals;
  Eigen::MatrixXd jacobian(y.size(), start.size());
  VectorXd gradient(start.size());
  for (Eigen::Index i = 0; i < y.size(); ++i) {
    model.at(solution.theta, temperature[i], &gradient);
    jacobian.row(i) = gradient.transpose();
  }
  set_errors(solution, jacobian, found.unscaled_covariance);
  return solution;
}

Eigen::MatrixXd resample(const Solution& solution, const CurveOptions& options,
                         const std::function<Eigen::VectorXd(const Eigen::VectorXd& y)>& refit) {
  const Eigen::VectorXd pool = adjusted_residuals(solution);
  std::vector<Eigen::VectorXd> found;
  for (int draw = 0; draw < options.bootstrap; ++draw) {
    numeric::RandomStream random(options.seed, {purpose_resample, 0, static_cast<std::uint32_t>(draw)});
    Eigen::VectorXd y = solution.fitted;
    for (double& value : y)
      value += pool[static_cast<Eigen::Index>(random.uniform() * static_cast<double>(pool.size()))];
    Eigen::VectorXd theta = refit(y);
    if (theta.size() > 0) found.push_back(std::move(theta));
  }
  Eigen::MatrixXd result(found.empty() ? 0 : found.front().size(), static_cast<Eigen::Index>(found.size()));
  for (std::size_t i = 0; i < found.size(); ++i) result.col(static_cast<Eigen::Index>(i)) = found[i];
  return result;
}

void set_bootstrap(CurveFit& fit, const Eigen::MatrixXd& draws) {
  fit.bootstrap_failed = fit.options.bootstrap - static_cast<int>(draws.cols());
  for (Eigen::Index i = 0; i < draws.rows(); ++i) {
    CurveParameter& p = fit.parameters[static_cast<std::size_t>(i)];
    p.bootstrap = percentiles(draws.row(i), p.estimate, fit.options.level);
  }
}

CurveParameter parameter(std::string name, double estimate, double error, double level, double df) {
  CurveParameter p;
  p.name = std::move(name);
  p.estimate = estimate;
  p.standard_error = error;
  p.delta = t_interval(estimate, error, level, df);
  p.interval = p.delta;
  p.bootstrap = {estimate, unknown_value, unknown_value};
  return p;
}

/// Error of g(theta) with gradient `by`, by the delta method.
double delta_error(const Solution& s, const VectorXd& by) {
  return s.covariance.size() == 0 ? infinity : std::sqrt(std::max(0.0, by.dot(s.covariance * by)));
}

void describe(CurveFit& fit, const Solution& solution, const Eigen::VectorXd& y) {
  fit.n = static_cast<int>(y.size());
  fit.residual_sum_of_squares = solution.rss;
  fit.sigma = fit.df > 0 ? std::sqrt(solution.rss / fit.df) : unknown_value;
  fit.r_squared = 1 - solution.rss / (y.array() - y.mean()).square().sum();
  fit.fitted = solution.fitted;
  if (fit.df < 3)
    fit.health.push_back(note(HealthState::warning, "few rows",
                              std::to_string(fit.n) + " rows for this curve: intervals are wide or not to be had"));
  if (!solution.converged)
    fit.health.push_back(note(HealthState::bad, "convergence", "the search did not end at a best curve"));
  if (fit.df > 0 && solution.covariance.size() == 0)
    fit.health.push_back(note(HealthState::bad, "not determined",
                              "these temperatures do not determine all parameters; more, or wider apart, are needed"));
}

}  // namespace moltspan::group
