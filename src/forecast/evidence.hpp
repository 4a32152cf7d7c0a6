#pragma once

#include <functional>
#include <memory>

#include "forecast/hidden.hpp"
#include "forecast/signs.hpp"

namespace moltspan {

/// What is known of an animal's next molt besides the law of its stadium: signs of a coming molt, and molts that may
/// have gone unseen since the last one on record. Both share one likelihood: before a missed molt a sign told of that
/// one, so that a sign too old for its lag speaks for a missed molt.
class MoltEvidence {
 public:
  /// `from_days`, `until_days`: window of the signs, from the beginning of the as_of day; `hidden` null: not reckoned.
  MoltEvidence(const CollectionFit& fit, int animal, const NextMoltLaw& base, double from_days, double until_days,
               const HiddenBranches* hidden);

  /// The law of the base reweighted; null where nothing speaks for another than the base.
  const NextMoltLaw* reweighted() const { return law_.get(); }
  std::unique_ptr<NextMoltLaw> take() { return std::move(law_); }
  double chance_missed() const { return chance_missed_; }  ///< NaN = not reckoned
  /// Chance that the signs on record tell of the next molt: neither false nor of one that was missed.
  double signs_true() const { return signs_true_; }
  /// Likelihood of what was seen had it molted for the last time, over that with a molt to come.
  double if_last() const { return if_last_; }
  bool any_shown() const { return signs_.any_shown(); }
  std::vector<std::string> words() const { return signs_.words(); }

 private:
  std::vector<MoltBranch> branches(const NextMoltLaw& base, const HiddenBranches* hidden, double alarms) const;
  std::function<double(double)> likelihood_after(double missed_day) const;

  const CollectionFit& fit_;
  int animal_;
  double from_days_, until_days_;
  SignEvidence signs_;
  std::unique_ptr<ReweightedLaw> law_;
  double chance_missed_ = unknown_number, signs_true_ = 0, if_last_ = 1;
};

}  // namespace moltspan
