#pragma once

#include <map>
#include <string>
#include <utility>
#include <vector>

#include "moltspan/backtest/backtest.hpp"

namespace moltspan {

/// Log lengths of the closed stadia of a day, by taxon and by stated instar.
class KinLengths {
 public:
  explicit KinLengths(const CollectionFit& fit);
  /// Scores of the law of kin for a case whose truth, taxon and instar stand; `age_days`: from the
  /// middle of its last molt to the origin.
  void score(BacktestCase& scored, double age_days) const;

 private:
  std::map<std::pair<std::string, int>, std::vector<double>> by_instar_;
  std::map<std::string, std::vector<double>> by_taxon_;
};

/// The comparison over all cases.
KinComparison compare_with_kin(const std::vector<BacktestCase>& cases);

/// Health of coverage and medians, over all and by class.
void note_backtest_calibration(Backtest& result);

/// Mean over cases, those with NaN left out.
template <typename Value>
ClusteredMean mean_over(const std::vector<BacktestCase>& cases, Value value) {
  std::vector<double> values;
  std::vector<int> animals;
  for (const BacktestCase& one : cases) {
    const double v = value(one);
    if (std::isnan(v)) continue;
    values.push_back(v);
    animals.push_back(one.animal);
  }
  return values.empty() ? ClusteredMean{} : clustered_mean(values, animals);
}

}  // namespace moltspan
