#pragma once

#include <memory>
#include <string>
#include <vector>

#include "clock/clock.hpp"
#include "forecast/hidden.hpp"
#include "intervals/next_molt_law.hpp"
#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// The law of one animal's next molt as the forecast has it, and what stands behind it.
struct NextMolt {
  std::string why_not;           ///< not blank: there is no forecast, and the rest is empty
  std::vector<PredictiveComponent> points;  ///< of the running stadium's predictor, without its own term
  std::vector<StartAge> starts;  ///< in days of the clock; empty: no molt on record
  ClockAhead clock;
  double counted = 1;            ///< weight with which the running stadium counts in those of the points
  double watched_days = 0;       ///< of an animal without a molt on record
  double watched_units = 0;      ///< the same in days of the clock
  std::unique_ptr<NextMoltLaw> base, reweighted;  ///< `reweighted` by signs and unseen molts; null = nothing speaks
  std::unique_ptr<HiddenBranches> hidden;         ///< null: unseen molts are not reckoned with
  /// Likelihood of signs and time watched had it molted for the last time, over that with a molt to come.
  double signs_if_last = 1;
  double chance_missed = 0;  ///< that a molt went unseen since the last one on record, if it molts on

  const NextMoltLaw& law() const { return reweighted ? *reweighted : *base; }
};

/// Laws of the next molt of the animals of one fit; several threads may ask.
class NextMolts {
 public:
  explicit NextMolts(const CollectionFit& fit);
  NextMolt of(int animal) const;

 private:
  struct Shared;
  std::shared_ptr<const Shared> shared_;
};

}  // namespace moltspan
