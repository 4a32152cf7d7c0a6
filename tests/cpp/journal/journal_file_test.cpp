#include <gtest/gtest.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdlib>
#include <fstream>
#include <functional>
#include <iterator>
#include <thread>

#include "moltspan/journal/journal.hpp"
#include "records_example.hpp"

namespace moltspan {
namespace {

namespace fs = std::filesystem;
using Row = std::vector<std::string>;

const Day today = *day_from_civil(2026, 4, 3);

class JournalFile : public testing::Test {
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
    return add_to_journal(folder_ / "journal.csv", rows, today, accept_doubts);
  }

  fs::path folder_;
};

TEST_F(JournalFile, KeepsDelimiterMarkAndLineEnds) {
  const std::string before = "\xef\xbb\xbfnote;animal;date;event\r\nfirst;A1;2026-01-01;ate";
  write("journal.csv", before);
  EXPECT_TRUE(append({{"a;b", "A1", "2026-04-03", "ate"}}).empty());
  EXPECT_EQ(journal(), before + "\r\n\"a;b\";A1;2026-04-03;ate\r\n");
  EXPECT_EQ(std::distance(fs::directory_iterator(folder_), {}), 4) << "two tables, and two files to undo it with";
}

TEST_F(JournalFile, WritesNothingWhereTheRowGivesAProblem) {
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

TEST_F(JournalFile, WhatANoteGivesCanBeReadBack) {
  write("journal.csv", journal_header);
  const Collection c = make_collection(read_folder(folder_));
  EXPECT_TRUE(append(read_note(c, "A1 molt 7 5cm \"said \"", today).rows).empty());
  const Collection after = make_collection(read_folder(folder_));
  EXPECT_TRUE(after.problems.empty()) << listing(after);
  ASSERT_EQ(after.entries.size(), 2u);
  EXPECT_EQ(after.entries[0].event, Event::molt);
  EXPECT_DOUBLE_EQ(after.entries[1].value, 50);
}

TEST_F(JournalFile, KeepsPermissionsAndLinks) {
  write("real.csv", journal_header);
  fs::permissions(folder_ / "real.csv", fs::perms::owner_read | fs::perms::owner_write | fs::perms::group_read);
  fs::create_symlink(folder_ / "real.csv", folder_ / "journal.csv");
  EXPECT_TRUE(append({{"A1", "2026-04-03", "", "ate", "", "", "", ""}}).empty());
  EXPECT_TRUE(fs::is_symlink(folder_ / "journal.csv"));
  EXPECT_EQ(fs::status(folder_ / "real.csv").permissions(),
            fs::perms::owner_read | fs::perms::owner_write | fs::perms::group_read);
}

TEST_F(JournalFile, LettersThatWouldMixEncodingsAreRefused) {
  write("journal.csv", "animal,date,event,note\nA1,2026-01-01,ate,M\xfcller\n");
  EXPECT_THROW(append({{"A1", "2026-04-03", "ate", "Müller"}}), std::runtime_error);
  EXPECT_TRUE(append({{"A1", "2026-04-03", "ate", "plain"}}).empty());
}

TEST_F(JournalFile, AMissingFileIsNamed) {
  EXPECT_THROW(append({{"A1", "2026-04-03", "ate"}}), std::runtime_error);
  try {
    read_folder(folder_);
    ADD_FAILURE();
  } catch (const std::runtime_error& error) {
    EXPECT_NE(std::string(error.what()).find("journal.csv"), std::string::npos);
  }
}

TEST_F(JournalFile, ASepLineStays) {
  for (const std::string first : {"sep=;", "sep=;;;;;;;;", "\"sep=;\"", "SEP=;"}) {
    const std::string before = first + "\r\nanimal;date;until;event;value;unit;on;note\r\n";
    write("journal.csv", before);
    const Collection c = make_collection(read_folder(folder_));
    EXPECT_TRUE(add_to_journal(folder_ / "journal.csv", read_note(c, "A1 ate", today).rows, today).empty()) << first;
    EXPECT_EQ(journal(), before + "A1;2026-04-03;;ate;;;;\r\n");
  }
}

TEST_F(JournalFile, DoubtsThatOnlyTheMoltsShowAreFoundToo) {
  write("animals.csv", "animal,taxon,sex\nM1,Brachypelma hamorii,male\n");
  write("journal.csv", std::string(journal_header) +
                           "M1,2025-01-01,,molt,,,,\nM1,2026-01-10,,molt,,,,\nM1,2026-01-10,,matured,,,,\n"
                           "M1,2026-01-10,,leg_span,92,mm,animal,\n");
  const std::string before = journal();
  const auto molt = append({{"M1", "2026-04-03", "", "molt", "", "", "", ""}});
  ASSERT_GE(molt.size(), 1u) << "a mature male molts no more";
  const auto small = append({{"M1", "2026-04-03", "", "molt", "", "", "", ""},
                             {"M1", "2026-04-03", "", "leg_span", "5", "cm", "animal", ""}});
  EXPECT_GE(small.size(), molt.size() + 1) << "5 cm after 92 mm";
  EXPECT_EQ(journal(), before);
}

std::string message_of(const std::function<void()>& act) {
  try {
    act();
  } catch (const std::runtime_error& error) {
    return error.what();
  }
  return "";
}

TEST_F(JournalFile, UndoTakesTheLastRowsBackOnce) {
  const std::string before = std::string(journal_header) + "A1,2026-01-01,,ate,,,,";  // no line end
  write("journal.csv", before);
  EXPECT_NE(message_of([&] { undo_note(folder_ / "journal.csv"); }).find("no note to take back"), std::string::npos);
  append({{"A1", "2026-04-02", "", "ate", "", "", "", ""}});
  const std::string once = journal();
  append({{"A1", "2026-04-03", "", "ate", "", "", "", ""}, {"B2", "2026-04-03", "", "ate", "", "", "", ""}});
  EXPECT_EQ(undo_note(folder_ / "journal.csv"),
            (std::vector<std::string>{"A1,2026-04-03,,ate,,,,", "B2,2026-04-03,,ate,,,,"}));
  EXPECT_EQ(journal(), once);
  EXPECT_NE(message_of([&] { undo_note(folder_ / "journal.csv"); }).find("no note to take back"), std::string::npos);
}

TEST_F(JournalFile, UndoLeavesAJournalAloneThatWasChangedSince) {
  write("journal.csv", journal_header);
  append({{"A1", "2026-04-03", "", "ate", "", "", "", ""}});
  write("journal.csv", journal() + "B2,2026-04-03,,ate,,,,\n");
  const std::string by_hand = journal();
  EXPECT_NE(message_of([&] { undo_note(folder_ / "journal.csv"); }).find("was changed since"), std::string::npos);
  EXPECT_EQ(journal(), by_hand);
}

TEST_F(JournalFile, WhatASpreadsheetHasOpenIsLeftAlone) {
  write("journal.csv", journal_header);
  write(".~lock.journal.csv#", "Jo Keeper,jo,shed,02.04.2026 21:00,file:///home/jo;");
  const std::string message = message_of([&] { append({{"A1", "2026-04-03", "", "ate", "", "", "", ""}}); });
  EXPECT_NE(message.find("Jo Keeper on shed"), std::string::npos) << message;
  EXPECT_EQ(journal(), journal_header);
}

TEST_F(JournalFile, PipesAndLinksToNothingAreRefusedBeforeTheyAreOpened) {
  ASSERT_EQ(mkfifo((folder_ / "journal.csv").c_str(), 0600), 0);
  EXPECT_NE(message_of([&] { read_folder(folder_); }).find("a pipe or a device"), std::string::npos);
  EXPECT_NE(message_of([&] { append({{"A1", "2026-04-03", "ate"}}); }).find("a pipe or a device"), std::string::npos);
  fs::remove(folder_ / "journal.csv");
  write("journal.csv", journal_header);
  fs::create_symlink(folder_ / "nowhere", folder_ / "taxa.csv");
  EXPECT_NE(message_of([&] { read_folder(folder_); }).find("a link to a file that is not there"), std::string::npos);
}

TEST_F(JournalFile, TheOwnerStaysTheOwner) {
  const bool root = geteuid() == 0;  // only root can write for another user
  const uid_t owner = root ? 1234 : geteuid();
  const gid_t group = root ? 2345 : getegid();
  write("journal.csv", journal_header);
  const std::string path = (folder_ / "journal.csv").string();
  ASSERT_EQ(chown(path.c_str(), owner, group), 0);
  ASSERT_EQ(chmod(path.c_str(), 0640), 0);
  append({{"A1", "2026-04-03", "", "ate", "", "", "", ""}});
  for (const fs::path& file : {fs::path(path), journal_backup(path)}) {
    struct stat now;
    ASSERT_EQ(stat(file.c_str(), &now), 0);
    EXPECT_EQ(std::pair(now.st_uid, now.st_gid), std::pair(owner, group)) << file;
    EXPECT_EQ(now.st_mode & 07777, 0640u);
  }
}

/// Adds `n` rows, one after the other, in a process of its own, and writes a byte into `told` for each that is in.
pid_t writer(const fs::path& journal, int number, int n, int told = -1) {
  const pid_t child = fork();
  if (child != 0) return child;
  int status = 0;
  for (int i = 0; i < n; ++i) {
    const std::string note = "writer " + std::to_string(number) + " row " + std::to_string(i);
    try {
      if (!add_to_journal(journal, {{"A1", "2026-04-03", "", "ate", "", "", "", note}}).empty()) status = 1;
    } catch (const std::exception&) {
      status = 2;
    }
    if (told >= 0 && write(told, "x", 1) != 1) status = 3;
  }
  _exit(status);
}

TEST_F(JournalFile, TwentyWritersAtOnceLoseNothing) {
  write("journal.csv", journal_header);
  constexpr int writers = 20, rows = 5;
  std::vector<pid_t> children;
  for (int w = 0; w < writers; ++w) children.push_back(writer(folder_ / "journal.csv", w, rows));
  for (const pid_t child : children) {
    int status = -1;
    waitpid(child, &status, 0);
    EXPECT_TRUE(WIFEXITED(status) && WEXITSTATUS(status) == 0);
  }
  const Collection after = make_collection(read_folder(folder_));
  EXPECT_EQ(after.entries.size(), static_cast<std::size_t>(writers * rows));
  EXPECT_FALSE(after.has_faults()) << listing(after);
}

/// Bytes that wait in a pipe whose writer has ended.
int bytes_in(int pipe_end) {
  int n = 0;
  for (char byte; read(pipe_end, &byte, 1) == 1;) ++n;
  return n;
}

TEST_F(JournalFile, AWriterThatIsKilledTearsNothing) {
  write("journal.csv", journal_header);
  const char* long_form = std::getenv("MOLTSPAN_LONG_TESTS");
  const int kills = long_form != nullptr ? 200 : 40;
  std::size_t told = 0;
  for (int k = 0; k < kills; ++k) {
    int ends[2];
    ASSERT_EQ(pipe(ends), 0);
    const pid_t child = writer(folder_ / "journal.csv", k, 1000, ends[1]);
    close(ends[1]);
    std::this_thread::sleep_for(std::chrono::microseconds(500 + 7919 * k % 30000));  // all moments of a write
    ::kill(child, SIGKILL);
    waitpid(child, nullptr, 0);
    told += static_cast<std::size_t>(bytes_in(ends[0]));
    close(ends[0]);
    ASSERT_TRUE(journal().starts_with(journal_header) && journal().ends_with("\n")) << "kill " << k;
  }
  const Collection after = make_collection(read_folder(folder_));
  EXPECT_FALSE(after.has_faults()) << listing(after);
  EXPECT_GE(after.entries.size(), told) << "what was said to be written is there";
  EXPECT_LE(after.entries.size(), told + static_cast<std::size_t>(kills)) << "one row more at most for each kill";
  append({{"A1", "2026-04-02", "", "checked", "", "", "", ""}});
  EXPECT_LE(std::distance(fs::directory_iterator(folder_), {}), 5) << "nothing half is left lying about";
}

}  // namespace
}  // namespace moltspan
