#pragma once

#include <Eigen/Core>
#include <map>
#include <utility>
#include <vector>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// Beta prior of the chance that a molt goes unrecorded, and the weight from which a gap is listed.
struct MissedMoltPrior {
  double a = 1, b = 20, listed = 0.2;
};
const MissedMoltPrior& missed_molt_prior();

/// Mean number of hidden molts.
double expected_hidden(const HiddenWeights& chances);

/// What readings of size before and after a gap say of molts hidden within it, and what stated instar numbers do.
///
/// The log size is a walk with steps of log_ratio +- ratio_log_sd a molt; the size before a gap is filtered from all
/// earlier readings, that after it from all later ones, the gaps among them counted with their present mean number of
/// molts. Given j hidden molts the jump has mean (j + 1) log_ratio and the variance of both ends plus (j + 1)
/// ratio_log_sd^2. There readings of one measure are used an animal, the one that most of its instars have; where there
/// are several, weights come from all of them (hidden_shares without lengths).
class SizeJumps {
 public:
  explicit SizeJumps(const CollectionFit& fit);

  /// Sets the usual jump to begin with, and the sizes since the last molt.
  void begin(HiddenFit& hidden) const;
  /// Filters all sizes at the present numbers of hidden molts.
  void filter(const HiddenFit& hidden);
  /// log (pi_j h_j) of a record; stated instar numbers leave one j only.
  HiddenWeights log_weights(Eigen::Index row, const HiddenWeights& chances, const HiddenFit& hidden) const;
  /// Gaps of an animal in the order of time, with the data rows of their lengths (-1 = none): the sizes that enclose
  /// them, and what is known of their numbers of molts.
  std::pair<HiddenAnimal, std::vector<Eigen::Index>> gaps(int animal, const HiddenFit& hidden) const;
  /// Whether instar numbers on both sides of a gap state how many molts it hides.
  bool states_hidden(Eigen::Index row) const { return stated_[row] >= 0; }
  /// Improves the usual jump and its spread from the rows given.
  void improve(const std::vector<Eigen::Index>& rows, HiddenFit& hidden) const;

 private:
  struct Track {
    std::vector<LogSize> read;                   ///< of the usual measure, by instar; variance 0 = none
    std::vector<std::vector<LogSize>> measures;  ///< the same of each measure in use, by instar and measure
    int leg_span = -1;                           ///< which of them; -1 = none
    std::vector<Eigen::Index> row_of_gap;        ///< of the gap after each instar; -1 = no record
  };
  /// log pi_j alone, sizes left aside.
  HiddenWeights log_chances(Eigen::Index row, const HiddenWeights& chances) const;
  static void read_all_measures(const AnimalHistory& animal, const std::map<double, double>& steps, Track& track);
  void filter_track(const Track& track, const HiddenFit& hidden);
  void weigh_by_all_measures(int animal, const HiddenFit& hidden);
  void set_shifts(std::size_t row, const HiddenFit& hidden, HiddenRecord& record) const;
  LogSize step(Eigen::Index row, const HiddenFit& hidden) const;

  /// What the size before and after a gap would take of a jump that another number of molts explains.
  struct Sides {
    double before = 0, after = 0;
  };

  const CollectionFit& fit_;
  std::vector<Track> tracks_;
  std::vector<int> stated_;  ///< hidden molts by stated instar numbers; -1 = not stated
  std::vector<char>
      odd_leg_span_;            ///< by record: it ends with the molt into maturity of a male, which changes leg spans
  std::vector<char> no_jump_;   ///< and leg spans are the usual measure: the jump is no evidence
  std::vector<LogSize> jumps_;  ///< by record; infinite variance = nothing known
  std::vector<HiddenWeights> by_all_measures_;  ///< log weights by record, where an animal has several; empty else
  std::vector<Sides> variances_;                ///< of the sizes that jumps_ compares
};

}  // namespace moltspan
