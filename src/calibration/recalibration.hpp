#pragma once

#include <memory>
#include <vector>

#include "intervals/next_molt_law.hpp"
#include "moltspan/calibration/calibration.hpp"

namespace moltspan {

inline constexpr std::size_t fewest_past_forecasts = 30;  ///< from which anything is learned

/// Forecasts of running stadia from some past days, by rough fits of a part of the records up to each, and what came.
/// What is known of sizes, temperatures and hidden molts today stands in these fits too.
struct PastForecast {
  int row = -1;
  Day origin = 0;
  double from = 0, to = 1, entered = 0;  ///< chances to be over: both ends of what came, and the end of that day
  double weight = 1;
  Pit pit() const;
};
std::vector<PastForecast> past_forecasts(const CollectionFit& fit);

/// Learned from them: no change with a chance, else normal priors of location and log scale about 0
/// (shared/priors.toml), averaged over; the evidence counts by the spread of its scores between animals, and between
/// kinds of a day, whose forecasts err together. Transforms beyond
/// .001 count as beyond .001, so that no single record widens all bands.
Recalibration learn_recalibration(const CollectionFit& fit, const std::vector<PastForecast>& past);

/// What was found, in the health of the fit.
void note_recalibration(CollectionFit& fit);

/// A law recalibrated as it stands, given the time watched: quantiles, bands and chances follow.
class RecalibratedLaw final : public NextMoltLaw {
 public:
  RecalibratedLaw(std::unique_ptr<NextMoltLaw> base, const Recalibration& change);
  double survival(double x_days) const override;
  double share_beyond(const PredictiveComponent& point, double x_days) const override { return base_->share_beyond(point, x_days); }

 private:
  std::unique_ptr<NextMoltLaw> base_;
  Recalibration change_;
};

/// The law as the recalibration of the fit has it; as it is where there is none.
std::unique_ptr<NextMoltLaw> recalibrated(const CollectionFit& fit, std::unique_ptr<NextMoltLaw> law);

}  // namespace moltspan
