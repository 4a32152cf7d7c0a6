#pragma once

#include <array>
#include <string>
#include <vector>

#include "moltspan/collection/fit.hpp"
#include "moltspan/score/score.hpp"

/// @file
/// How well a fit tells the lengths of the stadia that it was made of.
namespace moltspan {

/// Where the length of one stadium lies in what all the other records say of it.
struct RecordPit {
  int row = -1;                              ///< of the fit
  double mean = 0, variance = 0, sigma = 0;  ///< predictor (log days) without this record; spread of the record
  Pit pit;              ///< at both ends of what is known of the length; given that it lasted to a late entry
  double entered = 0;   ///< chance to be over before the late entry; 0 = watched from its start
  bool seen = true;     ///< its end was seen; else `pit.high` is 1
  double weight = 1;    ///< in the fit, times the chance that no molt is hidden within it
};

/// Probability integral transforms of the stadia of a fitted collection, each from the posterior without it (spreads
/// held at their posterior means), families mixed as in the forecast. Dates known to the day leave a day of room, so
/// that ends are never equal. Running records count as open ranges; those without any length are left out. From 1,500
/// records about, whole animals, where there are more. Empty under maximum likelihood and where the part that is
/// looked at lacks a level of groups.
std::vector<RecordPit> leave_one_out_pits(const CollectionFit& fit);

inline constexpr std::array<double, 3> calibration_levels = {0.5, 0.8, 0.95};

/// How the bands held in some of the cases.
struct CalibrationClass {
  std::string label;
  std::array<ClusteredMean, 3> held;  ///< share of the truth inside each band of calibration_levels
  ClusteredMean below_median;         ///< share that came before the median
  /// Mean of u, and of |2 u - 1|, less 1/2, in standard errors of a right model: above 0 = later than told, wider than
  /// told.
  double place = 0, spread = 0;
};

}  // namespace moltspan
