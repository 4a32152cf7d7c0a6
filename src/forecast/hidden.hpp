#pragma once

#include <vector>

#include "clock/clock.hpp"
#include "forecast/signs.hpp"
#include "moltspan/intervals/hidden_molts.hpp"

namespace moltspan {

/// The running stadium may not be the one that it seems: molts since the last one on record may have gone unseen.
///
/// Given eta, the last of j unseen molts came when the animal was u days past its last recorded molt, with the density
/// of the sum of j stadia; from there on the running stadium has its own length, a log step longer. Branches: one for
/// each j and each of a few u, the predictor conditioned on u; each with the weight p^j times the likelihood of the
/// sizes read before and after u, over that without an unseen molt.
class HiddenBranches {
 public:
  /// `points`: predictor of the running stadium, weights as RunningLaw takes them; `age_days`: age at the beginning of
  /// the as_of day; `watched_days`: end of the watch on the scale of x; `counted`: weight of the record in the fit.
  /// Ages and the end of the watch are in days of the clock, all that is asked of it in days of the calendar.
  HiddenBranches(const CollectionFit& fit, int record, const std::vector<PredictiveComponent>& points, double age_days,
                 double watched_days, double counted = 1, ClockAhead clock = {});

  /// All weight of the branches against that of no unseen molt.
  double odds() const { return odds_; }

  struct Branch {
    double missed_day = 0;         ///< of the last unseen molt, on the scale of x
    double missed_units = 0;       ///< the same in days of the clock
    ClockAhead clock;
    std::vector<PredictiveComponent> points;  ///< log of the running length since: weight, mean, variance; sigma 0
    double survival(double x_days) const;
  };
  const std::vector<Branch>& branches() const { return branches_; }
  /// Of all branches together; their weight at the beginning.
  double survival(double x_days) const;

 private:
  void add(int hidden, double log_age, double width);
  double size_odds(int hidden, double missed_day) const;

  Family family_;
  ClockAhead clock_;
  double log_step_ = 0, age_days_ = 0, watched_days_ = 0, missed_chance_ = 0, odds_ = 0;
  std::vector<DatedSize> sizes_;  ///< since the last molt, days on the scale of x
  double log_ratio_ = 0, ratio_variance_ = 0;
  std::vector<PredictiveComponent> points_;
  std::vector<Branch> branches_;
};

/// `counted`: the weight of the record in the fit. Points of the predictor of a running record whose term reckons with
/// hidden molts: RunningLaw divides each weight by the survival of one stadium, so that the quotient to the whole term
/// is put in here.
void count_hidden_once(const CollectionFit& fit, int record, double elapsed_days, double counted,
                       std::vector<PredictiveComponent>& points);

}  // namespace moltspan
