#pragma once

#include <Eigen/Core>
#include <functional>
#include <limits>
#include <span>
#include <string>
#include <vector>

#include "group/stats.hpp"
#include "moltspan/group/temperature.hpp"

/// Least squares of a curve on temperature, with what its intervals are made of.
namespace moltspan::group {

/// Checked rows of a table of lengths by temperature; a blank or infinite length is no development.
struct Rows {
  Eigen::VectorXd temperature, days;
  int left_out = 0;
};
Rows rows_of(const char* function, std::span<const double> temperature_c, std::span<const double> days,
             bool keep_without_development);
bool no_development(double days);
void require_temperatures(const char* function, const Eigen::VectorXd& temperature, int wanted, const char* rule);
void check_options(const char* function, const CurveOptions& options);

/// A least-squares solution; covariance empty where the rows do not determine the parameters.
struct Solution {
  Eigen::VectorXd theta, fitted, residuals, leverage;
  Eigen::MatrixXd covariance;
  double rss = std::numeric_limits<double>::infinity();
  bool converged = false;
};

/// A curve with its own parameters `theta`, and what they mean to the reader.
class CurveModel {
 public:
  virtual ~CurveModel() = default;
  /// Value at a temperature and, where asked for, its gradient in theta.
  virtual double at(const Eigen::VectorXd& theta, double temperature, Eigen::VectorXd* gradient) const = 0;
  virtual Eigen::VectorXd parameters(const Eigen::VectorXd& theta) const = 0;
};

/// y = theta_0 + theta_1 temperature.
Solution line_solution(const Eigen::VectorXd& temperature, const Eigen::VectorXd& y);
Solution solve_curve(const CurveModel& model, const Eigen::VectorXd& temperature, const Eigen::VectorXd& y,
                     const Eigen::VectorXd& start);

/// Resamples residuals (each over sqrt(1 - leverage), centered), refits and returns the parameters of every resample
/// that could be fitted, one a column. `refit` gives an empty vector where it fails.
Eigen::MatrixXd resample(const Solution& solution, const CurveOptions& options,
                         const std::function<Eigen::VectorXd(const Eigen::VectorXd& y)>& refit);

/// Writes the percentile intervals of the resamples, a row a parameter, and counts those that failed.
void set_bootstrap(CurveFit& fit, const Eigen::MatrixXd& draws);

/// Error of a parameter with gradient `by`, by the delta method; infinite where not determined.
double delta_error(const Solution& solution, const Eigen::VectorXd& by);

CurveParameter parameter(std::string name, double estimate, double error, double level, double df);

/// Fills what all curves say: n, sigma, R^2, and notes on few rows and convergence.
void describe(CurveFit& fit, const Solution& solution, const Eigen::VectorXd& y);

}  // namespace moltspan::group
