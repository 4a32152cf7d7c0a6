#pragma once

#include <array>
#include <cmath>

#include "growth/adult.hpp"

namespace moltspan {

// The forms between which animals differ, and how likely each is beforehand. Published sizes by instar of a wolf spider, a mayfly
// and four water fleas fall from the first molt on, most steeply in the smallest (1/2 to 1); insects keep their ratio to the end.
inline constexpr std::size_t n_growth_forms = 6;
inline constexpr std::array<double, n_growth_forms> form_steepness{0.5, 1, 2, 4, 8, 16};
using FormWeights = std::array<double, n_growth_forms>;
inline constexpr FormWeights form_weight{0.2, 0.2, 0.23, 0.17, 0.12, 0.08};
/// Log of the limit over the adult size of a sex whose last molt comes before its growth has ended (the same tables).
inline constexpr std::array<double, n_growth_forms> limit_beyond{0.8, 0.5, 0.25, 0.07, 0, 0};
/// Log ratio of the smallest, over that of form 2 for the same growth at .3 of the limit, where records mostly lie.
inline constexpr std::array<double, n_growth_forms> form_ratio{2.0, 1.3, 1, 0.92, 0.91, 0.91};
inline constexpr std::size_t usual_form = 2;  ///< in whose terms ratios are told

/// (size / limit)^steepness of a form, of u = size / limit.
inline double power_of(double u, std::size_t form) {
  const double two = u * u, four = two * two, eight = four * four;
  switch (form) {
    case 0: return std::sqrt(u);
    case 1: return u;
    case 2: return two;
    case 3: return four;
    case 4: return eight;
    default: return eight * eight;
  }
}

/// Sd of the log ratio of an animal about that of its kin.
inline double own_ratio_sd(std::size_t form) { return 0.03 * form_ratio[form]; }

inline double log_limit(const AdultAnimal& a, double deviation, std::size_t form) {
  return a.log_size + deviation + a.stops * limit_beyond[form];
}

}  // namespace moltspan
