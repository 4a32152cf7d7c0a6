#pragma once

#include <array>
#include <optional>
#include <string_view>
#include <utility>
#include <vector>

#include "moltspan/records/records.hpp"
#include "moltspan/stadia/stadia.hpp"

/// @file
/// Signs of a coming molt: what they are worth is learned from closed stadia.
///
/// With the molt on day x and the lag L of the first sign before it log-normal (density g, distribution function G, its
/// median growing as leg span to a power), q the chance that the sign is noted and lambda the rate of false alarms:
///   first sign on day s:   q g(x - s) + lambda (1 - q + q G(x - s)),
///   none from b until e:   1 - q + q G(x - e),
/// each with q (1 - G(x - b)) for a sign that would have come before the watch began. Repeated signs are one. A meal
/// ends a refusal or a retreat (it was a false alarm) and weakens the other signs.
namespace moltspan {

enum class Sign { refused, darkened, sealed_in, sluggish, molt_mat };
inline constexpr int n_signs = 5;

/// The word of `journal.csv`.
std::string_view sign_name(Sign sign);

struct SignParameters {
  double noted = 0.5;         ///< q
  double alarms_per_day = 0;  ///< lambda
  double lag_days = 7;        ///< median at a leg span of 20 mm
  double lag_log_sd = 0.6;    ///< of log lag
  double lag_exponent = 0;    ///< of leg span
  double median_lag_days(double log_size) const;
};

/// One sign as learned from a collection.
struct SignModel {
  Sign sign = Sign::refused;
  bool recorded = false;                                  ///< any such row in the collection
  bool absence_counts = false;                            ///< closed stadia show that it gets recorded
  int closed = 0, shown = 0;                              ///< closed stadia used, and those with the sign
  SignParameters center;                                  ///< posterior mode
  std::vector<std::pair<double, SignParameters>> points;  ///< weights adding up to 1: the posterior
};

using SignModels = std::array<SignModel, n_signs>;

/// Rows of one animal that tell of a coming molt or against it; days with fraction, the middle of the day written.
struct SignTimeline {
  std::vector<std::pair<double, Sign>> signs;
  std::vector<double> meals, matings;
};

/// Rows used up to `as_of` and the end of the animal's record, one timeline an animal.
std::vector<SignTimeline> sign_timelines(const Collection& collection, const StadiaTable& table);

/// What one kind of sign shows in a window of days [from, until).
struct SignRecord {
  bool shown = false;
  double first_day = 0;  ///< of the sign that stands
  double from = 0, until = 0;
  int ended = 0;          ///< earlier ones that a meal ended
  double alarm_days = 0;  ///< days on which a false alarm would have been new
  double weight = 1;      ///< power of its evidence
};

SignRecord sign_record(const SignTimeline& timeline, Sign sign, double from, double until);

/// Likelihood of a record given the day of the molt, up to factors that do not depend on it; `alarm_factor` multiplies
/// the rate of false alarms. With `true_part` false: the part in which a shown sign is a false alarm.
double sign_likelihood(const SignRecord& record, const SignParameters& parameters, double log_size, double molt_day,
                       double alarm_factor = 1, bool true_part = true);

/// Factor of false alarms of a sign in this animal's kind.
double sign_alarm_factor(Sign sign, const Animal& animal);

/// One closed stadium to learn from: `log_size` = log(leg span / 20 mm) within it.
struct SignStadium {
  int animal = 0;
  double from = 0;  ///< first day after its start from which it was watched
  DayRange end;     ///< of the molt
  double log_size = 0;
  double weight = 1;  ///< less where a molt may have gone unseen within it
};

/// Posterior mode and a few weighted points about it for each sign, from closed stadia (a share of a large collection)
/// and the priors of shared/priors.toml. Stadia that ended before the first such row of the collection are left out:
/// the sign was not written down then. Draws no random numbers.
SignModels fit_signs(const Collection& collection, const std::vector<SignTimeline>& timelines,
                     const std::vector<SignStadium>& closed);

/// Power with which each of several shown signs counts.
double sign_sharing(int n_shown);

}  // namespace moltspan
