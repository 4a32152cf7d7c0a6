#include "moltspan/calibration/fit_collection.hpp"

#include <utility>

#include "calibration/check.hpp"
#include "calibration/recalibration.hpp"
#include "collection/uncalibrated.hpp"

namespace moltspan {

CollectionFit fit_collection(std::shared_ptr<const Collection> collection, const CollectionOptions& options) {
  CollectionFit fit = fit_uncalibrated(std::move(collection), options);
  if (fit.data.size() == 0 && fit.data.probes() == 0) return fit;  // nothing was fitted
  note_fit_calibration(fit, fit.health);
  if (options.recalibrate) {
    fit.recalibration = learn_recalibration(fit, past_forecasts(fit));
    note_recalibration(fit);
  }
  return fit;
}

}  // namespace moltspan
