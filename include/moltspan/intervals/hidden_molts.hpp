#pragma once

#include <array>
#include <limits>
#include <vector>

#include "moltspan/intervals/intervals.hpp"
#include "moltspan/stadium/gap.hpp"

/// @file
/// Molts that happened and are not in the records: the terms of stadium/gap.hpp for a law by name, and the share of each
/// number of them in the gaps of one animal.
namespace moltspan {

StadiaSum sum_of_stadia(Family family, int n, double log_sigma, double log_step);
StadiumTerm hidden_term(Family family, const StadiumBounds& bounds, double eta, double log_sigma, double extra_variance,
                        const HiddenWeights& log_weights, double log_step, Truncation truncation);

/// A log size with its variance; 0 = none was read.
struct LogSize {
  double mean = 0, variance = 0;
};

/// A gap between two molts of an animal, and what is known of it without any record of that animal.
struct HiddenRecord {
  bool timed = true;  ///< false: only its sizes tell
  StadiumBounds bounds;
  double mean = 0, variance = 0;     ///< of the predictor
  double extra_variance = 0;         ///< as in hidden_term
  HiddenWeights log_chances{};       ///< of each number of hidden molts, before length and sizes
  std::vector<LogSize> sizes_after;  ///< read after the molt that ends it, by measure; empty = none
  int odd_measure = -1;  ///< measure that the molt that ends it changes: its sizes on both sides do not compare
  /// Shift of the predictor with each number of hidden molts in this gap, and of the next gap's: sizes were reckoned
  /// with some other number.
  std::array<double, most_hidden + 1> shift{}, next_shift{};
};

/// The records of one animal in the order of time.
struct HiddenAnimal {
  std::vector<LogSize> first_sizes;  ///< before the first gap, by measure; empty = none
  std::vector<HiddenRecord> records;
};

/// Growth of the log size a molt.
struct UsualJump {
  double log_ratio = 0, log_sd = 0;
};

struct HiddenShares {
  std::vector<HiddenWeights> shares;                           ///< by record, adding up to 1
  double log_mean = -std::numeric_limits<double>::infinity();  ///< log of the likelihood of all records together
};

/// Chance of each number of hidden molts within each record of one animal, lengths and sizes of all its records taken
/// together. Predictors move together, mean + sqrt(variance) z with z standard normal, as it is the animal's pace that
/// is not known of them; z is summed over by the trapezoid rule, so that two explanations of an animal (slow, or with
/// molts missed) both count. The log size is a walk with steps of `jump`, the same in all measures (leg span, carapace,
/// ...), whose ratios to each other are an animal's own and unknown; numbers of hidden molts are enumerated from gap to
/// gap. Exact but for the grid and what is dropped: enumerations with less than 1e-6 of the chance of the likeliest,
/// and all beyond 128. Records that no number of molts allows at any z: no hidden molt, log_mean -inf.
HiddenShares hidden_shares(Family family, const HiddenAnimal& animal, double log_sigma, double log_step,
                           const UsualJump& jump);

/// A log size read on a day, with the variance of its error.
struct DatedSize {
  double day = 0, mean = 0, variance = 0;
};

/// What a fit found on molts that went unrecorded. Empty `chances`: not looked for.
struct HiddenFit {
  double missed_chance = 0;                ///< p, posterior mean
  double log_ratio = 0, ratio_log_sd = 0;  ///< of leg span a molt, as the jumps of this collection show
  double log_step = 0;
  std::vector<HiddenWeights> chances;  ///< of j hidden molts within each record, adding up to 1
  std::vector<double> sized_with;  ///< hidden molts of each record that the sizes of the fit reckon with; empty: none
  /// Readings since the last molt on record, by animal: within one instar sizes differ by errors alone.
  std::vector<std::vector<DatedSize>> last_sizes;
  bool used() const { return !chances.empty(); }
  double chance_of_any(std::size_t record) const { return 1 - chances[record][0]; }
};

/// Chance of a hidden molt from which a gap is listed (shared/priors.toml).
double hidden_listed();

}  // namespace moltspan
