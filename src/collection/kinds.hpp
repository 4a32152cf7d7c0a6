#pragma once

#include <vector>

#include "moltspan/collection/fit.hpp"
#include "moltspan/kinds/kinds.hpp"

/// What the facts of a kind mean on the scale of a fit. Tarantulas, whose facts are the priors themselves, and kinds of
/// which nothing is known enter as they are.
namespace moltspan {

/// Whether an animal has facts that differ from the priors: of another group, or stated in the records.
bool has_own_pace(const KindFacts& facts);

/// log(size / 20 mm), on the scale of AnimalInputs, of the instar that the facts' stadium speaks of, where the animal
/// is told in this measure; NaN = not known.
double reference_log_size(const KindFacts& facts, SizeMeasure measure);

/// log(size / 20 mm) of that instar in a measure, as it is read.
double log_size_in(const KindFacts& facts, SizeMeasure measure);

/// Covariate `kind_pace` of an animal, whose coefficient is 1 but for little: log of the stadium by the facts of its kind
/// over that by the default priors, at the same size; at the kind's usual temperature where none is known of the animal.
struct KindPace {
  double log_ratio = 0;        ///< at the instar that the facts speak of, of log size `at`
  double warmth = 0;           ///< log days that its usual temperature stands for under the default priors
  double exponent = 0, at = 0;  ///< of size, beyond that of the default priors
  double of(double log_size, bool temperature_known) const {
    return log_ratio + exponent * (log_size - at) - (temperature_known ? warmth : 0);
  }
};
/// One an animal; all 0 where a fit has none (`kinds_have_paces`).
std::vector<KindPace> kind_paces(const Collection& collection, const std::vector<AnimalInputs>& inputs,
                                 const CollectionOptions& options);
/// What the facts of an animal's kind add to the exponent of size of its stadia.
double exponent_beyond(const CollectionFit& fit, int animal);
/// Whether a fit has it: not where the caller gave a prior of the intercept, nor under maximum likelihood.
bool kinds_have_paces(const CollectionOptions& options);

/// Median length of the present stadium, days, before it is known how long it has run; an entry an animal, NaN where
/// its kind has no facts of its own.
std::vector<double> stadium_medians(const CollectionFit& fit);

}  // namespace moltspan
