#include "moltspan/intervals/wald.hpp"

#include <boost/math/distributions/normal.hpp>
#include <cmath>
#include <stdexcept>

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::VectorXd;

double normal_reach(double level) {
  if (!(level > 0 && level < 1))
    throw std::invalid_argument("level = " + std::to_string(level) + ": a level lies between 0 and 1, for example 0.95");
  return boost::math::quantile(boost::math::normal(), 0.5 + level / 2);
}

/// As StadiaFit takes them back, to the last digit.
VectorXd exp_of(const VectorXd& logs) {
  return logs.unaryExpr([](double x) { return std::exp(x); });
}

}  // namespace

Intervals wald_intervals(const VectorXd& estimates, const VectorXd& errors, double level) {
  const VectorXd reach = normal_reach(level) * errors;
  return {estimates, estimates - reach, estimates + reach};
}

Intervals log_wald_intervals(const VectorXd& estimates, const VectorXd& errors, double level) {
  const Intervals logs = wald_intervals(estimates, errors, level);
  return {exp_of(logs.estimate), exp_of(logs.lower), exp_of(logs.upper)};
}

VectorXd standard_errors(const Eigen::MatrixXd& covariance) { return covariance.diagonal().cwiseSqrt(); }

ParameterIntervals parameter_intervals(const StadiaFit& fit, double level) {
  const StadiaEstimate& estimate = fit.estimate;
  ParameterIntervals result{estimate.names, wald_intervals(estimate.values, standard_errors(estimate.covariance), level)};
  const Index n_coefficients = fit.coefficients.size(), n_spreads = estimate.values.size() - n_coefficients;
  for (VectorXd* side : {&result.of.estimate, &result.of.lower, &result.of.upper})
    side->tail(n_spreads) = exp_of(side->tail(n_spreads));
  const std::string log = "log_";
  for (auto name = result.names.begin() + n_coefficients; name != result.names.end(); ++name) name->erase(0, log.size());
  return result;
}

}  // namespace moltspan
