#include "moltspan/records/records.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "records_example.hpp"

namespace moltspan {
namespace {

using Ids = std::vector<std::string>;

TEST(Records, CleanRowsGiveEntriesInOrderAndNoProblem) {
  const Collection c = example(
      "B2,2026-01-05,,ate,2 crickets,,,fine\n"
      "A1,2026-03-01,2026-03-04,moult,7,,,\n"
      "A1,2026-02-01,,leg span,5.5,cm,,\"a note, with comma\"\n");
  EXPECT_TRUE(c.problems.empty()) << listing(c);
  ASSERT_EQ(c.entries.size(), 3u);
  const Entry& reading = c.entries[0];
  EXPECT_EQ(reading.animal, 0);
  EXPECT_EQ(reading.event, Event::leg_span);
  EXPECT_DOUBLE_EQ(reading.value, 55);
  EXPECT_DOUBLE_EQ(reading.step, 10);
  EXPECT_EQ(reading.note, "a note, with comma");
  EXPECT_EQ(reading.row, 4);
  const Entry& molt = c.entries[1];
  EXPECT_EQ(molt.event, Event::molt);
  EXPECT_EQ(molt.value, 7);
  EXPECT_EQ(molt.when, (DayRange{*day_from_civil(2026, 3, 1), *day_from_civil(2026, 3, 4)}));
  EXPECT_EQ(c.entries[2].text, "2 crickets");
  EXPECT_EQ(c.last_recorded_day(), day_from_civil(2026, 3, 4));
}

/// One faulty journal row of A1 each, and the column that its fault names.
struct FaultyRow {
  const char* row;
  const char* column;
};

class RecordsFaults : public testing::TestWithParam<FaultyRow> {};

TEST_P(RecordsFaults, NamesTheRowAndSetsItsAnimalAside) {
  const Collection c = example(std::string("B2,2026-01-05,,ate,,,,\n") + GetParam().row + "\n");
  const auto faults = of_severity(c, Severity::fault);
  ASSERT_EQ(faults.size(), 1u) << listing(c);
  EXPECT_EQ(faults[0].file, "journal.csv");
  EXPECT_EQ(faults[0].row, 3);
  EXPECT_EQ(faults[0].animal, "A1");
  EXPECT_EQ(faults[0].column, GetParam().column) << listing(c);
  EXPECT_FALSE(faults[0].rule.empty());
  EXPECT_FALSE(faults[0].next_step.empty());
  EXPECT_EQ(set_aside(c), Ids{"A1"});
  EXPECT_EQ(c.entries.size(), 1u + (std::string(GetParam().column) == "date" && faults[0].rule.starts_with("no molt")));
}

INSTANTIATE_TEST_SUITE_P(
    Rows, RecordsFaults,
    testing::Values(
        FaultyRow{"A1,2026-02-30,,ate,,,,", "date"}, FaultyRow{"A1,03/04/2026,,ate,,,,", "date"},
        FaultyRow{"A1,3.4.26,,ate,,,,", "date"}, FaultyRow{"A1,,,ate,,,,", "date"},
        FaultyRow{"A1,spring,,ate,,,,", "date"}, FaultyRow{"A1,2026-02-03,2026-02-01,molt,,,,", "until"},
        FaultyRow{"A1,2026-02-03,soon,molt,,,,", "until"}, FaultyRow{"A1,2026-02-03,,mollt,,,,", "event"},
        FaultyRow{"A1,2026-02-03,,,,,,", "event"}, FaultyRow{"A1,2026-02-03,,leg_span,-5,cm,,", "value"},
        FaultyRow{"A1,2026-02-03,,leg_span,0,cm,,", "value"}, FaultyRow{"A1,2026-02-03,,leg_span,41,cm,,", "value"},
        FaultyRow{"A1,2026-02-03,,carapace_length,151,mm,,", "value"},
        FaultyRow{"A1,2026-02-03,,mass,2001,g,,", "value"}, FaultyRow{"A1,2026-02-03,,leg_span,five,cm,,", "value"},
        FaultyRow{"A1,2026-02-03,,leg_span,,cm,,", "value"},
        FaultyRow{"A1,2026-02-03,,leg_span,\"1,234\",mm,,", "value"}, FaultyRow{"A1,2026-02-03,,leg_span,5,,,", "unit"},
        FaultyRow{"A1,2026-02-03,,leg_span,5,ell,,", "unit"}, FaultyRow{"A1,2026-02-03,,leg_span,5,g,,", "unit"},
        FaultyRow{"A1,2026-02-03,,leg_span,5cm,mm,,", "unit"}, FaultyRow{"A1,2026-02-03,,leg_span,5,cm,paper,", "on"},
        FaultyRow{"A1,2026-02-03,,temperature,25,K,,", "unit"},
        FaultyRow{"A1,2026-02-03,,temperature,250,C,,", "value"}, FaultyRow{"A1,2026-02-03,,molt,5cm,,,", "value"},
        FaultyRow{"A1,2026-02-03,,molt,5.5,,,", "value"}, FaultyRow{"A1,2026-02-03,,molt,-1,,,", "value"},
        FaultyRow{"A1,2026-02-03,,unfit,ugly,,,", "value"}, FaultyRow{"A1,2026-02-03,,habit,swimming,,,", "value"},
        FaultyRow{"A1,2026-02-03,,sex,1.0,,,", "value"}, FaultyRow{"A1,2026-02-03,,setup,,,,", "value"},
        FaultyRow{"A1,2026-02-03,,enclosure,box,,,", "value"},
        FaultyRow{"A1,2026-02-03,,enclosure,20x20x20,,,", "unit"}, FaultyRow{"A1,2023-12-31,,molt,,,,", "date"},
        FaultyRow{"A1,2026-02-03", "event"}, FaultyRow{"A1,2026-02-03,,leg_span", "value"},
        FaultyRow{"A1,2026-02-03,,leg_span,5", "unit"}, FaultyRow{"A1,2026-02-03,,ate,,,,,extra", ""},
        FaultyRow{"A1,2026-02-03,,ate,,,,\"open", ""}));

TEST(Records, ARowMayEndWhereOnlyBlankCellsWouldFollow) {
  const auto* animals = "animal,taxon,sex,hatched\nA1,Lasiodora parahybana\nB2\n";
  const Collection c = example("A1,2026-02-03,,leg_span,5,cm\nB2,2026-02-04,,molt\n", animals);
  EXPECT_TRUE(c.problems.empty()) << listing(c);
  ASSERT_EQ(c.entries.size(), 2u);
  EXPECT_EQ(c.entries[0].value, 50.);
  EXPECT_EQ(c.animals[0].taxon, "Lasiodora parahybana");
}

TEST(Records, AllFaultsAreReportedAtOnce) {
  const Collection c =
      example("A1,2026-02-30,2026-13-01,leg_span,five,cm,paper,\nB2,2026-01-05,,eet,,,,\nS1,x,,ate,,,,\n");
  EXPECT_EQ(of_severity(c, Severity::fault).size(), 6u) << listing(c);
  EXPECT_EQ(set_aside(c), (Ids{"A1", "B2", "S1"}));
}

TEST(Records, AnUnknownEventNamesTheNearest) {
  const Collection c = example("A1,2026-02-03,,carapce length,5,mm,,\n");
  ASSERT_EQ(c.problems.size(), 1u);
  EXPECT_NE(c.problems[0].next_step.find("'carapace_length'"), std::string::npos) << listing(c);
}

TEST(Records, AnUnknownAnimalSetsNobodyAside) {
  const Collection c = example("A2,2026-01-05,,ate,,,,\nA1 A7 B2,2026-01-06,,ate,,,,\n,2026-01-07,,ate,,,,\n");
  EXPECT_EQ(of_severity(c, Severity::fault).size(), 3u) << listing(c);
  EXPECT_TRUE(set_aside(c).empty());
  EXPECT_EQ(c.entries.size(), 2u) << "A1 and B2 of the second row";
  EXPECT_NE(c.problems[0].next_step.find("'A1'"), std::string::npos) << "the nearest id";
}

TEST(Records, SeveralAnimalsAndCohortsInARow) {
  const Collection c =
      example("A1 B2,2026-01-05,,ate,,,,\nsac,2026-01-06,,refused,,,,\n\"sac, A1 S1\",2026-01-07,,fed,,,,\n");
  EXPECT_TRUE(c.problems.empty()) << listing(c);
  EXPECT_EQ(c.entries.size(), 2u + 2u + 3u);
  const Collection faulty = example("sac,2026-01-06,,eat up,,,,\nA1 B2,x,,ate,,,,\n");
  EXPECT_EQ(set_aside(faulty), (Ids{"A1", "B2", "S1", "S2"}));
}

TEST(Records, AnIdMayHoldBlanks) {
  const Collection c = example("Big Bertha,2026-01-05,,ate,,,,\n", "animal\nBig Bertha\nBig\n");
  EXPECT_TRUE(c.problems.empty()) << listing(c);
  ASSERT_EQ(c.entries.size(), 1u);
  EXPECT_EQ(c.entries[0].animal, 0);
}

TEST(Records, ACohortRowCountsForThoseStillThere) {
  const Collection c = example("S1,2026-01-05,,died,,,,\nsac,2026-01-06,,ate,,,,\nsac,2026-01-05,,checked,,,,\n");
  EXPECT_TRUE(c.problems.empty()) << listing(c);
  EXPECT_EQ(c.entries.size(), 4u);
  const Collection none = example("sac,2026-01-05,,left,,,,\nsac,2026-01-06,,ate,,,,\n");
  ASSERT_EQ(none.problems.size(), 1u) << listing(none);
  EXPECT_EQ(none.problems[0].row, 3);
}

TEST(Records, NoMoltAfterDeath) {
  const Collection c = example("A1,2026-01-05,,died,,,,\nA1,2026-01-06,,molt,,,,\nA1,2026-01-05,,leg_span,5,cm,,\n");
  ASSERT_EQ(of_severity(c, Severity::fault).size(), 1u) << listing(c);
  EXPECT_EQ(c.problems[0].row, 3);
  EXPECT_TRUE(example("A1,2026-01-05,,died,,,,\nA1,2026-01-01,2026-01-09,molt,,,,\n").problems.empty())
      << "it may have molted before";
}

TEST(Records, InstarNumbersThatFallAreAFault) {
  EXPECT_EQ(set_aside(example("A1,2025-01-05,,molt,5,,,\nA1,2025-06-05,,molt,4,,,\n")), Ids{"A1"});
  EXPECT_TRUE(example("A1,2025-01-05,,molt,5,,,\nA1,2025-06-05,,molt,6,,,\n").problems.empty());
  EXPECT_TRUE(example("A1,2025-01-01,2025-01-20,molt,5,,,\nA1,2025-01-05,,molt,4,,,\n").problems.empty())
      << "the ranges overlap: 4 may have come first";
  EXPECT_EQ(example("A1,2025-01-05,,molt,5,,,\nA1,2025-06-05,,molt,5,,,\n").problems.at(0).severity, Severity::doubt);
}

TEST(Records, AFaultInTheTableOfAnimals) {
  const Collection c =
      example("A1,2026-01-05,,ate,,,,\n",
              "animal,sex,hatched,matured,died,habit\nA1,boy,,,,\nA2,,2026-02-30,,,\nA3,,2026-02-01,2026-01-01,,\n"
              "A4,,,,,tree\nA5,,,,,\nA5,,,,,\n,female,,,,\nA6,,,,,arboreal\n,,,,,\n");
  EXPECT_EQ(of_severity(c, Severity::fault).size(), 6u) << listing(c);
  EXPECT_EQ(set_aside(c), (Ids{"A1", "A2", "A3", "A4", "A5"}));
  EXPECT_EQ(c.animals.size(), 6u);
}

TEST(Records, AMissingColumnIsAFault) {
  const Collection no_event = make_collection(
      {read_csv("animal\nA1\n", "animals.csv"), read_csv("animal,date\nA1,2026-01-01\n", "journal.csv"), {}, {}, {}});
  ASSERT_EQ(no_event.problems.size(), 1u);
  EXPECT_EQ(no_event.problems[0].column, "event");
  EXPECT_EQ(set_aside(no_event), Ids{"A1"}) << "no row of it was read";
  const Collection no_animal = make_collection({read_csv("name\nA1\n", "animals.csv"),
                                                read_csv("animal,date,event\nA1,2026-01-01,ate\n", "journal.csv"),
                                                {},
                                                {},
                                                {}});
  EXPECT_EQ(no_animal.problems.size(), 2u) << listing(no_animal);
}

TEST(Records, ColumnsThatDifferInLengthAreABadArgument) {
  RawCollection raw = example_raw("A1,2026-01-05,,ate,,,,\n");
  raw.journal.cells[2].pop_back();
  EXPECT_THROW(make_collection(raw), std::invalid_argument);
}

TEST(Records, TheFolderStatesOrderUnitsAndWords) {
  const std::string rules =
      "date_order = \"day_first\"\n[units]\nlength = \"cm\"\nmass = \"mg\"\n[columns]\n\"Spider\" = \"animal\"\n"
      "[events]\n\"Häutung\" = \"molt\"\n\"fed\" = \"ate\"\n";
  const Collection c =
      example("A1,03/04/2026,,Häutung,,,,\nA1,04/04/2026,,fed,,,,\nA1,05/04/2026,,leg_span,5,,,\nA1,,,,,,,\n",
              "Spider\nA1\n", rules);
  ASSERT_EQ(c.problems.size(), 2u) << listing(c);  // no date, no event in the last row
  EXPECT_EQ(c.entries[0].event, Event::molt);
  EXPECT_EQ(c.entries[0].when.earliest, day_from_civil(2026, 4, 3));
  EXPECT_EQ(c.entries[1].event, Event::ate);
  EXPECT_DOUBLE_EQ(c.entries[2].value, 50);
}

TEST(Records, FolderRulesThatCannotBeReadNameTheirLine) {
  for (const auto* text :
       {"date_order = \"whenever\"", "\n\nunits = 5", "x = 1", "[units]\nlength = \"ell\"",
        "[events]\neats = \"eeting\"", "[columns]\na = \"animaal\"", "date_order = ", "[units]\nwidth = \"cm\"",
        "keep_forecasts = \"yes\""}) {
    try {
      read_folder_rules(text, "folder.toml");
      ADD_FAILURE() << text;
    } catch (const std::runtime_error& error) {
      EXPECT_TRUE(std::string_view(error.what()).starts_with("folder.toml, line ")) << error.what();
    }
  }
}

TEST(Records, WhetherForecastsAreKeptMayBeSaid) {
  EXPECT_NO_THROW(read_folder_rules("keep_forecasts = true\n", "folder.toml"));
  EXPECT_NO_THROW(read_folder_rules("keep_forecasts = false\n[units]\nlength = \"cm\"\n", "folder.toml"));
}

TEST(Records, TheTaxonFillsWhatTheAnimalLeavesBlank) {
  RawCollection raw = example_raw(
      "", "animal,taxon,habit,adult_leg_span_mm\nA1,Damon diadema,,\nA2,Damon  diadema,fossorial,\nA3,,,\n");
  raw.taxa = read_csv(
      "taxon,habit,world,hazard,adult_leg_span_mm,pace,after_maturity,temperature_c\n"
      "Damon diadema,arboreal,old,fast irritant_spray,180,slow,female goes_on; male stops,\"24,5\"\n",
      "taxa.csv");
  const Collection c = make_collection(raw);
  EXPECT_TRUE(c.problems.empty()) << listing(c);
  EXPECT_EQ(c.animals[0].habit, Habit::arboreal);
  EXPECT_EQ(c.animals[1].habit, Habit::fossorial);
  EXPECT_EQ(c.animals[2].habit, Habit::unknown);
  EXPECT_EQ(c.animals[1].adult_leg_span_mm, 180);
  EXPECT_EQ(c.animals[0].genus, "Damon");
  EXPECT_EQ(c.animals[0].world, World::old_world);
  EXPECT_TRUE(c.animals[0].hazards.fast && c.animals[0].hazards.irritant_spray && !c.animals[0].hazards.systemic_venom);
  EXPECT_EQ(c.animals[0].after_maturity_female, AfterMaturity::goes_on);
  EXPECT_EQ(c.animals[0].after_maturity_male, AfterMaturity::stops);
  EXPECT_DOUBLE_EQ(c.animals[0].temperature_c, 24.5);
}

TEST(Records, AFaultInATaxonSetsAsideThoseThatNeedIt) {
  RawCollection raw =
      example_raw("", "animal,taxon,habit\nA1,Damon diadema,\nA2,Damon diadema,fossorial\nA3,Damon medius,\n");
  raw.taxa = read_csv("taxon,habit\nDamon diadema,walls\nDamon medius,arboreal\n", "taxa.csv");
  const Collection c = make_collection(raw);
  EXPECT_EQ(set_aside(c), Ids{"A1"}) << listing(c);
}

TEST(Records, OwnBoxesByName) {
  RawCollection raw = example_raw("A1,2026-01-05,,enclosure,Glass cube,,,\nB2,2026-01-05,,enclosure,tub,,,\n");
  raw.enclosures = read_csv(
      "name,w,d,h,diameter,unit,count\nglass cube,20,20,30,,cm,2\ntub,,,9,11,cm,\nbad,20,,9,,cm,1\n", "enclosures.csv");
  const Collection c = make_collection(raw);
  ASSERT_EQ(c.problems.size(), 1u) << listing(c);
  EXPECT_EQ(c.problems[0].file, "enclosures.csv");
  ASSERT_EQ(c.enclosures.size(), 2u);
  EXPECT_EQ(c.enclosures[0].count, 2);
  EXPECT_EQ(c.enclosures[1].count, 1);
  EXPECT_TRUE(c.enclosures[1].size.round);
  ASSERT_TRUE(c.entries[0].enclosure);
  EXPECT_EQ(c.entries[0].enclosure->h_mm, 300);
  EXPECT_EQ(c.entries[0].enclosure->name, "glass cube");
  EXPECT_EQ(c.entries[1].enclosure->w_mm, 110);
}

TEST(Records, TheOrderOfRowsDoesNotMatter) {
  const std::string a = "A1,2025-01-05,,molt,5,,,\n", b = "B2,2025-01-02,,ate,,,,\n",
                    d = "A1,2025-01-06,,leg_span,9,cm,,\n";
  const auto days = [](const Collection& c) {
    std::vector<std::pair<int, Day>> result;
    for (const Entry& entry : c.entries) result.emplace_back(entry.animal, entry.when.earliest);
    return result;
  };
  EXPECT_EQ(days(example(a + b + d)), days(example(d + b + a)));
}

}  // namespace
}  // namespace moltspan
