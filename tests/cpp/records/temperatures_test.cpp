#include "moltspan/records/temperatures.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <chrono>

#include "moltspan/stadia/stadia.hpp"

namespace moltspan {
namespace {

constexpr const char* animals = "animal,taxon,place\nA,Brachypelma hamorii,Attic\nB,Brachypelma hamorii,\n";
constexpr const char* journal =
    "animal,date,event,value,unit\nA,2026-01-01,molt,,\nA,2026-03-02,molt,,\nB,2026-01-01,molt,,\nB,2026-03-02,molt,,\n"
    "A,2026-04-11,checked,,\n";

Day day(int year, unsigned month, unsigned of_month) {
  return static_cast<Day>(std::chrono::sys_days{std::chrono::year{year} / std::chrono::month{month} / std::chrono::day{of_month}}
                              .time_since_epoch()
                              .count());
}

Collection made(const std::string& temperatures, const std::string& more = "") {
  RawCollection raw;
  raw.animals = read_csv(animals, "animals.csv");
  raw.journal = read_csv(journal + more, "journal.csv");
  return make_collection(std::move(raw), read_csv(temperatures, "temperatures.csv"));
}

std::string daily(Day from, Day until, const std::string& place, double degrees_c) {
  std::string rows;
  for (Day d = from; d < until; ++d) rows += to_iso(d) + "," + place + "," + std::to_string(degrees_c) + "\n";
  return rows;
}

const Problem* about(const Collection& collection, const std::string& column, const std::string& part) {
  for (const Problem& problem : collection.problems)
    if (problem.column == column && problem.rule.find(part) != std::string::npos) return &problem;
  return nullptr;
}

TEST(Temperatures, ThePlaceOfAnAnimalThenEverywhere) {
  const Collection c = made("day,place,degrees_c\n" + daily(day(2026, 1, 1), day(2026, 3, 2), "attic", 30) +
                            daily(day(2026, 1, 1), day(2026, 3, 2), "", 20));
  const StadiaTable table = build_stadia(c);
  EXPECT_NEAR(table.stadia[0].temperature_c, 30, 1e-9);
  EXPECT_NEAR(table.stadia[2].temperature_c, 20, 1e-9);
  EXPECT_FALSE(c.has_faults());
}

// Law: the mean over the days lived, whatever the thinning; 30 cold and 30 warm days of a stadium make 25.
TEST(Temperatures, MeanOverTheDaysOfAStadium) {
  const Collection c = made("day,degrees_c\n" + [] {
    std::string rows;
    for (int k = 0; k < 60; ++k) rows += to_iso(day(2026, 1, 1) + k) + "," + (k < 30 ? "20" : "30") + "\n";
    return rows;
  }());
  EXPECT_NEAR(build_stadia(c).stadia[0].temperature_c, 25, 0.1);
}

// Rows every ten days of a straight rise from 18 to 30 C: the mean of the days is that of the line.
TEST(Temperatures, ShortGapsAreStraightLinesLongOnesAreDoubted) {
  const Collection c = made("day,degrees_c\n2026-01-01,18\n2026-01-11,20\n2026-01-21,22\n2026-01-31,24\n2026-02-10,26\n2026-02-20,28\n2026-03-02,30\n");
  EXPECT_NEAR(build_stadia(c).stadia[0].temperature_c, 24, 0.15);
  EXPECT_EQ(about(c, "day", "gap"), nullptr);
  const Collection gap = made("day,degrees_c\n2026-01-01,18\n2026-01-20,20\n");
  ASSERT_NE(about(gap, "day", "gap"), nullptr);
  EXPECT_EQ(about(gap, "day", "gap")->value, "2026-01-01..2026-01-20");
}

// A row of the journal speaks for the 14 days before it, a range for its own; the series for all others.
TEST(Temperatures, TheJournalHasTheLastWord) {
  const std::string series = "day,degrees_c\n" + [] {
    std::string rows;
    for (int k = 0; k < 60; ++k) rows += to_iso(day(2026, 1, 1) + k) + ",20\n";
    return rows;
  }();
  const StadiaTable table = build_stadia(made(series, "A,2026-02-14,temperature,30,C\n"));
  EXPECT_NEAR(table.stadia[0].temperature_c, 20 + 10 * 14 / 60.0, 1e-9);
}

TEST(Temperatures, FaultsNameTheCell) {
  const Collection c = made("day,degrees_c\n2026-01-01,77\n2026-01-02,77 F\nsoon,20\n2026-01-04,warm\n2026-01-05,\n");
  const Problem* hot = about(c, "degrees_c", "from -20 to 60 C");
  ASSERT_NE(hot, nullptr);
  EXPECT_EQ(hot->file, "temperatures.csv");
  EXPECT_EQ(hot->row, 2);
  EXPECT_EQ(hot->value, "77");
  EXPECT_NE(hot->next_step.find("75 F"), std::string::npos);
  EXPECT_NE(about(c, "day", "a date such as"), nullptr);
  EXPECT_EQ(std::count_if(c.problems.begin(), c.problems.end(), [](const Problem& p) { return p.file == "temperatures.csv"; }), 4);
  for (const Animal& animal : c.animals) EXPECT_FALSE(animal.set_aside);
  EXPECT_NEAR(build_stadia(c).stadia[0].temperature_c, 25, 1e-9);
}

TEST(Temperatures, DoubledDaysAndUnknownPlacesAreDoubts) {
  const Collection c = made("day,place,degrees_c\n2026-01-01,cellar,20\n2026-01-01,cellar,22\n");
  EXPECT_NE(about(c, "day", "repeats a day"), nullptr);
  EXPECT_NE(about(c, "place", "these rows are not used"), nullptr);
  EXPECT_NE(about(c, "place", "no temperatures from there"), nullptr);
}

TEST(Temperatures, WhatIsToComeMovesNoDayAndIsNotLookedAtBefore) {
  const std::string past = "day,degrees_c\n2026-01-01,20\n2026-01-10,21\n", ahead = "2026-04-12,31\n2026-04-20,31\n";
  const Collection c = made(past + ahead), plain = made(past);
  EXPECT_EQ(c.last_recorded_day(), plain.last_recorded_day());
  const StadiaTable with = build_stadia(c), without = build_stadia(plain);
  ASSERT_EQ(with.stadia.size(), without.stadia.size());
  for (std::size_t i = 0; i < with.stadia.size(); ++i) EXPECT_EQ(with.animals[0].temperatures.size(), without.animals[0].temperatures.size());
}

}  // namespace
}  // namespace moltspan
