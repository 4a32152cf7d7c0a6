#pragma once

#include <cmath>
#include <string>

#include "moltspan/config.hpp"
#include "moltspan/growth/impl/lines_far.hpp"
#include "moltspan/growth/impl/lines_law.hpp"
#include "moltspan/numeric/robust.hpp"

namespace moltspan {
namespace detail_lines_increment {

using Eigen::Index;
using Eigen::VectorXd;
using namespace lines;

inline bool logs(const IncrementFit& fit) { return fit.options.form == IncrementForm::log; }

inline VectorXd on_scale(const IncrementFit& fit, const VectorXd& sizes_mm) {
  return logs(fit) ? VectorXd(sizes_mm.array().log()) : sizes_mm;
}

inline void fit_squares(IncrementFit& fit, const VectorXd& x, const VectorXd& y) {
  const auto line = numeric::least_squares(line_design(x), y);
  fit.coefficients = line.coefficients;
  fit.covariance = line.covariance();
  fit.residual_sd = line.residual_sd;
  fit.residual_sum_of_squares = line.residual_sum_of_squares;
  fit.r_squared = line.r_squared;
  fit.residual_df = line.residual_df;
}

inline void fit_huber(IncrementFit& fit, const VectorXd& x, const VectorXd& y) {
  const auto robust = numeric::huber_fit(line_design(x), y);
  fit.coefficients = robust.coefficients;
  fit.covariance = robust.covariance;
  fit.residual_sd = robust.scale;
  fit.residual_sum_of_squares = fit.r_squared = unknown;
  fit.residual_df = robust.residual_df;
  fit.row_weights = robust.row_weights;
  if (!robust.converged)
    fit.health.push_back({HealthState::bad, "convergence",
                          "the robust line did not settle, or over half of the molts lie on one line exactly; use "
                          "loss=\"squares\""});
}

inline void judge(IncrementFit& fit) {
  if (!fit.coefficients.allFinite()) {
    fit.health.push_back({HealthState::bad, "not_determined",
                          fit.options.form == IncrementForm::bent
                              ? "a bent line needs at least four different sizes before the molt"
                              : "all molts start from one size: there is no line"});
    return;
  }
  note_scatter(fit.residual_df, fit.residual_sd, on_scale(fit, fit.post_mm).cwiseAbs().maxCoeff(), fit.health);
  const auto fell = (fit.post_mm.array() < fit.pre_mm.array()).count();
  if (fell > 0)
    fit.health.push_back({HealthState::warning, "smaller_after",
                          std::to_string(fell) + " molt(s) after which the animal was smaller; check these readings"});
}

/// The line at one size, and its derivatives in the coefficients.
inline LinePoint point_at(const IncrementFit& fit, double pre_mm) {
  const double x = logs(fit) ? std::log(pre_mm) : pre_mm;
  VectorXd row(fit.coefficients.size());
  row[0] = 1;
  row[1] = x;
  double estimate = fit.coefficients[0] + fit.coefficients[1] * x;
  if (fit.options.form == IncrementForm::bent) {
    const double beyond = std::max(0.0, x - fit.coefficients[3]);
    row[2] = beyond;
    row[3] = beyond > 0 ? -fit.coefficients[2] : 0;
    estimate += fit.coefficients[2] * beyond;
  }
  return {estimate, std::sqrt(row.dot(fit.covariance * row))};
}

struct Quadratic {
  double a = 0, b = 0, c = 0;  ///< a x^2 - 2 b x + c <= 0
};

inline InverseInterval solve(const Quadratic& q, double estimate) {
  using Kind = InverseInterval::Kind;
  const double discriminant = q.b * q.b - q.a * q.c;
  if (std::isnan(discriminant)) return {Kind::unknown, estimate, unknown, unknown};
  if (q.a <= 0 && discriminant <= 0)
    return {Kind::everything, estimate, -std::numeric_limits<double>::infinity(),
            std::numeric_limits<double>::infinity()};
  const double root = std::sqrt(std::max(0.0, discriminant));
  const double first = (q.b - root) / q.a, second = (q.b + root) / q.a;
  return {q.a > 0 ? Kind::bounded : Kind::outside, estimate, std::min(first, second), std::max(first, second)};
}

}  // namespace detail_lines_increment

MOLTSPAN_INLINE double IncrementFit::standard_error(Eigen::Index coefficient) const { return std::sqrt(covariance(coefficient, coefficient)); }

MOLTSPAN_INLINE IncrementFit increment_fit(const Eigen::VectorXd& pre_mm, const Eigen::VectorXd& post_mm, const IncrementOptions& options) {
  const std::string function = "increment_fit";
  lines::check_same_length(function, pre_mm.size(), post_mm.size());
  lines::check_sizes(function, "pre", pre_mm);
  lines::check_sizes(function, "post", post_mm);
  if (pre_mm.size() < 2) lines::refuse(function, std::to_string(pre_mm.size()) + " molt(s); give at least two");
  const bool bent = options.form == IncrementForm::bent;
  const bool huber = options.loss == IncrementLoss::huber;
  if (bent && huber) lines::refuse(function, "a bent line is fitted by squares only; use loss=\"squares\" or another form");
  IncrementFit fit;
  fit.options = options;
  fit.pre_mm = pre_mm;
  fit.post_mm = post_mm;
  fit.n = static_cast<int>(pre_mm.size());
  fit.names = {"intercept", "slope"};
  fit.row_weights = Eigen::VectorXd::Ones(fit.n);
  fit.straight_sd = lines::unknown;
  const Eigen::VectorXd x = detail_lines_increment::on_scale(fit, pre_mm), y = detail_lines_increment::on_scale(fit, post_mm);
  detail_lines_increment::fit_squares(fit, x, y);
  if (huber && fit.coefficients.allFinite()) detail_lines_increment::fit_huber(fit, x, y);
  if (bent) lines::fit_bent(fit);
  fit.fitted_mm.resize(fit.n);
  for (Eigen::Index i = 0; i < fit.n; ++i) {
    const double estimate = detail_lines_increment::point_at(fit, pre_mm[i]).estimate;
    fit.fitted_mm[i] = detail_lines_increment::logs(fit) ? std::exp(estimate) : estimate;
  }
  detail_lines_increment::judge(fit);
  if (!bent && !huber && fit.coefficients.allFinite()) note_far_molt(fit, x, y);
  return fit;
}

MOLTSPAN_INLINE LineBands predict_post(const IncrementFit& fit, const Eigen::VectorXd& pre_mm, double level) {
  lines::check_level("predict", level);
  lines::check_sizes("predict", "pre", pre_mm);
  std::vector<lines::LinePoint> points;
  for (const double pre : pre_mm) points.push_back(detail_lines_increment::point_at(fit, pre));
  const lines::LineLaw law{level, fit.residual_sd, static_cast<int>(fit.coefficients.size()), fit.residual_df, detail_lines_increment::logs(fit)};
  return lines::bands(points, law, pre_mm, fit.pre_mm.minCoeff(), fit.pre_mm.maxCoeff());
}

MOLTSPAN_INLINE InverseInterval predict_pre(const IncrementFit& fit, double post_mm, double level, bool mean) {
  const std::string function = "predict_pre";
  lines::check_level(function, level);
  lines::check_sizes(function, "post", Eigen::VectorXd::Constant(1, post_mm));
  if (fit.options.form == IncrementForm::bent)
    lines::refuse(function, "inverse prediction is for straight lines; fit with form=\"hiatt\" or \"log\"");
  const double y = (detail_lines_increment::logs(fit) ? std::log(post_mm) : post_mm) - fit.coefficients[0], slope = fit.coefficients[1];
  const double t = lines::t_width(level, fit.residual_df), own = mean ? 0 : fit.residual_sd * fit.residual_sd;
  const Eigen::MatrixXd& v = fit.covariance;
  InverseInterval result =
      detail_lines_increment::solve({slope * slope - t * t * v(1, 1), slope * y + t * t * v(0, 1), y * y - t * t * (own + v(0, 0))}, y / slope);
  if (detail_lines_increment::logs(fit))
    for (double* value : {&result.estimate, &result.lower, &result.upper}) *value = std::exp(*value);
  return result;
}

MOLTSPAN_INLINE IncrementModel increment_model(const IncrementFit& fit) {
  using Kind = IncrementModel::Kind;
  const auto& b = fit.coefficients;
  switch (fit.options.form) {
    case IncrementForm::hiatt:
      return {Kind::hiatt, b[0], b[1], 0, 0};
    case IncrementForm::log:
      return {Kind::log, b[0], b[1], 0, 0};
    case IncrementForm::bent:
      return {Kind::bent, b[0], b[1] - 1, -b[2], b[3]};
  }
  return {};
}

}  // namespace moltspan
