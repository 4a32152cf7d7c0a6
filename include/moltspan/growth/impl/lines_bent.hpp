#pragma once

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <numeric>
#include <tuple>
#include <vector>

#include "moltspan/config.hpp"
#include "moltspan/growth/impl/lines_law.hpp"

namespace moltspan {
namespace detail_lines_bent {

using Eigen::Index;
using Eigen::VectorXd;
using namespace lines;
using Real = long double;

/// Sums over the rows beyond a place, all about the means, so that the best line bent there costs no pass over rows.
struct TailSums {
  Real n = 0, x = 0, xx = 0, y = 0, xy = 0;
};

class BentProfile {
 public:
  BentProfile(const VectorXd& pre, const VectorXd& post) : middle_(pre.mean()), level_(post.mean()) {
    std::vector<Index> order(static_cast<std::size_t>(pre.size()));
    std::iota(order.begin(), order.end(), Index{0});
    std::sort(order.begin(), order.end(), [&](Index a, Index b) { return pre[a] < pre[b]; });
    tails_.resize(order.size() + 1);
    for (const Index i : order) x_.push_back(static_cast<Real>(pre[i]) - middle_);
    for (std::size_t k = order.size(); k-- > 0;) {
      const Real x = x_[k], y = static_cast<Real>(post[order[k]]) - level_;
      const TailSums& t = tails_[k + 1];
      tails_[k] = {t.n + 1, t.x + x, t.xx + x * x, t.y + y, t.xy + x * y};
      yy_ += y * y;
    }
    for (const Real x : x_)
      if (places_.empty() || x > places_.back()) places_.push_back(x);
  }

  /// Places between which the breakpoint is looked for, each side keeping two sizes; empty under four sizes.
  std::vector<double> knots() const {
    std::vector<double> result;
    for (std::size_t k = 1; k + 1 < places_.size() && places_.size() >= 4; ++k) result.push_back(outward(places_[k]));
    return result;
  }

  /// Where the lines fitted to either side cross, if between knots k and k + 1: the best breakpoint there (Hudson 1966,
  /// J. Am. Stat. Assoc. 61:1097).
  std::vector<double> crossings() const {
    std::vector<double> result;
    for (std::size_t k = 1; k + 2 < places_.size(); ++k) {
      const TailSums right = beyond(places_[k]);
      const auto [a1, b1] = line({tails_[0].n - right.n, tails_[0].x - right.x, tails_[0].xx - right.xx,
                                  tails_[0].y - right.y, tails_[0].xy - right.xy});
      const auto [a2, b2] = line(right);
      const Real cross = (a1 - a2) / (b2 - b1);
      if (cross > places_[k] && cross < places_[k + 1]) result.push_back(outward(cross));
    }
    return result;
  }

  /// Least residual sum of squares of a line bent at `breakpoint`.
  double sum_of_squares(double breakpoint) const {
    const Real k = static_cast<Real>(breakpoint) - middle_;
    const TailSums &all = tails_[0], t = beyond(k);
    Eigen::Matrix<Real, 3, 3> cross;
    const Real z = t.x - k * t.n, xz = t.xx - k * t.x, zz = xz - k * z;
    cross << all.n, all.x, z, all.x, all.xx, xz, z, xz, zz;
    const Eigen::Matrix<Real, 3, 1> right(all.y, all.xy, t.xy - k * t.y);
    return static_cast<double>(std::max<Real>(0, yy_ - right.dot(cross.ldlt().solve(right))));
  }

 private:
  double outward(Real place) const { return static_cast<double>(place + middle_); }
  TailSums beyond(Real k) const {
    return tails_[static_cast<std::size_t>(std::upper_bound(x_.begin(), x_.end(), k) - x_.begin())];
  }
  static std::pair<Real, Real> line(const TailSums& s) {
    const Real slope = (s.xy - s.x * s.y / s.n) / (s.xx - s.x * s.x / s.n);
    return {(s.y - slope * s.x) / s.n, slope};
  }

  Real middle_, level_, yy_ = 0;
  std::vector<Real> x_, places_;
  std::vector<TailSums> tails_;  ///< [k]: over rows k and later, by size
};

/// All places where the profile can have its minimum, rising.
inline std::vector<double> candidates(const BentProfile& profile) {
  std::vector<double> places = profile.knots();
  if (places.empty()) return places;
  const std::vector<double> crossings = profile.crossings();
  places.insert(places.end(), crossings.begin(), crossings.end());
  std::sort(places.begin(), places.end());
  return places;
}

inline double best_of(const BentProfile& profile, const std::vector<double>& places) {
  return *std::min_element(places.begin(), places.end(),
                           [&](double a, double b) { return profile.sum_of_squares(a) < profile.sum_of_squares(b); });
}

/// Between `outside`, where the profile is above the limit, and `inside`.
inline double crossing_between(const BentProfile& profile, double limit, double outside, double inside) {
  for (int i = 0; i < 200 && outside != inside; ++i) {
    const double middle = outside + (inside - outside) / 2;
    if (middle == outside || middle == inside) break;
    (profile.sum_of_squares(middle) > limit ? outside : inside) = middle;
  }
  return inside;
}

/// First place from one end that is within the limit, and whether that is the end itself.
template <typename Iterator>
std::pair<double, bool> end_of(const BentProfile& profile, double limit, Iterator first, Iterator last) {
  if (profile.sum_of_squares(*first) <= limit) return {*first, true};
  for (Iterator next = first + 1; next != last; first = next++)
    if (profile.sum_of_squares(*next) <= limit) return {crossing_between(profile, limit, *first, *next), false};
  return {unknown, true};
}

inline Eigen::MatrixXd bent_design(const VectorXd& x, double breakpoint) {
  Eigen::MatrixXd design(x.size(), 3);
  design << VectorXd::Ones(x.size()), x, (x.array() - breakpoint).cwiseMax(0).matrix();
  return design;
}

/// Covariance to first order, the breakpoint's derivative beside the others'.
inline Eigen::MatrixXd bent_covariance(const IncrementFit& fit) {
  Eigen::MatrixXd jacobian(fit.n, 4);
  const VectorXd beyond = (fit.pre_mm.array() > fit.coefficients[3]).cast<double>();
  jacobian << bent_design(fit.pre_mm, fit.coefficients[3]), -fit.coefficients[2] * beyond;
  return fit.residual_sd * fit.residual_sd * numeric::least_squares(jacobian, fit.post_mm).unscaled_covariance;
}

}  // namespace detail_lines_bent

MOLTSPAN_INLINE void lines::fit_bent(IncrementFit& fit) {
  const detail_lines_bent::BentProfile profile(fit.pre_mm, fit.post_mm);
  const std::vector<double> places = detail_lines_bent::candidates(profile);
  fit.names = {"intercept", "slope", "slope_change", "breakpoint"};
  fit.straight_sd = fit.residual_sd;
  fit.residual_df = fit.n - 4;
  fit.coefficients = Eigen::VectorXd::Constant(4, lines::unknown);
  fit.covariance = Eigen::MatrixXd::Constant(4, 4, lines::unknown);
  fit.residual_sd = lines::unknown;
  if (places.empty()) return;
  const double breakpoint = detail_lines_bent::best_of(profile, places);
  const auto line = numeric::least_squares(detail_lines_bent::bent_design(fit.pre_mm, breakpoint), fit.post_mm);
  fit.coefficients << line.coefficients, breakpoint;
  fit.residual_sum_of_squares = line.residual_sum_of_squares;
  fit.r_squared = line.r_squared;
  if (fit.residual_df > 0) fit.residual_sd = std::sqrt(fit.residual_sum_of_squares / fit.residual_df);
  fit.covariance = detail_lines_bent::bent_covariance(fit);
  if (breakpoint == places.front() || breakpoint == places.back())
    fit.health.push_back({HealthState::warning, "breakpoint_at_end",
                          "the breakpoint lies at the end of the range that can hold one; a straight line may do"});
}

MOLTSPAN_INLINE BreakpointInterval breakpoint_interval(const IncrementFit& fit, double level) {
  lines::check_level("breakpoint_interval", level);
  if (fit.options.form != IncrementForm::bent)
    lines::refuse("breakpoint_interval", "the line is not bent; fit with form=\"bent\"");
  BreakpointInterval interval{fit.coefficients[3], lines::unknown, lines::unknown, true, true};
  if (fit.residual_df <= 0 || std::isnan(interval.estimate)) return interval;
  const detail_lines_bent::BentProfile profile(fit.pre_mm, fit.post_mm);
  const std::vector<double> places = detail_lines_bent::candidates(profile);
  const double t = lines::t_width(level, fit.residual_df);  // t^2 is F with 1 degree of freedom
  const double limit = profile.sum_of_squares(interval.estimate) + t * t * fit.residual_sd * fit.residual_sd;
  std::tie(interval.lower, interval.lower_open) = detail_lines_bent::end_of(profile, limit, places.begin(), places.end());
  std::tie(interval.upper, interval.upper_open) = detail_lines_bent::end_of(profile, limit, places.rbegin(), places.rend());
  return interval;
}

}  // namespace moltspan
