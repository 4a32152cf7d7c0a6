#pragma once

#include <cmath>

#include "moltspan/growth/latent.hpp"

namespace moltspan {

inline constexpr double share_corner = 0.08;  ///< of the share of growth at the limit: a molt there adds .04 of its ratio
inline constexpr double least_spread = 0.01;  ///< of a molt that adds nothing, as a share of the variance; steps vary by
                                              ///< a share of what they add, so that their sd falls with it
inline constexpr double adult_fade = 0.8;     ///< of what the next molt of a grown animal adds, over that of this one

/// Share of its log ratio that a molt adds, of power = (size / limit)^steepness.
inline double share_at(double power) {
  const double left = 1 - power;
  return (left + std::sqrt(left * left + share_corner * share_corner)) / (1 + std::sqrt(1 + share_corner * share_corner));
}

/// Normal law of a log size on its way through molts, towards one end of growth.
struct SizeCourse {
  double mean = 0, variance = 0;
  double covariance = 0;  ///< with the log ratio

  /// Goes on by one molt but for the molt's own spread; returns that as a share of the usual variance of a molt.
  double molt(const AdultNode& node, double growth, double growth_variance, double decline);
};

}  // namespace moltspan
