#pragma once

#include <optional>
#include <string_view>
#include <unordered_map>
#include <vector>

#include "moltspan/records/records.hpp"

/// The steps of make_collection, in their order. Each reads `raw` and what the steps before it made.
namespace moltspan {

/// Columns of each table that have a meaning.
const std::vector<std::string_view>& animal_columns();
const std::vector<std::string_view>& journal_columns();

/// `animals`, with `taxa` joined.
void build_animals(Collection& collection, std::optional<Day> today);
/// `enclosures`: the keeper's own boxes.
void build_enclosures(Collection& collection);
/// `entries`, in order.
void build_journal(Collection& collection, std::optional<Day> today);
/// Faults and doubts that need more than one row: order of molts, sizes, sexes, stadia.
void check_sequences(Collection& collection);
/// Doubts on rows that stand alone far behind all others.
void check_last_dates(Collection& collection);
/// Doubts on whole tables: rows written twice, taxa that differ by a letter.
void check_tables(Collection& collection);

/// Whether a day lies after `today`; never where there is none.
bool is_future(Day day, std::optional<Day> today);

/// First of at most three days (one in twenty rows) that lie alone behind all others: by over 180 days and twice any other
/// gap between days of the journal, so that taking whole years off puts them among the others, and not within 30 days
/// of `today`. Assumptions of ours. None = the last days are sound.
std::optional<Day> first_lone_day(const Collection& collection);

/// Finds animals by id and by cohort.
class AnimalIndex {
 public:
  explicit AnimalIndex(const std::vector<Animal>& animals);
  int id(std::string_view text) const;                          ///< -1 where there is none
  const std::vector<int>* cohort(std::string_view text) const;  ///< null where there is none

 private:
  struct Hash : std::hash<std::string_view> {
    using is_transparent = void;
  };
  std::unordered_map<std::string, int, Hash, std::equal_to<>> ids_;
  std::unordered_map<std::string, std::vector<int>, Hash, std::equal_to<>> cohorts_;
};

}  // namespace moltspan
