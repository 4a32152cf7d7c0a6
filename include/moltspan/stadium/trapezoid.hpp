#pragma once

#include <array>
#include <cmath>
#include <optional>

#include "moltspan/numeric/normal.hpp"
#include "moltspan/stadium/bounds.hpp"

/// @file
/// The integral of a log-normal density against a trapezoid in closed form.
///
/// A trapezoid that rises from t1 to t2 and falls from t3 to t4 is a second difference of ramps (t - u)+, so that the
/// integral is one of H(t) = E (t - T)+ = t F(t) - M(t), M(t) = E[T; T < t] = exp(eta + sigma^2 / 2) Phi(z - sigma);
/// from above of E (T - t)+. In eta, H' = -M, H'' = t phi(z) / sigma - M, and so on; in s = log sigma the density obeys
/// the heat equation, d/ds = sigma^2 d^2/deta^2.
namespace moltspan {

class LognormalTrapezoid {
 public:
  LognormalTrapezoid(double eta, double log_sigma) : eta_(eta), sigma_(std::exp(log_sigma)) {
    mean_ = std::exp(eta + 0.5 * sigma_ * sigma_);
  }

  /// Log of the integral for corners t1 <= t2 <= t3 <= t4 in days (t1 may be negative) and the height between t2 and
  /// t3; nothing where the differences would lose more than four digits.
  std::optional<StadiumTerm> log_integral(const std::array<double, 4>& corners, double height) const {
    constexpr double most_cancelled = 1e-4, deepest = 1e-250;
    const double middle = 0.5 * (corners[1] + corners[2]), rise = corners[1] - corners[0];
    if (!(rise > 0)) return {};
    const double side = std::log(middle) < eta_ ? 1 : -1;
    std::array<double, 5> sum{};
    const double outer = add(sum, corners[3], side, 1) + add(sum, corners[0], side, 1);
    if (corners[1] == corners[2]) {
      add(sum, corners[1], side, -2);
    } else {
      add(sum, corners[1], side, -1);
      add(sum, corners[2], side, -1);
    }
    if (!(sum[0] > most_cancelled * outer) || outer < deepest) return {};
    return from_derivatives(sum, std::log(sum[0] * height / rise));
  }

 private:
  /// Adds weight x (H, H', H'', H''', H'''') at t; returns H.
  double add(std::array<double, 5>& sum, double t, double side, double weight) const {
    if (t <= 0 && side > 0) return 0;
    if (t <= 0) {  // from above: E (T - t)+ = E T - t, whose derivatives are all E T
      for (double& part : sum) part += weight * mean_;
      sum[0] -= weight * t;
      return mean_ - t;
    }
    const double z = (std::log(t) - eta_) / sigma_, q = 1 / sigma_;
    const double mass = numeric::Phi(side * z), partial = mean_ * numeric::Phi(side * (z - sigma_));
    const double bump = t * std::exp(-0.5 * z * z) * 0.39894228040143267794 * q, signed_partial = -side * partial;
    const double value = side * t * mass + signed_partial;
    sum[0] += weight * value;
    sum[1] += weight * signed_partial;
    sum[2] += weight * (bump + signed_partial);
    sum[3] += weight * (bump * (z * q + 1) + signed_partial);
    sum[4] += weight * (bump * (((z * z - 1) * q + z) * q + 1) + signed_partial);
    return value;
  }

  StadiumTerm from_derivatives(const std::array<double, 5>& sum, double value) const {
    const double variance = sigma_ * sigma_, d1 = sum[1] / sum[0], d2 = sum[2] / sum[0];
    StadiumTerm term;
    term.value = value;
    term.d_eta = d1;
    term.d_eta_eta = d2 - d1 * d1;
    term.d_s = variance * d2;
    term.d_eta_s = variance * sum[3] / sum[0] - d1 * term.d_s;
    term.d_s_s = variance * (2 * d2 + variance * sum[4] / sum[0]) - term.d_s * term.d_s;
    return term;
  }

  double eta_, sigma_, mean_;
};

}  // namespace moltspan
