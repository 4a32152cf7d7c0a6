#pragma once

#include <array>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "moltspan/records/records.hpp"
#include "moltspan/stadia/stadia.hpp"

/// @file
/// What is known of groups and kinds before any record: sizes, paces, numbers of molts, each with its status.
namespace moltspan {

/// Status of a number that the records state.
inline constexpr std::string_view stated_in_records = "stated in the records";

/// A positive number with the sd of its logarithm and where it comes from; NaN = not known.
struct KindNumber {
  double value = unknown_number, log_sd = unknown_number;
  std::string status;  ///< "published: ...", "common practice, no source", "assumption", "from memory, not checked",
                       ///< "stated in the records"
  bool known() const { return value > 0; }
};

/// Facts of a kind: those of its group (`shared/kind_facts.toml`), of the kind where it is listed, and what the
/// records state of the animal, the later over the earlier.
struct KindFacts {
  std::string name;   ///< the kind or the group that the facts are of; blank = nothing is known
  std::string group;  ///< of shared/kinds.toml; blank = not known
  bool is_tarantula = false;
  SizeMeasure measure = SizeMeasure::leg_span;  ///< by which growth is told
  /// What one animal of the instar that `stadium_days` speaks of reads in each measure: mm, g; NaN = not known.
  std::array<double, 5> reference{unknown_number, unknown_number, unknown_number, unknown_number, unknown_number};
  KindNumber stadium_days;  ///< of that instar, at `stadium_c`
  double stadium_c = unknown_number;
  KindNumber exponent;                    ///< of size in log days
  KindNumber growth_ratio;                ///< size after a molt over that before it
  KindNumber adult_female, adult_male;    ///< size of a grown one in `measure`: mm, g
  KindNumber instars_female, instars_male;  ///< number of the last instar before the adult or the pupa
  KindNumber last_instar;  ///< length of that instar over what its size tells
  std::optional<SizeMeasure> box_measure;  ///< that the rules of boxes take for the leg span; none = no rule is known
  KindNumber premolt_share;               ///< from the last meal to the molt, as a share of the stadium
  AfterMaturity female = AfterMaturity::unknown, male = AfterMaturity::unknown;

  bool known() const { return !name.empty(); }
};

/// Facts of an animal. Where a kind is not known, only what the records state.
KindFacts facts_of(const Animal& animal);

/// All groups and kinds of the shipped table, in its order.
const std::vector<KindFacts>& shipped_kind_facts();

/// Size of a grown animal in a measure (mm, g): of females and of males. Where it is known in another measure only, by
/// the group's usual ratio of the two, with a log sd of .15 more (assumption). `adult_leg_span_mm` of the records counts
/// for both sexes.
struct AdultSize {
  KindNumber female, male;
  /// Of an animal that is male with this chance: mean and sd of the mixture on the log scale.
  KindNumber of(double male_chance) const;
};
AdultSize adult_size_prior(const Animal& animal, SizeMeasure measure);

/// Log of a reading in one measure over that in another of the same animal, by the group's reference (mass as its cube
/// root); NaN where the group has none of the two.
double log_measure_ratio(const KindFacts& facts, SizeMeasure of, SizeMeasure over);

}  // namespace moltspan
