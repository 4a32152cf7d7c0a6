#pragma once

#include <optional>
#include <string>
#include <vector>

#include "moltspan/collection/fit.hpp"
#include "moltspan/forecast/forecast.hpp"

namespace moltspan {

/// Life of male tarantulas after the molt into maturity.
///
/// P(T > t) = 2^-((t / m)^k), m = the median of the kind's pace x exp(d); d normal with the sd of
/// shared/husbandry.toml, k on a few values. Deaths, lives that go on or left the records, and males bought when
/// already mature (truncated on the left) all enter the posterior of d and k, taken on a grid. No random numbers.
class MatureLives {
 public:
  explicit MatureLives(const CollectionFit& fit);
  /// Of a living mature male tarantula; none for others.
  std::optional<MatureLife> of(int animal, const std::vector<double>& levels) const;

 private:
  struct Point {
    double weight = 0, factor = 1, shape = 1;
  };

  const CollectionFit& fit_;
  std::vector<Point> points_;
  int deaths_ = 0;
};

/// What is to be said of a grown animal and of one whose sex is not known, beside its forecast.
void add_maturity_notes(const CollectionFit& fit, int animal, AnimalForecast& result);

}  // namespace moltspan
