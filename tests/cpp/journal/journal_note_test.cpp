#include <gtest/gtest.h>

#include "moltspan/journal/journal.hpp"
#include "records_example.hpp"

namespace moltspan {
namespace {

using Row = std::vector<std::string>;

const Day today = *day_from_civil(2026, 4, 3);

NoteReading note(const std::string& words) { return read_note(example(""), words, today); }

Row only_row(const std::string& words) {
  const NoteReading draft = note(words);
  EXPECT_TRUE(draft.problems.empty()) << words;
  EXPECT_EQ(draft.rows.size(), 1u) << words;
  return draft.rows.empty() ? Row{} : draft.rows[0];
}

TEST(JournalNote, ShortWordsBecomeRows) {
  EXPECT_EQ(only_row("A1 refused"), (Row{"A1", "2026-04-03", "", "refused", "", "", "", ""}));
  EXPECT_EQ(only_row("A1 B2 ate yesterday"), (Row{"A1 B2", "2026-04-02", "", "ate", "", "", "", ""}));
  EXPECT_EQ(only_row("sac moult mat"), (Row{"sac", "2026-04-03", "", "molt_mat", "", "", "", ""}));
  EXPECT_EQ(only_row("A1 leg span 5,5 cm on skin 2026-03-30 \"a bit torn\""),
            (Row{"A1", "2026-03-30", "", "leg_span", "5,5", "cm", "skin", "a bit torn"}));
  EXPECT_EQ(only_row("A1 moulted 2026-03-30..2026-04-02"),
            (Row{"A1", "2026-03-30", "2026-04-02", "molt", "", "", "", ""}));
  EXPECT_EQ(only_row("A1 molt 7"), (Row{"A1", "2026-04-03", "", "molt", "7", "", "", ""}));
  EXPECT_EQ(only_row("A1 enclosure 20x20x30cm/8"),
            (Row{"A1", "2026-04-03", "", "enclosure", "20x20x30cm/8", "", "", ""}));
  EXPECT_EQ(only_row("A1 leg_span 2\""), (Row{"A1", "2026-04-03", "", "leg_span", "2", "\"", "", ""}));
}

TEST(JournalNote, AMoltWithASizeIsTwoRows) {
  const Row molt = {"A1", "2026-04-01", "2026-04-02", "molt", "7", "", "", "at last"};
  const Row size = {"A1", "2026-04-02", "", "leg_span", "5", "cm", "animal", ""};
  for (const auto* words :
       {"A1 molt 7 5cm 2026-04-01..2026-04-02 \"at last\"", "A1 molt 7 5 cm 2026-04-01..2026-04-02 \"at last\""})
    EXPECT_EQ(note(words).rows, (std::vector<Row>{molt, size})) << words;
  EXPECT_EQ(note("A1 molt 5cm").rows.size(), 2u);
}

TEST(JournalNote, WordsThatAreNotKnownAreNamedWithTheNearest) {
  for (const auto& [words, column] :
       std::initializer_list<std::pair<const char*, const char*>>{{"A7 ate", "animal"},
                                                                  {"", "animal"},
                                                                  {"A1", "event"},
                                                                  {"A1 eet", "event"},
                                                                  {"A1 ate 2026-02-31", "date"},
                                                                  {"A1 ate 3/4/2026", "date"},
                                                                  {"A1 ate yesteday", "value"},
                                                                  {"A1 ate \"open", "note"}}) {
    const NoteReading draft = note(words);
    ASSERT_GE(draft.problems.size(), 1u) << words;
    EXPECT_EQ(draft.problems[0].column, column) << words;
    EXPECT_TRUE(draft.rows.empty());
  }
}

TEST(JournalNote, AJournalWithoutTheColumnIsSaid) {
  RawCollection raw;
  raw.animals = read_csv("animal\nA1\n", "animals.csv");
  raw.journal = read_csv("event;animal;date\n", "journal.csv");
  const Collection c = make_collection(raw);
  EXPECT_EQ(read_note(c, "A1 ate", today).rows, (std::vector<Row>{{"ate", "A1", "2026-04-03"}}));
  EXPECT_EQ(read_note(c, "A1 leg_span 5cm", today).problems.size(), 2u) << "value and unit";
}

}  // namespace
}  // namespace moltspan
