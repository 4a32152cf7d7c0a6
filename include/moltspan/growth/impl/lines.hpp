#pragma once

#include <cmath>
#include <string>

#include "moltspan/config.hpp"
#include "moltspan/growth/impl/lines_law.hpp"
#include "moltspan/growth/lines.hpp"

namespace moltspan {
namespace detail_lines {

using Eigen::Index;
using Eigen::VectorXd;
using namespace lines;

inline constexpr double exact = 1e-12;  // residual sd of log sizes that only rounding leaves

inline void check_arguments(const VectorXd& instars, const VectorXd& sizes_mm, const VectorXd& weights) {
  const std::string function = "dyar_fit";
  check_same_length(function, instars.size(), sizes_mm.size());
  if (weights.size() != 0) check_same_length(function, instars.size(), weights.size());
  if (instars.size() == 0) refuse(function, "no sizes; give at least one row");
  check_finite(function, "instar", instars);
  check_sizes(function, "size", sizes_mm);
  for (Index i = 0; i < weights.size(); ++i)
    if (!(weights[i] >= 0 && std::isfinite(weights[i])))
      refuse(function, "row " + std::to_string(i) + ", weight = " + shown(weights[i]) +
                           "; a weight is 0 or a positive number; mend it or leave the row out");
  if (weights.size() != 0 && weights.maxCoeff() == 0)
    refuse(function, "all weights are 0; give at least one row weight");
}

inline void fit_quadratic(DyarFit& fit) {
  fit.quadratic = fit.quadratic_error = unknown;
  fit.quadratic_test = {unknown, unknown, 0};
  if (fit.n_instars < 3) return;
  // Centered, as the coefficient of the square is the same and keeps its digits.
  const VectorXd centered = fit.instars.array() - fit.instars.mean();
  Eigen::MatrixXd design(centered.size(), 3);
  design << VectorXd::Ones(centered.size()), centered, centered.cwiseAbs2();
  const auto curved = numeric::least_squares(design, fit.sizes_mm.array().log().matrix(), fit.weights);
  if (!curved.determined()) return;
  fit.quadratic = curved.coefficients[2];
  fit.quadratic_error = curved.standard_error(2);
  fit.quadratic_test = t_test(fit.quadratic, fit.quadratic_error, curved.residual_df);
}

inline SizeCheck::State state_of(double difference_mm) {
  constexpr double slack = 1e-9;  // so that 1.3 - 1.2 counts as .1
  if (std::abs(difference_mm) <= 0.1 + slack) return SizeCheck::State::agrees;
  return std::abs(difference_mm) <= 0.2 + slack ? SizeCheck::State::note : SizeCheck::State::warn;
}

inline void check_calculated(DyarFit& fit) {
  for (Index i = 0; i < fit.instars.size(); ++i) {
    const double calculated = std::exp(fit.line.fitted[i]);
    const double difference = fit.sizes_mm[i] - calculated;
    fit.checks.push_back({fit.instars[i], fit.sizes_mm[i], calculated, difference, state_of(difference)});
  }
}

inline void note_weights(DyarFit& fit) {
  const auto idle = fit.weights.size() - (fit.weights.array() > 0).count();
  if (idle > 0)
    fit.health.push_back({HealthState::warning, "weight_0", std::to_string(idle) + " row(s) of weight 0 do not count"});
}

inline void note_curvature(DyarFit& fit) {
  const double p = fit.quadratic_test.p_value;
  if (!(p < 0.05) || fit.line.residual_sd <= exact) return;
  const bool falls = fit.quadratic < 0;
  fit.health.push_back({HealthState::warning, "curvature",
                        std::string("the ratio ") + (falls ? "falls" : "rises") +
                            " from molt to molt (p = " + shown(p) +
                            "): sizes beyond the last instar would come out too " + (falls ? "large" : "small")});
}

inline void judge(DyarFit& fit) {
  note_weights(fit);
  if (fit.n_instars < 2) {
    fit.health.push_back({HealthState::bad, "one_instar",
                          "sizes of one instar only: there is no ratio; sizes of a second instar are needed"});
    return;
  }
  note_scatter(fit.line.residual_df, fit.line.residual_sd, 1, fit.health);
  note_curvature(fit);
  if (fit.ratio <= 1) fit.health.push_back({HealthState::warning, "no_growth", "sizes do not grow with the instar"});
}

}  // namespace detail_lines

MOLTSPAN_INLINE DyarFit dyar_fit(const Eigen::VectorXd& instars, const Eigen::VectorXd& sizes_mm, const Eigen::VectorXd& weights) {
  detail_lines::check_arguments(instars, sizes_mm, weights);
  DyarFit fit;
  fit.instars = instars;
  fit.sizes_mm = sizes_mm;
  fit.weights = weights.size() == 0 ? Eigen::VectorXd::Ones(instars.size()) : weights;
  fit.n_instars = lines::count_distinct(instars, fit.weights);
  fit.line = numeric::least_squares(lines::line_design(instars), sizes_mm.array().log().matrix(), fit.weights);
  fit.ratio = std::exp(fit.line.coefficients[1]);
  detail_lines::fit_quadratic(fit);
  fit.crosby = lines::crosby_check(lines::instar_means(instars, sizes_mm, fit.weights), fit.line.residual_sd);
  detail_lines::check_calculated(fit);
  detail_lines::judge(fit);
  return fit;
}

MOLTSPAN_INLINE LineInterval growth_ratio(const DyarFit& fit, double level) {
  lines::check_level("growth_ratio", level);
  return lines::exp_interval(fit.line.coefficients[1], fit.line.standard_error(1), fit.line.residual_df, level);
}

MOLTSPAN_INLINE LineTest test_ratio(const DyarFit& fit, double ratio) {
  if (!(ratio > 0 && std::isfinite(ratio))) lines::refuse("test_ratio", "ratio = " + lines::shown(ratio) + "; it must be positive");
  return lines::t_test(fit.line.coefficients[1] - std::log(ratio), fit.line.standard_error(1), fit.line.residual_df);
}

MOLTSPAN_INLINE LineBands predict_sizes(const DyarFit& fit, const Eigen::VectorXd& instars, double level) {
  lines::check_level("predict", level);
  lines::check_finite("predict", "instar", instars);
  std::vector<lines::LinePoint> points;
  for (const double instar : instars) {
    const Eigen::RowVectorXd row = Eigen::RowVector2d(1, instar);
    points.push_back({row.dot(fit.line.coefficients), fit.line.residual_sd * fit.line.leverage_root(row)});
  }
  const auto means = lines::instar_means(fit.instars, fit.sizes_mm, fit.weights);
  return lines::bands(points, {level, fit.line.residual_sd, 2, fit.line.residual_df, true}, instars, means.instars.minCoeff(),
               means.instars.maxCoeff());
}

}  // namespace moltspan
