#pragma once

#include <Eigen/Core>
#include <boost/math/distributions/fisher_f.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <limits>
#include <map>
#include <set>
#include <sstream>
#include <stdexcept>
#include <string>

#include "moltspan/config.hpp"
#include "moltspan/growth/lines.hpp"

namespace moltspan::lines {

inline constexpr double unknown = std::numeric_limits<double>::quiet_NaN();

/// Throws std::invalid_argument "function: text".
[[noreturn]] void refuse(const std::string& function, const std::string& text);

/// A number as a message shows it.
std::string shown(double value);

void check_level(const std::string& function, double level);

/// Throws where the arrays differ in length or a value is not positive and finite.
void check_sizes(const std::string& function, const std::string& name, const Eigen::VectorXd& sizes_mm);
void check_finite(const std::string& function, const std::string& name, const Eigen::VectorXd& values);
void check_same_length(const std::string& function, Eigen::Index first, Eigen::Index second);

/// Half widths in standard errors: t, and sqrt(p F(p, df)) for all places at once. NaN without degrees of freedom.
double t_width(double level, int df);
double simultaneous_width(double level, int parameters, int df);

/// Two-sided t test of `difference` = 0. A difference without any error counts as certain.
LineTest t_test(double difference, double error, int df);

/// One-sided F test of a ratio of mean squares.
LineTest f_test(double ratio, int df_numerator, int df_denominator);

/// What a line knows of one place, on its own scale.
struct LinePoint {
  double estimate = 0, error = 0;  ///< of the line there
};

/// How wide the bands are, and whether they leave the log scale.
struct LineLaw {
  double level = 0.95, residual_sd = 0;
  int parameters = 2, df = 0;
  bool logs = false;
};

/// Bands about points; `low`, `high`: the fitted range of `places`.
LineBands bands(const std::vector<LinePoint>& points, const LineLaw& law, const Eigen::VectorXd& places, double low,
                double high);

/// exp of the t interval of a slope.
LineInterval exp_interval(double slope, double error, int df, double level);

/// (1, x) row by row.
Eigen::MatrixXd line_design(const Eigen::VectorXd& x);

/// Number of distinct values among the rows with positive weight.
int count_distinct(const Eigen::VectorXd& values, const Eigen::VectorXd& weights);

/// Geometric means of the rows of each distinct instar that count, in rising order, with the sum of their weights.
struct InstarMeans {
  Eigen::VectorXd instars, log_sizes, weights;
};
InstarMeans instar_means(const Eigen::VectorXd& instars, const Eigen::VectorXd& sizes_mm,
                         const Eigen::VectorXd& weights);

/// Crosby's percentages of those means, and how many the scatter explains.
CrosbyCheck crosby_check(const InstarMeans& means, double residual_sd);

/// Bent line: breakpoint, coefficients and covariance of fit.pre_mm, fit.post_mm.
void fit_bent(IncrementFit& fit);

/// Notes on degrees of freedom and scatter that all lines share.
void note_scatter(int residual_df, double residual_sd, double typical, std::vector<HealthNote>& health);

inline void refuse(const std::string& function, const std::string& text) {
  throw std::invalid_argument(function + ": " + text);
}

inline std::string shown(double value) {
  std::ostringstream text;
  text << value;
  return text.str();
}

inline void check_level(const std::string& function, double level) {
  if (!(level > 0 && level < 1))
    refuse(function, "level = " + shown(level) + "; a level lies between 0 and 1, for example 0.9");
}

inline void check_sizes(const std::string& function, const std::string& name, const Eigen::VectorXd& sizes_mm) {
  for (Eigen::Index i = 0; i < sizes_mm.size(); ++i)
    if (!(sizes_mm[i] > 0 && std::isfinite(sizes_mm[i])))
      refuse(function, "row " + std::to_string(i) + ", " + name + " = " + shown(sizes_mm[i]) +
                           "; a size is a positive number; mend it or leave the row out");
}

inline void check_finite(const std::string& function, const std::string& name, const Eigen::VectorXd& values) {
  for (Eigen::Index i = 0; i < values.size(); ++i)
    if (!std::isfinite(values[i]))
      refuse(function, "row " + std::to_string(i) + ", " + name + " = " + shown(values[i]) +
                           "; it must be a number; mend it or leave the row out");
}

inline void check_same_length(const std::string& function, Eigen::Index first, Eigen::Index second) {
  if (first != second)
    refuse(function, std::to_string(first) + " and " + std::to_string(second) +
                         " values; the arguments must have one value a row each");
}

inline double t_width(double level, int df) {
  if (df <= 0) return unknown;
  return boost::math::quantile(boost::math::complement(boost::math::students_t(df), (1 - level) / 2));
}

inline double simultaneous_width(double level, int parameters, int df) {
  if (df <= 0) return unknown;
  const boost::math::fisher_f law(parameters, df);
  return std::sqrt(parameters * boost::math::quantile(boost::math::complement(law, 1 - level)));
}

inline LineTest t_test(double difference, double error, int df) {
  if (df <= 0 || std::isnan(difference) || std::isnan(error)) return {unknown, unknown, std::max(df, 0)};
  const double t = difference == 0 ? 0 : difference / error;
  if (std::isinf(t)) return {t, 0, df};
  return {t, 2 * boost::math::cdf(boost::math::complement(boost::math::students_t(df), std::abs(t))), df};
}

inline LineTest f_test(double ratio, int df_numerator, int df_denominator) {
  if (df_numerator <= 0 || df_denominator <= 0 || std::isnan(ratio)) return {unknown, unknown, df_denominator};
  if (std::isinf(ratio)) return {ratio, 0, df_denominator};
  const boost::math::fisher_f law(df_numerator, df_denominator);
  return {ratio, boost::math::cdf(boost::math::complement(law, std::max(ratio, 0.0))), df_denominator};
}

inline LineBands bands(const std::vector<LinePoint>& points, const LineLaw& law, const Eigen::VectorXd& places, double low,
                double high) {
  const double t = t_width(law.level, law.df), all = simultaneous_width(law.level, law.parameters, law.df);
  const auto n = static_cast<Eigen::Index>(points.size());
  LineBands result;
  for (Eigen::VectorXd* column : {&result.estimate, &result.mean_lower, &result.mean_upper, &result.simultaneous_lower,
                           &result.simultaneous_upper, &result.new_lower, &result.new_upper})
    column->resize(n);
  const auto out = [&](double value) { return law.logs ? std::exp(value) : value; };
  for (Eigen::Index i = 0; i < n; ++i) {
    const auto [estimate, error] = points[static_cast<std::size_t>(i)];
    const double next = t * std::hypot(error, law.residual_sd);
    result.estimate[i] = out(estimate);
    result.mean_lower[i] = out(estimate - t * error), result.mean_upper[i] = out(estimate + t * error);
    result.simultaneous_lower[i] = out(estimate - all * error);
    result.simultaneous_upper[i] = out(estimate + all * error);
    result.new_lower[i] = out(estimate - next), result.new_upper[i] = out(estimate + next);
    result.extrapolated.push_back(places[i] < low || places[i] > high);
  }
  return result;
}

inline LineInterval exp_interval(double slope, double error, int df, double level) {
  const LineInterval logs = t_interval(slope, error, df, level);
  return {std::exp(logs.estimate), std::exp(logs.lower), std::exp(logs.upper)};
}

inline Eigen::MatrixXd line_design(const Eigen::VectorXd& x) {
  Eigen::MatrixXd design(x.size(), 2);
  design << Eigen::VectorXd::Ones(x.size()), x;
  return design;
}

inline int count_distinct(const Eigen::VectorXd& values, const Eigen::VectorXd& weights) {
  std::set<double> seen;
  for (Eigen::Index i = 0; i < values.size(); ++i)
    if (weights[i] > 0) seen.insert(values[i]);
  return static_cast<int>(seen.size());
}

inline InstarMeans instar_means(const Eigen::VectorXd& instars, const Eigen::VectorXd& sizes_mm, const Eigen::VectorXd& weights) {
  std::map<double, std::pair<double, double>> sums;  // instar -> sum of w log size, sum of w
  for (Eigen::Index i = 0; i < instars.size(); ++i) {
    if (weights[i] == 0) continue;
    auto& [sum, weight] = sums[instars[i]];
    sum += weights[i] * std::log(sizes_mm[i]);
    weight += weights[i];
  }
  const auto n = static_cast<Eigen::Index>(sums.size());
  InstarMeans means{Eigen::VectorXd(n), Eigen::VectorXd(n), Eigen::VectorXd(n)};
  Eigen::Index k = 0;
  for (const auto& [instar, sum] : sums) {
    means.instars[k] = instar;
    means.log_sizes[k] = sum.first / sum.second;
    means.weights[k++] = sum.second;
  }
  return means;
}

inline void note_scatter(int residual_df, double residual_sd, double typical, std::vector<HealthNote>& health) {
  if (residual_df <= 0)
    health.push_back(
        {HealthState::warning, "no_scatter",
         "the line passes through every point, so no scatter can be seen and no band given; more sizes are "
         "needed"});
  else if (residual_sd <= 1e-12 * typical)
    health.push_back(
        {HealthState::warning, "exact_line",
         "all sizes lie on the line to the last digit: they look calculated, not measured, and bands have no "
         "width"});
  else if (residual_df < 3)
    health.push_back({HealthState::warning, "few_points",
                      "scatter is judged from " + std::to_string(residual_df) +
                          " point(s) beyond what the line needs: bands are very wide"});
}

}  // namespace moltspan::lines

MOLTSPAN_INLINE moltspan::LineInterval moltspan::t_interval(double estimate, double standard_error, int residual_df, double level) {
  lines::check_level("interval", level);
  const double width = lines::t_width(level, residual_df) * standard_error;
  return {estimate, estimate - width, estimate + width};
}
