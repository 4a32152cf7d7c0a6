#pragma once

#include <array>

#include "moltspan/intervals/hidden_molts.hpp"

namespace moltspan {

/// log sigma of a single stadium with the record's own variance.
double own_log_sigma(Family family, double log_sigma, double extra_variance);

/// One record under each number of hidden molts, for any predictor eta.
class HiddenParts {
 public:
  HiddenParts(Family family, const StadiumBounds& bounds, double log_sigma, double extra_variance, double log_step);

  /// Sums that lie so far off that they cannot count beside a single stadium are not worked out.
  bool negligible(double eta, int hidden) const;
  StadiumTerm term(double eta, int hidden) const;

 private:
  /// The sum of one stadium and `hidden` more.
  struct Sum {
    double shift = 0, log_sd = 0;  ///< the record's own variance in it
    StadiumBounds bounds;
    double log_first_outlasts_entry = 0;
  };
  Sum sum_of(Family family, int hidden, double log_sigma, double extra_variance, double log_step) const;
  double log_first_outlasts_entry(Family family, int hidden, double log_sigma, double log_step) const;
  StadiumBounds narrow_start(double log_sd) const;
  double square_distance(double eta, const Sum& sum) const;

  Family family_;
  StadiumBounds bounds_;
  double log_min_, log_max_, own_log_sigma_;
  std::array<Sum, most_hidden + 1> sums_;
};

}  // namespace moltspan
