#pragma once

#include <vector>

#include "moltspan/intervals/intervals.hpp"
#include "moltspan/stadium/predictive.hpp"

namespace moltspan {

/// Mean, variance and median of W of a family.
struct LawMoments {
  double mean = 0, variance = 1, median = 0;
};
LawMoments moments_of(Family family);

/// Components of one predictor of a mixture, as `without_negligible` leaves them.
std::vector<PredictiveComponent> predictive_components(const PredictorMixture& mixture, Eigen::Index predictor);

/// P(log T > log_t), eta integrated out.
double survival_of_log(Family family, const PredictiveComponent& component, double log_t);

/// P(T > t_days), eta integrated out.
double predictive_survival(Family family, const PredictiveComponent& component, double t_days);

}  // namespace moltspan
