#pragma once

#include <functional>
#include <map>
#include <string>
#include <vector>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Chance that an animal has molted for the last time, where no rule of its kind answers.
///
/// A sex that stops molting at maturity matures at the first molt past its own size theta, logistic on the log scale:
///   P(mature at size x | not at the size before, x') = (F(x) - F(x')) / (1 - F(x')),  F(x) = logistic((x - a) / s).
/// a is a share of the adult leg span by taxon, or lies about the sizes of the taxon's recorded maturities where the
/// adult leg span is not known. A maturity is written down with chance q. All of a, s, q are integrated on a grid, with
/// the likelihood of what every animal of the collection shows:
///   matured on record          q (F(x) - F(x')),
///   not, watched for c days    w [(1 - q) (F(x) - F(x')) + (1 - F(x)) S(c)] + (1 - w) S(c),
/// w the chance to be of a sex that stops, S(c) that a stadium lasts longer than watched. Errors of sizes widen F. Then
/// chance_final is the share of the first part: p / (p + (1 - p) S(c)). Mixture cure model with a known latest rule;
/// numbers of shared/husbandry.toml, [last_molt] (assumptions).
class LastMolts {
 public:
  /// `survival(i)`: S(c) of animal i, as it stood at its last molt.
  LastMolts(const CollectionFit& fit, const std::function<double(int)>& survival);

  /// 1 and 0 by rule of the kind; NaN = not identified.
  double chance(int animal) const { return chances_[animal]; }
  /// The same with what signs and unseen molts say: `if_last`, likelihood of what was seen had it molted for the last
  /// time over that with a molt to come. It speaks of stadia that the law of lengths explains, a part of S(c) =
  /// `survival`.
  double chance_given(int animal, double survival, double if_last) const;
  /// What the chance rests on, in words; blank where a rule answers or nothing does.
  std::string basis(int animal) const;

 private:
  struct Case;
  struct Group;
  class Fit;
  std::vector<double> chances_;
  std::vector<std::string> basis_;
};

}  // namespace moltspan
