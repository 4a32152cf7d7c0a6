#pragma once

#include <map>
#include <memory>
#include <vector>

#include "collection/clock.hpp"
#include "forecast/evidence.hpp"
#include "forecast/maturity.hpp"
#include "forecast/next.hpp"
#include "intervals/next_molt_law.hpp"
#include "moltspan/forecast/forecast.hpp"

namespace moltspan {

class LastMolts;

/// What all animals of one fit share.
struct ForecastContext {
  const CollectionFit& fit;
  const std::vector<double>& levels;
  CollectionClocks clocks;
  PredictorMixture running, probes;
  std::map<int, Eigen::Index> running_column;  ///< record -> column of `running`
  std::map<int, double> own_weight;
  std::vector<bool> seen_from_start;            ///< animals with a stadium that was watched from its start
  std::shared_ptr<const LastMolts> last_molts;  ///< null while only laws of the next molt are asked for
  std::shared_ptr<const MatureLives> mature_lives;
};

/// Laws of the next molt alone; `levels` must outlive it.
ForecastContext make_context(const CollectionFit& fit, const std::vector<double>& levels);
/// One that knows of last molts too.
ForecastContext forecast_context(const CollectionFit& fit, const std::vector<double>& levels);

/// Why an animal has no forecast, and the phase that goes with it; false when it has one.
bool explain_no_forecast(const CollectionFit& fit, int animal, AnimalForecast& result);

/// Law of a running stadium of known start, without signs.
NextMolt running_molt(const ForecastContext& context, int animal);
/// Law of an animal without a molt on record, without signs.
NextMolt unstarted_molt(const ForecastContext& context, int animal);
/// What the signs of an animal and a molt that may have gone unseen add to the law of its stadium.
MoltEvidence evidence_of(const ForecastContext& context, int animal, const NextMolt& next);
/// Law of an animal's next molt, signs included.
NextMolt next_molt(const ForecastContext& context, int animal);

}  // namespace moltspan
