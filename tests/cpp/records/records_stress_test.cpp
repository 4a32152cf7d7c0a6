#include <gtest/gtest.h>

#include "records_example.hpp"

// Shapes that a careless check would need quadratic time or endless memory for. Nothing is timed here: such a check
// would take minutes to hours at this size and be seen. How fast it is stands in benchmarks/records_benchmark.cpp.
namespace moltspan {
namespace {

constexpr int many = 100'000;

std::string repeated(int times, const auto& row) {
  std::string text;
  for (int i = 0; i < times; ++i) text += row(i);
  return text;
}

std::string day(int i) { return to_iso(*day_from_civil(1800, 1, 1) + i); }

std::size_t rows_told(const Collection& collection) {
  std::vector<std::int64_t> rows;
  for (const Entry& entry : collection.entries) rows.push_back(entry.row);
  for (const Problem& problem : collection.problems) rows.push_back(problem.row);
  std::sort(rows.begin(), rows.end());
  return static_cast<std::size_t>(std::unique(rows.begin(), rows.end()) - rows.begin());
}

const std::string one_animal = "animal\nA1\n";

TEST(RecordsStress, ManyUnknownAnimals) {
  const Collection c =
      example(repeated(many, [](int i) { return std::string("Q") + std::to_string(i) + ",2026-01-01,,ate,,,,\n"; }));
  EXPECT_EQ(c.problems.size(), static_cast<std::size_t>(many));
}

TEST(RecordsStress, OneAnimalWithALongLife) {
  const Collection c = example(
      repeated(many,
               [](int i) { return std::string("A1,") + day(i) + (i % 2 ? ",,molt,,,,\n" : ",,leg_span,50,mm,,\n"); }),
      one_animal);
  EXPECT_TRUE(c.problems.empty()) << c.problems.size();
  EXPECT_EQ(c.entries.size(), static_cast<std::size_t>(many));
}

TEST(RecordsStress, MoltRangesThatAllOverlap) {
  const Collection c = example(repeated(many,
                                        [](int i) {
                                          return std::string("A1,") + day(i % 1000) + "," + day(many + i) +
                                                 ",molt,,,," + std::to_string(i) + "\n";
                                        }),
                               one_animal);
  EXPECT_EQ(rows_told(c), static_cast<std::size_t>(many));
}

TEST(RecordsStress, InstarNumbersInAnyOrder) {
  const Collection c = example(repeated(many,
                                        [](int i) {
                                          return std::string("A1,") + day(i) + "," + day(i + 3) + ",molt," +
                                                 std::to_string(i % 97) + ",,,\n";
                                        }),
                               one_animal);
  EXPECT_EQ(rows_told(c), static_cast<std::size_t>(many));
  EXPECT_TRUE(c.has_faults());
}

TEST(RecordsStress, ManyRowsThatSayTheSame) {
  const Collection c = example(repeated(many, [](int) { return "A1,2026-01-01,,ate,,,,\n"; }), one_animal);
  EXPECT_EQ(c.problems.size(), static_cast<std::size_t>(many - 1));
}

TEST(RecordsStress, ManyTaxaThatDifferInNumbers) {
  const Collection c =
      example("", "animal,taxon\n" + repeated(20'000, [](int i) {
                    return std::string("A") + std::to_string(i) + ",Damon sp. " + std::to_string(i) + "\n";
                  }));
  EXPECT_TRUE(c.problems.empty());
  EXPECT_EQ(c.animals.size(), 20'000u);
}

TEST(RecordsStress, ALargeCohort) {
  const Collection c = example(
      repeated(200, [](int i) { return std::string("sac,") + day(i) + ",,ate,,,,\n"; }),
      "animal,cohort\n" + repeated(1000, [](int i) { return std::string("A") + std::to_string(i) + ",sac\n"; }));
  EXPECT_EQ(c.entries.size(), 200'000u);
}

}  // namespace
}  // namespace moltspan
