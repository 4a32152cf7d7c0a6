#include <gtest/gtest.h>

#include <fstream>
#include <string>

#include "moltspan/journal/journal.hpp"

/// The table of everyday notes, see tests/reference/everyday_notes/README.md.
namespace moltspan {
namespace {

struct Sentence {
  std::string words, expected;
};

std::vector<Sentence> sentences() {
  std::ifstream file(std::string(MOLTSPAN_TEST_REFERENCE) + "/everyday_notes/notes.tsv");
  std::vector<Sentence> result;
  for (std::string line; std::getline(file, line);) {
    const std::size_t tab = line.find('\t');
    result.push_back({line.substr(0, tab), line.substr(tab + 1)});
  }
  return result;
}

Collection keeper() {
  RawCollection raw;
  raw.animals = read_csv(
      "animal,taxon,cohort\nA12,Brachypelma hamorii,\nB1,Damon diadema,\nB2,Damon diadema,\nB3,Damon diadema,\n"
      "C3,Lasiodora parahybana,\nM7,Brachypelma hamorii,\nLady Jane,Lasiodora parahybana,\nS1,Damon diadema,sac\n"
      "S2,Damon diadema,sac\nS3,Damon diadema,sac\nOld,Damon diadema,\n",
      "animals.csv");
  raw.journal = read_csv("animal,date,until,event,value,unit,on,note\nOld,2026-01-02,,died,,,,\n", "journal.csv");
  raw.enclosures = read_csv("name,w,d,h,unit\ntall jar,10,10,20,cm\nBox M,20,20,20,cm\n", "enclosures.csv");
  return make_collection(std::move(raw));
}

std::string in_one_line(const NoteRow& row) {
  std::string text;
  for (const std::string& animal : row.animals) text += (text.empty() ? "" : " ") + animal;
  text += "; " + to_iso(row.when.earliest);
  if (row.when.latest != row.when.earliest) text += ".." + to_iso(row.when.latest);
  for (const std::string& cell : {std::string(event_name(row.event)), row.value, row.unit, row.on, row.note})
    text += "; " + cell;
  while (text.ends_with("; ")) text.resize(text.size() - 2);
  return text;
}

std::string answer(const NoteReading& reading) {
  if (!reading.problems.empty()) return "ask: " + reading.problems[0].rule + " / " + reading.problems[0].next_step;
  std::string text;
  for (const NoteRow& row : reading.said) text += (text.empty() ? "" : " | ") + in_one_line(row);
  return text;
}

bool agrees(const std::string& expected, const std::string& got) {
  if (!expected.starts_with("ask")) return got == expected;
  return got.starts_with("ask") &&
         got.find(expected.substr(std::min<std::size_t>(5, expected.size()))) != std::string::npos;
}

TEST(EverydayNotes, EachMeansWhatItsKeeperMeant) {
  const Collection collection = keeper();
  const Day today = *day_from_civil(2026, 11, 27);
  const auto all = sentences();
  int understood = 0;
  for (const auto& [words, expected] : all) {
    const NoteReading reading = read_note(collection, words, today);
    EXPECT_PRED2(agrees, expected, answer(reading)) << words;
    EXPECT_LE(reading.problems.size(), 1u) << words;
    EXPECT_EQ(reading.rows.size(), reading.said.size());
    understood += !expected.starts_with("ask") && reading.problems.empty();
  }
  EXPECT_GE(all.size(), 141u);
  EXPECT_GE(understood, 120);
}

}  // namespace
}  // namespace moltspan
