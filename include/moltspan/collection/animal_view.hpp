#pragma once

#include <optional>
#include <span>
#include <vector>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Growth of one animal as the model of its collection has it.
struct AnimalGrowth {
  const std::vector<LatentSize>& sizes;  ///< smoothed, one an instar; empty where it was never read
  const GrowthEstimate& log_ratio;       ///< of its own, the effects of its groups included
  const std::vector<AdultNode>& adult;   ///< where its growth may end; empty = it grows on at its ratio
  double next_shift;                     ///< known growth at molts to come in place of its ratio; NaN = its ratio
  double chance_grows_more;              ///< that its ratio exceeds that of another of its cohort or kind; NaN = never read
};

/// What a fit holds of one animal, as references into it: valid as long as the fit stays where it is.
class AnimalView {
 public:
  /// Throws std::out_of_range for an index that the collection does not have. See also CollectionFit::animal.
  AnimalView(const CollectionFit& fit, int index);

  int index() const { return static_cast<int>(i_); }
  const Animal& record() const { return fit_->collection->animals[i_]; }
  const AnimalHistory& history() const { return fit_->table.animals[i_]; }
  const AnimalInputs& inputs() const { return fit_->animals[i_]; }
  const InstarSize& size() const { return inputs().sizes.back(); }  ///< in its present instar
  bool runs() const { return inputs().running_row >= 0; }           ///< has a running stadium of known start
  const SignTimeline* signs() const;                                ///< null before signs were learned
  /// Its rows of the table of stadia, by start.
  std::span<const Stadium> stadia() const;
  std::optional<AnimalGrowth> growth() const;  ///< none where growth was not fitted
  /// Code of its group in a level, of which CollectionFit::group_names has the name; -1 = of none, or not in the fit.
  int group(Level level) const;

 private:
  const CollectionFit* fit_;
  std::size_t i_;
};

}  // namespace moltspan
