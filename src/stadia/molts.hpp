#pragma once

#include <vector>

#include "moltspan/stadia/stadia.hpp"

/// Molts of one animal out of all that tells of them; inner part of `stadia`.
namespace moltspan::stadia_detail {

/// What is known of one animal by `as_of`: the rows in an order that does not depend on how they were written down.
struct KnownRows {
  const Collection* collection = nullptr;
  const Animal* animal = nullptr;
  Day as_of = 0;
  std::vector<const Entry*> entries;
};

struct FoundMolts {
  std::vector<Molt> molts;
  int matured_molt = -1;  ///< index into molts; -1: not matured
};

/// The rows of `animal` that are over by `as_of`.
KnownRows known_rows(const Collection& collection, const Animal& animal, std::vector<const Entry*> entries, Day as_of);

/// A date of `animals.csv`, where it is not later than `as_of`.
std::optional<Day> known_day(std::optional<Day> day, Day as_of);

/// Days on which the animal was seen and had not molted unnoticed, in order; build_stadia says what counts.
std::vector<Day> look_days(const KnownRows& known);

/// Joins all evidence of molts as build_stadia says; what had to be decided is added to `doubts`.
FoundMolts find_molts(const KnownRows& known, const std::vector<Day>& looks, std::vector<Problem>& doubts);

/// A doubt about one row of the journal (row 0: about a cell of `animals.csv`).
Problem doubt_about(const KnownRows& known, std::int64_t row, std::string column, std::string value, std::string rule,
                    std::string next_step);

}  // namespace moltspan::stadia_detail

namespace moltspan {

/// What follows maturity in an animal that is male with this chance; from .8 on and up to .2 it counts as sure. Unknown
/// where the sexes differ and the sex is not known.
AfterMaturity after_maturity_of(const Animal& animal, double male_chance);

/// Chance that it is of a sex that molts no more once mature; a kind of which nothing is known goes on.
double chance_to_stop(const Animal& animal, double male_chance);

}  // namespace moltspan
