#include <gtest/gtest.h>

#include <fstream>
#include <iterator>

#include "records_example.hpp"

namespace moltspan {
namespace {

namespace fs = std::filesystem;
using Row = std::vector<std::string>;

const Day today = *day_from_civil(2026, 4, 3);

NoteDraft note(const std::string& words) { return parse_note(example(""), words, today); }

Row only_row(const std::string& words) {
  const NoteDraft draft = note(words);
  EXPECT_TRUE(draft.problems.empty()) << words;
  EXPECT_EQ(draft.rows.size(), 1u) << words;
  return draft.rows.empty() ? Row{} : draft.rows[0];
}

TEST(RecordsNote, ShortWordsBecomeRows) {
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

TEST(RecordsNote, AMoltWithASizeIsTwoRows) {
  const Row molt = {"A1", "2026-04-01", "2026-04-02", "molt", "7", "", "", "at last"};
  const Row size = {"A1", "2026-04-02", "", "leg_span", "5", "cm", "animal", ""};
  for (const auto* words :
       {"A1 molt 7 5cm 2026-04-01..2026-04-02 \"at last\"", "A1 molt 7 5 cm 2026-04-01..2026-04-02 \"at last\""})
    EXPECT_EQ(note(words).rows, (std::vector<Row>{molt, size})) << words;
  EXPECT_EQ(note("A1 molt 5cm").rows.size(), 2u);
}

TEST(RecordsNote, WordsThatAreNotKnownAreNamedWithTheNearest) {
  for (const auto& [words, column] :
       std::initializer_list<std::pair<const char*, const char*>>{{"A7 ate", "animal"},
                                                                  {"", "animal"},
                                                                  {"A1", "event"},
                                                                  {"A1 eet", "event"},
                                                                  {"A1 ate 2026-02-31", "date"},
                                                                  {"A1 ate 3/4/2026", "date"},
                                                                  {"A1 ate yesteday", "value"},
                                                                  {"A1 ate \"open", "note"}}) {
    const NoteDraft draft = note(words);
    ASSERT_GE(draft.problems.size(), 1u) << words;
    EXPECT_EQ(draft.problems[0].column, column) << words;
    EXPECT_TRUE(draft.rows.empty());
  }
}

TEST(RecordsNote, AJournalWithoutTheColumnIsSaid) {
  RawCollection raw;
  raw.animals = read_csv("animal\nA1\n", "animals.csv");
  raw.journal = read_csv("event;animal;date\n", "journal.csv");
  const Collection c = make_collection(raw);
  EXPECT_EQ(parse_note(c, "A1 ate", today).rows, (std::vector<Row>{{"ate", "A1", "2026-04-03"}}));
  EXPECT_EQ(parse_note(c, "A1 leg_span 5cm", today).problems.size(), 2u) << "value and unit";
}

class RecordsAppend : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() /
              ("moltspan_" + std::string(testing::UnitTest::GetInstance()->current_test_info()->name()));
    fs::remove_all(folder_);
    fs::create_directory(folder_);
    write("animals.csv", example_animals);
  }
  void TearDown() override { fs::remove_all(folder_); }

  void write(const std::string& name, const std::string& text) {
    std::ofstream(folder_ / name, std::ios::binary) << text;
  }
  std::string journal() const {
    std::ifstream file(folder_ / "journal.csv", std::ios::binary);
    return {std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
  }
  std::vector<Problem> append(const std::vector<Row>& rows, bool accept_doubts = false) {
    return append_rows(folder_ / "journal.csv", rows, today, accept_doubts);
  }

  fs::path folder_;
};

TEST_F(RecordsAppend, KeepsDelimiterMarkAndLineEnds) {
  const std::string before = "\xef\xbb\xbfnote;animal;date;event\r\nfirst;A1;2026-01-01;ate";
  write("journal.csv", before);
  EXPECT_TRUE(append({{"a;b", "A1", "2026-04-03", "ate"}}).empty());
  EXPECT_EQ(journal(), before + "\r\n\"a;b\";A1;2026-04-03;ate\r\n");
  EXPECT_EQ(std::distance(fs::directory_iterator(folder_), {}), 2) << "no other file is left";
}

TEST_F(RecordsAppend, WritesNothingWhereTheRowGivesAProblem) {
  const std::string before = "animal,date,event\nA1,2026-01-01,ate\nA1,x,ate\n";
  write("journal.csv", before);
  const auto fault = append({{"A1", "2026-02-30", "ate"}});
  ASSERT_EQ(fault.size(), 1u) << "the fault that was there before is not repeated";
  EXPECT_EQ(fault[0].row, 4);
  EXPECT_EQ(append({{"A1", "2026-01-01", "ate"}}).size(), 1u) << "written twice: a doubt";
  EXPECT_EQ(append({{"A1", "2027-01-01", "ate"}}).size(), 1u) << "after today";
  EXPECT_EQ(journal(), before);
  EXPECT_EQ(append({{"A1", "2026-01-01", "ate"}}, true).size(), 1u);
  EXPECT_EQ(journal(), before + "A1,2026-01-01,ate\n");
}

TEST_F(RecordsAppend, WhatANoteGivesCanBeReadBack) {
  write("journal.csv", journal_header);
  const Collection c = make_collection(read_folder(folder_));
  EXPECT_TRUE(append(parse_note(c, "A1 molt 7 5cm \"said \"", today).rows).empty());
  const Collection after = make_collection(read_folder(folder_));
  EXPECT_TRUE(after.problems.empty()) << listing(after);
  ASSERT_EQ(after.entries.size(), 2u);
  EXPECT_EQ(after.entries[0].event, Event::molt);
  EXPECT_DOUBLE_EQ(after.entries[1].value, 50);
}

TEST_F(RecordsAppend, KeepsPermissionsAndLinks) {
  write("real.csv", journal_header);
  fs::permissions(folder_ / "real.csv", fs::perms::owner_read | fs::perms::owner_write | fs::perms::group_read);
  fs::create_symlink(folder_ / "real.csv", folder_ / "journal.csv");
  EXPECT_TRUE(append({{"A1", "2026-04-03", "", "ate", "", "", "", ""}}).empty());
  EXPECT_TRUE(fs::is_symlink(folder_ / "journal.csv"));
  EXPECT_EQ(fs::status(folder_ / "real.csv").permissions(),
            fs::perms::owner_read | fs::perms::owner_write | fs::perms::group_read);
}

TEST_F(RecordsAppend, LettersThatWouldMixEncodingsAreRefused) {
  write("journal.csv", "animal,date,event,note\nA1,2026-01-01,ate,M\xfcller\n");
  EXPECT_THROW(append({{"A1", "2026-04-03", "ate", "Müller"}}), std::runtime_error);
  EXPECT_TRUE(append({{"A1", "2026-04-03", "ate", "plain"}}).empty());
}

TEST_F(RecordsAppend, AMissingFileIsNamed) {
  EXPECT_THROW(append({{"A1", "2026-04-03", "ate"}}), std::runtime_error);
  try {
    read_folder(folder_);
    ADD_FAILURE();
  } catch (const std::runtime_error& error) {
    EXPECT_NE(std::string(error.what()).find("journal.csv"), std::string::npos);
  }
}

}  // namespace
}  // namespace moltspan
