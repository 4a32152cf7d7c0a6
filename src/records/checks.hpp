#pragma once

#include <span>
#include <string>
#include <vector>

#include "moltspan/records/records.hpp"

namespace moltspan {

/// A later reading divided by an earlier one, per molt between them, above which a molt was missed or a size misread.
inline constexpr double largest_growth_ratio = 1.9;
/// A reading of a hard part after a molt divided by the one before it, below which one of them is doubted (assumption).
inline constexpr double least_growth_ratio = 0.8;
/// A stadium so many times its neighbours has probably lost a molt.
inline constexpr double longest_against_neighbours = 4;
/// Leg span over carapace length outside these is taken for a slip (assumption, no source).
inline constexpr double least_leg_span_over_carapace = 4, most_leg_span_over_carapace = 10;

/// A molt as the checks see it: rows that mean the same molt joined.
struct CheckedMolt {
  DayRange when;
  double instar = unknown_number;
  const Entry* entry = nullptr;
};

/// The entries of one animal, and where what is wrong with them goes.
struct Life {
  Animal& animal;
  std::span<const Entry> entries;
  const std::string& file;
  std::vector<Problem>& problems;
  std::vector<CheckedMolt> molts;  ///< by first day; filled by join_molts

  void fault(const Entry& entry, std::string column, std::string value, std::string rule, std::string next_step);
  void doubt(const Entry& entry, std::string column, std::string value, std::string rule, std::string next_step);
};

/// Days as messages print them: one, or two with `..` between.
std::string days_text(const DayRange& when);

bool is_molt(Event event);

/// Fills `molts` and doubts molts that seem to be written twice.
void join_molts(Life& life);
/// Molts after death or before hatching, instar numbers that fall, stadia far longer than their neighbours.
void check_order(Life& life);
/// Readings that shrink or leap, that do not fit each other, or whose instar is not clear.
void check_sizes(Life& life);

}  // namespace moltspan
