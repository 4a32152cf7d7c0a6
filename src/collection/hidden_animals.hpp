#pragma once

#include <utility>
#include <vector>

#include "intervals/model.hpp"
#include "moltspan/intervals/hidden_molts.hpp"

namespace moltspan {

/// Gaps of an animal, and which records of the model (-1 = none) are their lengths.
struct AnimalGaps {
  HiddenAnimal animal;
  std::vector<Eigen::Index> record;
  bool doubtful = true;  ///< the number of hidden molts in a closed gap is in doubt; else Laplace's approximation holds
};

/// Hidden molts animal by animal, beyond Laplace's approximation: the likelihood of an animal with doubtful gaps has
/// two humps (slow, or with molts missed), of which Laplace sees one.
///
/// All that an animal's records say of their lengths is taken out of the Gaussian posterior; over what is left of its
/// predictors, which move together, lengths and sizes are weighed as a whole (hidden_shares). Assumes that one animal's
/// records tell little of what all share.
class HiddenAnimals {
 public:
  HiddenAnimals(const StadiaModel& model, std::vector<AnimalGaps> animals, const UsualJump& jump)
      : model_(model), animals_(std::move(animals)), jump_(jump) {}

  /// Chances of each number of hidden molts within each record.
  std::vector<HiddenWeights> chances(const ConditionalPosterior& posterior) const;
  /// What the log marginal likelihood gains on Laplace's approximation, up to a constant: sum over the animals of
  /// log(exact / Laplace's).
  double beyond_laplace(const ConditionalPosterior& posterior) const;

 private:
  struct Freed;
  Freed without_own(const ConditionalPosterior& posterior, const AnimalGaps& gaps) const;
  HiddenShares weighed(const ConditionalPosterior& posterior, const Freed& freed) const;

  const StadiaModel& model_;
  std::vector<AnimalGaps> animals_;
  UsualJump jump_;
};

}  // namespace moltspan
