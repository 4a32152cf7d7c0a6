#include <algorithm>
#include <array>
#include <cmath>
#include <stdexcept>

#include "group/curves.hpp"
#include "moltspan/group/temperature.hpp"

namespace moltspan {
namespace {

using Eigen::VectorXd;
using group::CurveModel;
using group::note;
using group::require;
using group::Solution;

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr double steepest = 100;  ///< exponent of Belehradek's law; curves of animals have 1 to 5
constexpr double smallest_gap = 1e-4, widest_gap = 200;  ///< degrees; beyond them a limit is not determined

/// How the parameters of a curve are called, and which hang on their own theta alone (interval from its scale).
struct CurveShape {
  std::vector<std::string> names;
  std::vector<bool> own_theta;
};

/// exp of a log gap, held between the smallest and the widest; its derivative in the log, 0 where held.
struct Gap {
  explicit Gap(double log_gap) : width(std::clamp(std::exp(log_gap), smallest_gap, widest_gap)) {
    slope = width > smallest_gap && width < widest_gap ? width : 0;
  }
  double width, slope;
};

Eigen::MatrixXd gradient_of(const CurveModel& model, const VectorXd& theta) {
  constexpr double h = 1e-6;
  Eigen::MatrixXd gradient(model.parameters(theta).size(), theta.size());
  for (Eigen::Index j = 0; j < theta.size(); ++j)
    gradient.col(j) = (model.parameters(theta + h * VectorXd::Unit(theta.size(), j)) -
                       model.parameters(theta - h * VectorXd::Unit(theta.size(), j))) /
                      (2 * h);
  return gradient;
}

IntervalEstimate own_interval(const CurveModel& model, const Solution& s, Eigen::Index j, double t) {
  const double error = group::delta_error(s, VectorXd::Unit(s.theta.size(), j));
  VectorXd low = s.theta, high = s.theta;
  low[j] -= t * error, high[j] += t * error;
  const double estimate = model.parameters(s.theta)[j], a = model.parameters(low)[j], b = model.parameters(high)[j];
  return {estimate, std::min(a, b), std::max(a, b)};
}

void set_parameters(CurveFit& fit, const CurveModel& model, const CurveShape& shape, const Solution& s) {
  const VectorXd at = model.parameters(s.theta);
  const Eigen::MatrixXd gradient = gradient_of(model, s.theta);
  const double t = group::t_quantile(fit.options.level, fit.df);
  for (Eigen::Index j = 0; j < at.size(); ++j) {
    const auto i = static_cast<std::size_t>(j);
    const bool fixed = j >= s.theta.size() && shape.own_theta[i];
    const double error = fixed ? 0 : group::delta_error(s, gradient.row(j).transpose());
    CurveParameter p = group::parameter(shape.names[i], at[j], error, fit.options.level, fit.df);
    if (fixed)
      p.delta = p.interval = {at[j], at[j], at[j]};
    else if (shape.own_theta[i])
      p.interval = own_interval(model, s, j, t);
    fit.parameters.push_back(std::move(p));
  }
}

CurveFit curve_fit(const CurveModel& model, const CurveShape& shape, const std::vector<VectorXd>& starts,
                   const VectorXd& temperature, const VectorXd& y, const CurveOptions& options) {
  Solution best;
  for (const VectorXd& start : starts) {
    Solution s = group::solve_curve(model, temperature, y, start);
    if (s.rss < best.rss) best = std::move(s);
  }
  if (best.theta.size() == 0) throw std::invalid_argument("no curve of this form passes near these days: look at them");
  CurveFit fit;
  fit.options = options;
  fit.df = static_cast<int>(y.size() - best.theta.size());
  set_parameters(fit, model, shape, best);
  group::describe(fit, best, y);
  if (options.bootstrap > 0 && fit.df > 0)
    group::set_bootstrap(fit, group::resample(best, options, [&](const VectorXd& again) -> VectorXd {
                           const Solution s = group::solve_curve(model, temperature, again, best.theta);
                           return s.converged ? model.parameters(s.theta) : VectorXd();
                         }));
  return fit;
}

/// log D = log a - c log(T - b); theta = (log a, log(T_lowest - b)[, log c]).
class BelehradekModel final : public CurveModel {
 public:
  BelehradekModel(double lowest_c, std::optional<double> c) : lowest(lowest_c), fixed_c(c) {}

  double at(const VectorXd& theta, double temperature, VectorXd* gradient) const override {
    const Gap gap(theta[1]);
    const double above = temperature - lowest + gap.width, c = exponent(theta);
    if (gradient != nullptr) {
      (*gradient)[0] = 1;
      (*gradient)[1] = -c * gap.slope / above;
      if (!fixed_c) (*gradient)[2] = -c * std::log(above);
    }
    return theta[0] - c * std::log(above);
  }
  VectorXd parameters(const VectorXd& theta) const override {
    return Eigen::Vector3d(std::exp(theta[0]), lowest - Gap(theta[1]).width, exponent(theta));
  }
  double exponent(const VectorXd& theta) const { return fixed_c ? *fixed_c : std::exp(theta[2]); }

  double lowest;
  std::optional<double> fixed_c;
};

/// Starts: for gaps on a grid the straight line of log D on log(T - b); the best two.
std::vector<VectorXd> belehradek_starts(const BelehradekModel& model, const VectorXd& temperature, const VectorXd& y) {
  std::vector<std::pair<double, VectorXd>> found;
  for (double gap = 0.05; gap < widest_gap; gap *= 1.6) {
    const VectorXd x = (temperature.array() - model.lowest + gap).log();
    const Solution line = group::line_solution(x, y);
    const double c = model.fixed_c.value_or(std::max(-line.theta[1], 0.05)), log_a = y.mean() + c * x.mean();
    VectorXd theta(model.fixed_c ? 2 : 3);
    theta << VectorXd::Map(std::array{log_a, std::log(gap), std::log(c)}.data(), theta.size());
    found.emplace_back((y - (log_a - c * x.array()).matrix()).squaredNorm(), theta);
  }
  std::sort(found.begin(), found.end(), [](const auto& l, const auto& r) { return l.first < r.first; });
  return {found[0].second, found[1].second};
}

/// rate = a T (T - L) sqrt(U - T); theta = (log a, log(T_first - L), log(U - T_last)).
class BriereModel final : public CurveModel {
 public:
  double at(const VectorXd& theta, double temperature, VectorXd* gradient) const override {
    const Gap low(theta[1]), high(theta[2]);
    const double above = temperature - first + low.width, below = last + high.width - temperature;
    if (gradient != nullptr) gradient->setZero();
    if (!(above > 0) || !(below > 0)) return 0;
    const double rate = std::exp(theta[0]) * temperature * above * std::sqrt(below);
    if (gradient != nullptr) *gradient << rate, rate / above * low.slope, rate / below / 2 * high.slope;
    return rate;
  }
  VectorXd parameters(const VectorXd& theta) const override {
    const Briere b{std::exp(theta[0]), first - Gap(theta[1]).width, last + Gap(theta[2]).width};
    return Eigen::Vector4d(b.a, b.lower_c, b.upper_c, b.optimum_c());
  }

  double first = infinity, last = -infinity;  ///< outermost temperatures with development
};

/// Starts: for gaps on a grid the best factor a; the best three.
std::vector<VectorXd> briere_starts(const BriereModel& model, const VectorXd& temperature, const VectorXd& rate) {
  std::vector<std::pair<double, VectorXd>> found;
  for (double low : {0.1, 0.5, 2.0, 5.0, 10.0, 20.0})
    for (double high : {0.01, 0.1, 0.5, 2.0, 5.0, 10.0}) {
      VectorXd theta = Eigen::Vector3d(0, std::log(low), std::log(high));
      VectorXd shape(rate.size());
      for (Eigen::Index i = 0; i < rate.size(); ++i) shape[i] = model.at(theta, temperature[i], nullptr);
      const double a = shape.dot(rate) / shape.squaredNorm();
      if (!(a > 0)) continue;
      theta[0] = std::log(a);
      found.emplace_back((rate - a * shape).squaredNorm(), theta);
    }
  std::sort(found.begin(), found.end(), [](const auto& l, const auto& r) { return l.first < r.first; });
  std::vector<VectorXd> starts;
  for (std::size_t i = 0; i < std::min<std::size_t>(3, found.size()); ++i) starts.push_back(found[i].second);
  return starts;
}

}  // namespace

CurveFit belehradek_fit(std::span<const double> temperature_c, std::span<const double> days, std::optional<double> c,
                        const CurveOptions& options) {
  constexpr const char* name = "belehradek_fit";
  group::check_options(name, options);
  require(!c || (*c > 0 && *c <= steepest), name, "c", -1, c.value_or(0), "the exponent lies between 0 and 100");
  const group::Rows rows = group::rows_of(name, temperature_c, days, false);
  group::require_temperatures(name, rows.temperature, c ? 2 : 3, "the curve needs as many as it has parameters");
  const BelehradekModel model(rows.temperature.minCoeff(), c);
  const CurveShape shape{{"a", "b_c", "c"}, {true, true, true}};
  const VectorXd y = rows.days.array().log();
  CurveFit fit = curve_fit(model, shape, belehradek_starts(model, rows.temperature, y), rows.temperature, y, options);
  fit.fitted = fit.fitted.array().exp();
  fit.n_left_out = rows.left_out;
  if (!((y.array() - y.mean()).matrix().dot(rows.temperature) < 0))
    fit.health.push_back(note(HealthState::bad, "no fall",
                              "the days do not fall as it gets warmer: Belehradek's curve says nothing of them"));
  return fit;
}

CurveFit briere_fit(std::span<const double> temperature_c, std::span<const double> days, const CurveOptions& options) {
  constexpr const char* name = "briere_fit";
  group::check_options(name, options);
  const group::Rows rows = group::rows_of(name, temperature_c, days, true);
  group::require_temperatures(name, rows.temperature, 5, "a curve with an optimum needs 5");
  VectorXd rate(rows.days.size());
  BriereModel model;
  for (Eigen::Index i = 0; i < rate.size(); ++i) {
    rate[i] = group::no_development(rows.days[i]) ? 0 : 1 / rows.days[i];
    if (rate[i] > 0) model.first = std::min(model.first, rows.temperature[i]);
    if (rate[i] > 0) model.last = std::max(model.last, rows.temperature[i]);
  }
  require(model.last > model.first, name, "temperatures with development", -1, model.last > model.first,
          "it needs 2 or more");
  require(model.first > 0, name, "temperature_c", -1, model.first,
          "Briere's curve is for temperatures above 0 degrees Celsius; use belehradek_fit");
  const CurveShape shape{{"a", "lower_c", "upper_c", "optimum_c"}, {true, true, true, false}};
  CurveFit fit = curve_fit(model, shape, briere_starts(model, rows.temperature, rate), rows.temperature, rate, options);
  if (fit["optimum_c"].estimate > rows.temperature.maxCoeff())
    fit.health.push_back(
        note(HealthState::warning, "no falling side",
             "the optimum lies above the warmest temperature: it and the upper limit are extrapolated"));
  return fit;
}

}  // namespace moltspan
