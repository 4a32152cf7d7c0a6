#pragma once

#include <vector>

#include "moltspan/intervals/intervals.hpp"

namespace moltspan {

/// One Gaussian predictor with its weight: log T ~ eta + sigma W, eta ~ N(mean, variance).
struct LawPoint {
  double weight = 0, mean = 0, variance = 0, sigma = 0;
};

/// Mean, variance and median of W of a family.
struct LawMoments {
  double mean = 0, variance = 1, median = 0;
};
LawMoments moments_of(Family family);

/// Points of one predictor of a mixture, heaviest first, those left out that together weigh nothing.
std::vector<LawPoint> law_points(const PredictorMixture& mixture, Eigen::Index predictor);

/// P(log T > log_t), eta integrated out.
double predictive_survival_log(Family family, const LawPoint& point, double log_t);

/// P(T > t_days), eta integrated out.
double predictive_survival(Family family, const LawPoint& point, double t_days);

}  // namespace moltspan
