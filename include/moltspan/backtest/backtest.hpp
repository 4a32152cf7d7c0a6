#pragma once

#include <array>
#include <cmath>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "moltspan/calibration/calibration.hpp"
#include "moltspan/collection/fit.hpp"
#include "moltspan/score/score.hpp"

/// @file
/// How good forecasts would have been: on the user's own records, against the plain rules that people use.
///
/// **Rolling origin.** On each of several days the collection is fitted with nothing dated later, every animal with a
/// forecast and a row of its own in the journal by that day is forecast, and the records written later say what came:
/// the first molt that was not over on that day, as the range of days in which it happened; or no molt up to the last
/// day the animal was watched (or died, left), which is the open range after that day. So no animal is left out for
/// being slow.
///
/// **Scores** on continuous days from the beginning of the origin. The predictive distribution is taken from 106 of its
/// quantiles, linear between them.
/// - `covered`: predictive mass of the truth's range inside the band over that of the whole range; a range without mass
///   counts as 0.
/// - `crps_days` of min(T, c) at min(y, c): y the middle of the range, c the end of the animal's watch where no molt
/// was
///   seen, else none. As the mean quantile score over 100 levels.
/// - `off_days`: absolute error of the forecast's median, of min(median, c) against min(y, c).
/// - `pit`: distribution function at both ends of the range. `log_score`: -log of the range's mass, at least 1e-4.
///
/// **Rules.** Last stadium again; own mean; mean of the taxon's closed stadia; last stadium x 1.25; each from the
/// middle of the last molt's range, lengths between middles of ranges; a day that has passed already is taken as
/// tomorrow. A row that spans several molts by its stated instar numbers is no stadium of a rule. A rule names one day,
/// so like is compared with like: its absolute error with that of the forecast's median, on the same cases; standard
/// errors are clustered by animal.
///
/// **Kin as a distribution.** Closed stadia of the same taxon and stated instar, of the taxon where these are fewer than
/// three: log-normal with their mean and sd of log length (for a new one: sd x sqrt(1 + 1/n)), given the age reached.
/// Scored by CRPS and coverage beside the forecast, on the same cases.
///
/// **Classes.** Coverage, medians and scores by stated instar, by month of the origin and by taxon: errors of opposite
/// sign hide in the sum. Health is "bad" where coverage or the share below the median lies more than three clustered
/// standard errors off, or lies unevenly by class.
namespace moltspan {

enum class PlainRule { last_again, own_mean, taxon_mean, last_and_a_quarter };
inline constexpr int n_plain_rules = 4;
/// `last stadium again`, ...
std::string_view rule_name(PlainRule rule);

inline constexpr std::array<double, 3> backtest_levels = {0.5, 0.8, 0.95};

struct BacktestOptions {
  CollectionOptions fit;     ///< `fit.as_of`: the last day used at all
  std::vector<Day> origins;  ///< days to forecast from; empty = `n_origins` of them
  int n_origins = 8;         ///< evenly spread from the day with `first_closed` closed stadia on
  int first_closed = 5;
};

/// One forecast and what came.
struct BacktestCase {
  int animal = -1;
  std::string id, taxon;
  Day origin = 0;
  int own_stadia = 0;
  bool seen = false;                   ///< a molt was seen; else it was watched up to `low_days` without one
  double low_days = 0, high_days = 0;  ///< range of the truth; infinite high = no molt seen
  double median_days = 0;
  std::array<double, 3> from_days{}, to_days{}, covered{};
  Pit pit;
  double crps_days = 0, log_score = 0, off_days = 0;
  std::array<double, n_plain_rules> rule_days{}, rule_off_days{};  ///< NaN: the rule has no answer
  int instar = -1;                      ///< as stated for its last molt; -1 = not stated
  double kin_crps_days = std::nan("");  ///< of kin as a distribution; NaN = fewer than three lengths
  Pit kin_pit;
};

/// The whole forecast and kin as a distribution, on the cases in which both answer.
struct KinComparison {
  ClusteredMean forecast_crps_days, kin_crps_days, gain_days;  ///< gain = kin - forecast
  double gain_share = 0, gain_share_error = 0;                 ///< 1 - forecast / kin (delta)
  std::array<ClusteredMean, 3> kin_coverage;
};

enum class BacktestFactor { instar, month, kind };

/// What forecasts of one class were worth.
struct BacktestClass {
  CalibrationClass calibration;
  ClusteredMean crps_days, kin_crps_days;  ///< n = 0: none has an answer
};

/// Absolute errors of forecast (its median) and one rule, on the cases in which both answer.
struct RuleComparison {
  PlainRule rule{};
  ClusteredMean forecast_days, rule_days, gain_days;  ///< gain = rule - forecast
  double gain_share = 0, gain_share_error = 0;  ///< 1 - forecast / rule, with its clustered standard error (delta)
};

struct Backtest {
  BacktestOptions options;
  std::vector<Day> origins;
  std::vector<BacktestCase> cases;
  std::array<ClusteredMean, 3> coverage;
  ClusteredMean below_median;  ///< uniformised PIT under 1/2
  ClusteredMean crps_days, off_days;
  std::vector<RuleComparison> comparisons;  ///< one a rule with any case
  KinComparison kin;                        ///< n = 0: no case with three lengths of kin
  int n_seen = 0;
  std::vector<HealthNote> health;
};

/// A class for each stated instar, month of the origin or taxon, in order.
std::vector<BacktestClass> backtest_by(const Backtest& result, BacktestFactor factor);

/// Throws std::invalid_argument where no origin can be found or one lies outside the records.
Backtest backtest(std::shared_ptr<const Collection> collection, const BacktestOptions& options = {});

}  // namespace moltspan
