#pragma once

#include <algorithm>
#include <cmath>
#include <string>

#include "moltspan/config.hpp"
#include "moltspan/growth/impl/lines_law.hpp"

namespace moltspan {
namespace detail_lines_molts {

using Eigen::Index;
using Eigen::VectorXd;
using namespace lines;

inline void check_positive(const std::string& function, const std::string& name, double value) {
  if (!(value > 0 && std::isfinite(value))) refuse(function, name + " = " + shown(value) + "; it must be positive");
}

/// Molts at a slope of log size; infinite where it never gets there.
inline double molts_at(double log_gain, double slope) {
  if (log_gain <= 0) return 0;
  if (std::isnan(slope)) return unknown;
  return slope > 0 ? log_gain / slope : std::numeric_limits<double>::infinity();
}

inline double degree_days_per_day(const PeriodModel& model) {
  return model.temperature_c < model.lower_c ? 0 : std::min(model.temperature_c, model.upper_c) - model.lower_c;
}

inline double temperature_factor(const PeriodModel& model) {
  const bool days = model.kind == PeriodModel::Kind::degree_days;
  const double above = days ? degree_days_per_day(model) : model.temperature_c - model.b;
  if (!(above > 0))
    refuse("project_molts", "temperature_c = " + shown(model.temperature_c) +
                                "; the period model has no development there, it needs more than " +
                                shown(days ? model.lower_c : model.b) + " C");
  return above;
}

/// exp of the least-squares slope of log values on 0, 1, 2, ...; NaN where there are under two or one is not positive.
inline double factor_of(const VectorXd& values) {
  if (values.size() < 2 || !(values.minCoeff() > 0)) return unknown;
  const VectorXd steps = VectorXd::LinSpaced(values.size(), 0, static_cast<double>(values.size() - 1));
  return std::exp(numeric::least_squares(line_design(steps), values.array().log().matrix()).coefficients[1]);
}

}  // namespace detail_lines_molts

MOLTSPAN_INLINE MoltCount molts_to_reach(double size_mm, double start_mm, double ratio) {
  const std::string function = "molts_to_reach";
  detail_lines_molts::check_positive(function, "size", size_mm);
  detail_lines_molts::check_positive(function, "start", start_mm);
  detail_lines_molts::check_positive(function, "ratio", ratio);
  MoltCount count{detail_lines_molts::molts_at(std::log(size_mm / start_mm), std::log(ratio)), 0, start_mm, ratio, lines::unknown, lines::unknown};
  count.molts = std::ceil(count.exact - 1e-9);  // a size that is reached up to rounding is reached
  return count;
}

MOLTSPAN_INLINE MoltCount molts_to_reach(const DyarFit& fit, double size_mm, std::optional<double> start_mm,
                         std::optional<double> ratio, double level) {
  lines::check_level("molts_to_reach", level);
  if (!ratio && std::isnan(fit.ratio))
    lines::refuse("molts_to_reach", "the fit has no ratio, as it holds one instar only; give ratio=");
  const auto means = lines::instar_means(fit.instars, fit.sizes_mm, fit.weights);
  const double start = start_mm.value_or(std::exp(means.log_sizes[means.log_sizes.size() - 1]));
  MoltCount count = molts_to_reach(size_mm, start, ratio.value_or(fit.ratio));
  if (ratio) return count;
  const LineInterval interval = growth_ratio(fit, level);
  const double gain = std::log(size_mm / start);
  count.lower = detail_lines_molts::molts_at(gain, std::log(interval.upper));
  count.upper = detail_lines_molts::molts_at(gain, std::log(interval.lower));
  return count;
}

MOLTSPAN_INLINE double size_after(const IncrementModel& model, double pre_mm, int molt) {
  using Kind = IncrementModel::Kind;
  switch (model.kind) {
    case Kind::hiatt:
      return model.a + model.b * pre_mm;
    case Kind::log:
      return std::exp(model.a + model.b * std::log(pre_mm));
    case Kind::bent:
      return pre_mm + model.a + model.b * pre_mm - model.c * std::max(0.0, pre_mm - model.breakpoint);
    case Kind::constant:
      return pre_mm + model.a;
    case Kind::factor:
      return pre_mm * (1 + model.a * std::pow(model.b, molt - 1));
  }
  return lines::unknown;
}

MOLTSPAN_INLINE double period_days(const PeriodModel& model, double size_mm, int molt) {
  using Kind = PeriodModel::Kind;
  switch (model.kind) {
    case Kind::none:
      return lines::unknown;
    case Kind::constant:
      return model.a;
    case Kind::factor:
      return model.a * std::pow(model.b, molt - 1);
    case Kind::degree_days:
      return std::exp(model.a + model.b * size_mm) / detail_lines_molts::temperature_factor(model);
    case Kind::belehradek:
      return model.a * std::pow(detail_lines_molts::temperature_factor(model), -model.c);
  }
  return lines::unknown;
}

MOLTSPAN_INLINE std::vector<ProjectedMolt> project_molts(double start_mm, int molts, const IncrementModel& increment,
                                         const PeriodModel& period) {
  detail_lines_molts::check_positive("project_molts", "start", start_mm);
  if (molts < 0) lines::refuse("project_molts", "molts = " + std::to_string(molts) + "; it must not be negative");
  std::vector<ProjectedMolt> path;
  double size = start_mm, age = 0;
  for (int molt = 1; molt <= molts; ++molt) {
    const double days = period_days(period, size, molt);
    const double after = size_after(increment, size, molt);
    if (!(after > 0 && std::isfinite(after)))
      lines::refuse("project_molts", "the increment model gives " + lines::shown(after) + " after " + lines::shown(size) + " at molt " +
                                  std::to_string(molt) + "; check its coefficients or ask for fewer molts");
    age += days;
    path.push_back({molt, size, after, days, age});
    size = after;
  }
  return path;
}

MOLTSPAN_INLINE SlopeFactors slope_factors(const Eigen::VectorXd& sizes_mm, const Eigen::VectorXd& periods_days) {
  lines::check_sizes("slope_factors", "size", sizes_mm);
  lines::check_sizes("slope_factors", "period", periods_days);
  const Eigen::Index n = sizes_mm.size();
  Eigen::VectorXd growth;
  if (n > 1) growth = sizes_mm.tail(n - 1).cwiseQuotient(sizes_mm.head(n - 1)).array() - 1;
  return {detail_lines_molts::factor_of(growth), detail_lines_molts::factor_of(periods_days)};
}

}  // namespace moltspan
