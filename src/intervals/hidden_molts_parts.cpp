#include "intervals/hidden_molts_parts.hpp"

#include <algorithm>
#include <cmath>

#include "moltspan/numeric/normal.hpp"

namespace moltspan {

HiddenParts::HiddenParts(Family family, const StadiumBounds& bounds, double log_sigma, double extra_variance,
                         double log_step)
    : family_(family),
      bounds_(bounds),
      log_min_(bounds.min_days > 0 ? std::log(bounds.min_days) : -INFINITY),
      log_max_(std::isnan(bounds.max_days) ? INFINITY : std::log(bounds.max_days)),
      own_log_sigma_(own_log_sigma(family, log_sigma, extra_variance)) {
  for (int hidden = 0; hidden <= most_hidden; ++hidden)
    sums_[static_cast<std::size_t>(hidden)] = sum_of(family, hidden, log_sigma, extra_variance, log_step);
}

HiddenParts::Sum HiddenParts::sum_of(Family family, int hidden, double log_sigma, double extra_variance,
                                     double log_step) const {
  const StadiaSum sum = sum_of_stadia(family, hidden + 1, log_sigma, log_step);
  return {sum.shift, std::sqrt(sum.log_sd * sum.log_sd + extra_variance), narrow_start(sum.log_sd),
          bounds_.entry_days > 0 ? log_first_outlasts_entry(family, hidden, log_sigma, log_step) : 0};
}

/// log P(first stadium > entry | sum): the log of the later stadia over the first is about normal, whatever eta and the
/// sum are.
double HiddenParts::log_first_outlasts_entry(Family family, int hidden, double log_sigma, double log_step) const {
  const double total = std::isnan(bounds_.max_days) ? bounds_.min_days : 0.5 * (bounds_.min_days + bounds_.max_days);
  if (hidden == 0 || !(total > bounds_.entry_days)) return 0;
  const StadiaSum later = sum_of_stadia(family, hidden, log_sigma, log_step),
                  first = sum_of_stadia(family, 1, log_sigma, log_step);
  const double log_ratio = std::log((total - bounds_.entry_days) / bounds_.entry_days);
  return numeric::log_Phi((log_ratio - log_step - later.shift + first.shift) / std::hypot(later.log_sd, first.log_sd));
}

/// A running stadium whose start is known well beside the spread of the sum: as if known exactly.
StadiumBounds HiddenParts::narrow_start(double log_sd) const {
  constexpr double narrow = 0.2;
  StadiumBounds b = bounds_;
  if (std::isnan(b.max_days) && b.start_range_days < narrow * log_sd * b.min_days) {
    b.min_days += 0.5 * b.start_range_days;
    b.start_range_days = 0;
  }
  return b;
}

/// Square of how far, in sds, the record lies from the middle of a log length; 0 inside its bounds.
double HiddenParts::square_distance(double eta, const Sum& sum) const {
  const double middle = eta + sum.shift,
               distance = std::max({0.0, (log_min_ - middle) / sum.log_sd, (middle - log_max_) / sum.log_sd});
  return distance * distance;
}

bool HiddenParts::negligible(double eta, int hidden) const {
  constexpr double enough = 90;  // exp(-45)
  return hidden > 0 &&
         square_distance(eta, sums_[static_cast<std::size_t>(hidden)]) > square_distance(eta, sums_[0]) + enough;
}

StadiumTerm HiddenParts::term(double eta, int hidden) const {
  if (hidden == 0) return stadium_term(family_, bounds_, eta, own_log_sigma_, Truncation::marginal);
  const Sum& sum = sums_[static_cast<std::size_t>(hidden)];
  StadiumTerm term =
      stadium_term(Family::lognormal, sum.bounds, eta + sum.shift, std::log(sum.log_sd), Truncation::marginal);
  term.value += sum.log_first_outlasts_entry;
  return term;
}

}  // namespace moltspan
