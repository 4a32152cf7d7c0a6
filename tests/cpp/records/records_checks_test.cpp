#include "records/checks.hpp"

#include <gtest/gtest.h>

#include "records_example.hpp"

namespace moltspan {
namespace {

/// Rows of A1 and the row that the one doubt names; 0 = no doubt.
struct DoubtfulRows {
  const char* what;
  std::string rows;
  std::int64_t row;
};

void PrintTo(const DoubtfulRows& rows, std::ostream* stream) { *stream << rows.what; }

class RecordsDoubts : public testing::TestWithParam<DoubtfulRows> {};

TEST_P(RecordsDoubts, AreSaidAndSetNobodyAside) {
  const Collection c = example(GetParam().rows);
  EXPECT_FALSE(c.has_faults()) << listing(c);
  EXPECT_TRUE(set_aside(c).empty());
  if (GetParam().row == 0) {
    EXPECT_TRUE(c.problems.empty()) << listing(c);
  } else {
    ASSERT_EQ(c.problems.size(), 1u) << listing(c);
    EXPECT_EQ(c.problems[0].row, GetParam().row) << listing(c);
    EXPECT_EQ(c.problems[0].animal, "A1");
    EXPECT_FALSE(c.problems[0].next_step.empty());
  }
}

std::string molts(std::initializer_list<const char*> days) {
  std::string rows;
  for (const char* day : days) rows += std::string("A1,") + day + ",,molt,,,,\n";
  return rows;
}

INSTANTIATE_TEST_SUITE_P(
    Rows, RecordsDoubts,
    testing::Values(
        DoubtfulRows{"overlapping ranges without numbers",
                     "A1,2025-01-01,2025-01-09,molt,,,,\nA1,2025-01-05,2025-01-12,molt,,,,\n", 3},
        DoubtfulRows{"overlapping ranges with one number",
                     "A1,2025-01-01,2025-01-09,molt,5,,,\nA1,2025-01-05,2025-01-12,molt,5,,,\n", 3},
        DoubtfulRows{"overlapping ranges with rising numbers are two molts",
                     "A1,2025-01-01,2025-01-09,molt,5,,,\nA1,2025-01-05,2025-01-12,molt,6,,,\n", 0},
        DoubtfulRows{"a skin found after a molt seen is that molt",
                     "A1,2025-01-01,,checked,,,,\nA1,2025-01-05,,molt,,,,\n"
                     "A1,2025-01-05,,skin_found,,,,\n",
                     0},
        DoubtfulRows{"smaller within an instar", "A1,2025-01-01,,leg_span,50,mm,,\nA1,2025-02-01,,leg_span,49,mm,,\n",
                     3},
        DoubtfulRows{"smaller after a molt",
                     "A1,2025-01-01,,leg_span,50,mm,,\nA1,2025-01-10,,molt,,,,\n"
                     "A1,2025-02-01,,leg_span,49,mm,,\n",
                     0},
        DoubtfulRows{"lighter within an instar", "A1,2025-01-01,,mass,5,g,,\nA1,2025-02-01,,mass,4,g,,\n", 0},
        DoubtfulRows{"smaller skin of the instar that ended",
                     "A1,2025-01-01,,carapace_length,12,mm,,\nA1,2025-01-10,,molt,,,,\n"
                     "A1,2025-01-10,,carapace_length,12,mm,skin,\n",
                     0},
        DoubtfulRows{"growth of 2.0 in a molt",
                     "A1,2025-01-01,,leg_span,20,mm,,\nA1,2025-01-10,,molt,,,,\n"
                     "A1,2025-02-01,,leg_span,40,mm,,\n",
                     4},
        DoubtfulRows{"growth of 1.9 in a molt",
                     "A1,2025-01-01,,leg_span,20,mm,,\nA1,2025-01-10,,molt,,,,\n"
                     "A1,2025-02-01,,leg_span,38,mm,,\n",
                     0},
        DoubtfulRows{"growth of 3 in two molts",
                     "A1,2025-01-01,,leg_span,20,mm,,\nA1,2025-01-10,,molt,,,,\n"
                     "A1,2025-02-10,,molt,,,,\nA1,2025-03-01,,leg_span,60,mm,,\n",
                     0},
        DoubtfulRows{"mass of 5 times in a molt is 1.7 times as long",
                     "A1,2025-01-01,,mass,1,g,,\nA1,2025-01-10,,molt,,,,\n"
                     "A1,2025-02-01,,mass,5,g,,\n",
                     0},
        DoubtfulRows{"a stadium of five times its neighbours",
                     molts({"2024-02-01", "2024-03-01", "2024-07-24", "2024-08-22"}), 4},
        DoubtfulRows{"a stadium of three times its neighbours",
                     molts({"2024-02-01", "2024-03-01", "2024-05-27", "2024-06-25"}), 0},
        // The second stadium may have lasted 1 to 139 days, so the first, of 31 to 171, is not long beside it.
        DoubtfulRows{"two molts within one range of days, told apart by number",
                     "A1,2025-10-01,,molt,4,,,\nA1,2025-11-02,2026-03-20,molt,5,,,\n"
                     "A1,2025-11-02,2026-03-20,molt,6,,,\n",
                     0},
        DoubtfulRows{"sex changed twice",
                     "A1,2024-02-01,,sex,female,,,\nA1,2024-03-01,,sex,male,,,\nA1,2024-04-01,,sex,f,,,\n", 4},
        DoubtfulRows{"sex changed once",
                     "A1,2024-02-01,,sex,female,,,\nA1,2024-03-01,,sex,?,,,\nA1,2024-04-01,,sex,m,,,\n", 0},
        DoubtfulRows{"leg span eleven times the carapace",
                     "A1,2025-01-01,,carapace_length,10,mm,,\nA1,2025-01-02,,leg_span,110,mm,,\n", 3},
        DoubtfulRows{"leg span six times the carapace",
                     "A1,2025-01-01,,carapace_length,10,mm,,\nA1,2025-01-02,,leg_span,60,mm,,\n", 0},
        DoubtfulRows{"a carapace on the day of a molt",
                     "A1,2025-01-01,2025-01-04,molt,,,,\nA1,2025-01-04,,carapace_width,9,mm,,\n", 3},
        DoubtfulRows{"a carapace on the day of a molt, said on what",
                     "A1,2025-01-01,2025-01-04,molt,,,,\nA1,2025-01-04,,carapace_width,9,mm,animal,\n", 0},
        DoubtfulRows{"volume alone", "A1,2025-01-01,,enclosure,10 gal,,,\n", 2},
        DoubtfulRows{"written twice", "A1,2025-01-01,,molt,,,,seen\nA1,2025-01-01,,molt,,,,seen\n", 3},
        DoubtfulRows{"a meal after death", "A1,2025-01-01,,died,,,,\nA1,2025-01-02,,ate,,,,\n", 3},
        DoubtfulRows{"two deaths", "A1,2025-01-01,,died,,,,\nA1,2025-01-02,,died,,,,\n", 3}));

TEST(RecordsDoubts, DatesAfterTodayOnlyWhereTodayIsSaid) {
  const std::string rows = "A1,2026-01-05,2026-01-11,molt,,,,\n";
  EXPECT_TRUE(example(rows).problems.empty());
  EXPECT_EQ(make_collection(example_raw(rows), day_from_civil(2026, 1, 11)).problems.size(), 0u);
  const Collection c = make_collection(example_raw(rows), day_from_civil(2026, 1, 10));
  ASSERT_EQ(c.problems.size(), 1u) << listing(c);
  EXPECT_EQ(c.problems[0].severity, Severity::doubt);
  EXPECT_EQ(c.problems[0].column, "until");
}

TEST(RecordsDoubts, TaxaThatDifferByALetter) {
  const auto doubts = [](const std::string& a, const std::string& b) {
    return example("", "animal,taxon\nA1," + a + "\nA2," + a + "\nA3," + b + "\n").problems.size();
  };
  EXPECT_EQ(doubts("Lasiodora parahybana", "Lasiodora parahibana"), 1u);
  EXPECT_EQ(doubts("Lasiodora parahybana", "Lasiodora parahyban"), 1u);
  EXPECT_EQ(doubts("Lasiodora parahybana", "lasiodora parahybana"), 1u);
  EXPECT_EQ(doubts("Lasiodora parahybana", "Lasiodora  parahybana"), 0u) << "blanks are made single";
  EXPECT_EQ(doubts("Lasiodora parahybana", "Lasiodora klugi"), 0u);
  EXPECT_EQ(doubts("Damon sp. 1", "Damon sp. 2"), 0u) << "numbers tell kinds apart";
  const Collection c = example("", "animal,taxon\nA1,Damon diadema\nA2,Damon diadema\nA3,Damon diadem\n");
  EXPECT_EQ(c.problems.at(0).animal, "A3") << "the rarer spelling is named";
  EXPECT_EQ(doubts("Brachypelma hamorii", "B. hamorii"), 1u) << "the genus cut short";
  EXPECT_EQ(doubts("Brachypelma hamorii", "B.hamorii"), 1u);
  EXPECT_EQ(doubts("Brachypelma hamorii", "B. emilia"), 0u);
  EXPECT_EQ(doubts("Lasiodora hamorii", "B. hamorii"), 0u);
  EXPECT_EQ(doubts("B. hamorii", "B."), 0u);
}

TEST(RecordsDoubts, AnIdThatIsACohortTooIsTakenForTheAnimal) {
  const Collection c = example("sac,2026-01-05,,ate,,,,\n", "animal,cohort\nsac,\nA2,sac\n");
  ASSERT_EQ(c.problems.size(), 1u) << listing(c);
  EXPECT_EQ(c.problems[0].row, 2);
  ASSERT_EQ(c.entries.size(), 1u);
  EXPECT_EQ(c.entries[0].animal, 0);
}

TEST(RecordsDoubts, AColumnThatIsAlmostOurs) {
  const Collection c = example("", "animal,taxom,shelf\nA1,Damon diadema,3\n");
  ASSERT_EQ(c.problems.size(), 1u) << listing(c);
  EXPECT_EQ(c.problems[0].column, "taxom");
}

}  // namespace
}  // namespace moltspan
