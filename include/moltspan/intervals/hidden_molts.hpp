#pragma once

#include <array>
#include <limits>
#include <vector>

#include "moltspan/intervals/intervals.hpp"

/// Molts that happened and are not in the records.
///
/// A gap between two recorded molts with j unseen ones between them is the sum of j + 1 stadia. Given the animal's
/// predictor, stadium i of it has log-median eta + i x log_step, log_step = exponent of size x log growth ratio; the
/// sum is taken as log-normal with the same mean and variance (Fenton 1960, IRE Transactions on Communications Systems
/// 8:57), so that its log is eta + shift with a spread of its own, neither of which depends on eta. The term of a gap
/// is `log sum_j w_j f_(j+1)(gap)`, w_j = pi_j h_j: the chance of j unseen molts and the density of the jump in size
/// given them. With p the chance that a molt goes unrecorded, pi_j = (1 - p) p^j, and the last of them p^j. Under
/// another family the sums (not the single stadia) are log-normal, with the family's log mean and variance.
namespace moltspan {

inline constexpr int most_hidden = 2;

using HiddenWeights = std::array<double, most_hidden + 1>;  ///< log w_j; -inf = ruled out

/// Log of a sum of n stadia: its mean less eta, and its sd.
struct StadiaSum {
  double shift = 0, log_sd = 0;
};
StadiaSum sum_of_stadia(Family family, int n, double log_sigma, double log_step);

/// log pi_j at the chance p of a missed molt.
HiddenWeights hidden_chances(double p);

/// Log-likelihood of a record with hidden molts, with its derivatives in eta; those in log sigma are not filled. The
/// second one is exact but where, between two numbers of molts, it is positive: there it is no larger than it is
/// negative at a known number, as Laplace's determinant would else come near 0 and its approximation be worth nothing.
/// `extra_variance` of log T is the record's own (the error of its start size), shared by all stadia of the gap. Late
/// entry divides by the survival of the first stadium.
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
