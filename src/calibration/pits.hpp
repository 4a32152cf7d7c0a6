#pragma once

#include <vector>

#include "intervals/predictive.hpp"
#include "moltspan/calibration/calibration.hpp"

namespace moltspan {

/// Survival function of a stadium's length, families mixed as the fit has them.
class MixedLength {
 public:
  /// `points`: of the fit's own family, each with the spread of the record in its sigma.
  MixedLength(const CollectionFit& fit, const std::vector<PredictiveComponent>& points);
  double survival(double days) const;
  /// The mean of `survival(days - r)`, r uniform over the range of the start.
  double survival_from_range(double days, double range) const;

 private:
  struct Part {
    Family family;
    double weight;
    std::vector<PredictiveComponent> points;
  };
  std::vector<Part> parts_;
};

/// Chances that a stadium is over at both ends of what is known of it, and at late entry.
struct LengthChances {
  double from = 0, to = 1, entered = 0;
  Pit given_entry() const;
};
LengthChances chances_of_length(const MixedLength& law, const StadiumBounds& bounds);

/// Weight of a record among others: as in the fit, times the chance that no molt is hidden within it.
double weight_of_record(const CollectionFit& fit, std::size_t row);

}  // namespace moltspan
