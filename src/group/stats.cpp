#include "group/stats.hpp"

#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <limits>
#include <sstream>
#include <stdexcept>

namespace moltspan::group {

void require(bool holds, const char* function, const char* argument, std::ptrdiff_t row, double value,
             const char* rule) {
  if (holds) return;
  std::ostringstream message;
  message.precision(17);
  message << function << ": `" << argument << "`";
  if (row >= 0) message << " of row " << row;
  message << " is " << value << ", but " << rule;
  throw std::invalid_argument(message.str());
}

void require_level(const char* function, double level) {
  require(level > 0 && level < 1, function, "level", -1, level, "a level lies between 0 and 1, for example 0.95");
}

void require_as_many(const char* function, const char* argument, std::size_t size, std::size_t wanted) {
  require(size == wanted, function, argument, -1, static_cast<double>(size),
          "it needs as many values as the other columns");
}

double t_quantile(double level, double df) {
  if (!(df > 0)) return std::numeric_limits<double>::infinity();
  const double tail = (1 - level) / 2;
  if (std::isinf(df)) return quantile(complement(boost::math::normal(), tail));
  return quantile(complement(boost::math::students_t(df), tail));
}

double t_two_sided(double value, double df) {
  if (std::isnan(value) || !(df > 0)) return unknown_value;
  if (std::isinf(value)) return 0;
  const double size = std::abs(value);
  if (std::isinf(df)) return 2 * cdf(complement(boost::math::normal(), size));
  return 2 * cdf(complement(boost::math::students_t(df), size));
}

IntervalEstimate t_interval(double estimate, double error, double level, double df) {
  const double half = t_quantile(level, df) * error;
  return {estimate, estimate - half, estimate + half};
}

IntervalEstimate exp_of(const IntervalEstimate& log_scale) {
  return {std::exp(log_scale.estimate), std::exp(log_scale.lower), std::exp(log_scale.upper)};
}

double sample_sd(const Eigen::VectorXd& values) {
  if (values.size() < 2) return unknown_value;
  return (values.array() - values.mean()).matrix().norm() / std::sqrt(static_cast<double>(values.size() - 1));
}

IntervalEstimate mean_interval(const Eigen::VectorXd& values, double level) {
  const auto n = static_cast<double>(values.size());
  if (n < 1) return {};
  if (n < 2) return {values.mean(), unknown_value, unknown_value};
  return t_interval(values.mean(), sample_sd(values) / std::sqrt(n), level, n - 1);
}

HealthNote note(HealthState state, std::string topic, std::string text) {
  return {state, std::move(topic), std::move(text)};
}

}  // namespace moltspan::group
