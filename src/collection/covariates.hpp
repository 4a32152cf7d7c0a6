#pragma once

#include <map>
#include <string>
#include <vector>

#include "collection/kinds.hpp"
#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// One row of covariates by name, before it is known which of them the collection uses.
struct CovariateRow {
  double log_size = 0, kind_pace = 0, warmth_c = 0, warmth_squared = 0, male = 0.5, near_adult_female = 0, pace_slow = 0, pace_fast = 0,
         limb_lost = 0, egg_sac = 0;
};

/// Builds the rows of the fit from a collection on one day.
class CovariateRows {
 public:
  CovariateRows(const Collection& collection, const StadiaTable& table, std::vector<AnimalInputs>& inputs,
                const CollectionOptions& options);
  CovariateRow of(int animal, std::size_t instar, double temperature_c, bool limb_lost, bool egg_sac);

 private:
  double warmth(int animal, double temperature_c);

  const Collection& collection_;
  const StadiaTable& table_;
  std::vector<AnimalInputs>& inputs_;
  std::vector<KindPace> paces_;
  std::map<std::string, double> temperatures_;
  bool bend_ = false;  ///< whether rates of development need not be exponential in the temperature
};

/// Coefficients, covariates and probe covariates of the rows: an intercept, and each column in which any row says something.
void set_design(StadiaData& data, const std::vector<CovariateRow>& rows, const std::vector<CovariateRow>& probes);

}  // namespace moltspan
