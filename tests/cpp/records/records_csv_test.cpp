#include "records/csv.hpp"

#include <gtest/gtest.h>

#include "moltspan/records/records.hpp"

namespace moltspan {
namespace {

using Cells = std::vector<std::string>;

Cells row_of(const TextTable& table, std::size_t row) {
  Cells cells;
  for (const auto& column : table.cells) cells.push_back(column[row]);
  return cells;
}

int faults_of(const TextTable& table) {
  int faults = 0;
  for (const Problem& problem : table.problems) faults += problem.severity == Severity::fault;
  return faults;
}

TEST(RecordsCsv, ReadsTheDelimitersThatSpreadsheetsWrite) {
  for (const auto* text :
       {"animal,note\nA1,x\n", "animal;note\nA1;x\n", "animal\tnote\nA1\tx\n", "sep=;\nanimal;note\nA1;x\n",
        "\xef\xbb\xbf"
        "animal,note\r\nA1,x\r\n",
        "animal,note\rA1,x\r", "\n\nanimal,note\n\nA1,x", "\"animal\",\"note\"\n\"A1\",\"x\"\n"}) {
    const TextTable table = read_csv(text, "t.csv");
    EXPECT_EQ(table.columns, (Cells{"animal", "note"})) << text;
    ASSERT_EQ(table.size(), 1u) << text;
    EXPECT_EQ(row_of(table, 0), (Cells{"A1", "x"})) << text;
    EXPECT_TRUE(table.problems.empty()) << text;
  }
}

TEST(RecordsCsv, ADelimiterInsideQuotesIsText) {
  const TextTable table = read_csv("\"a,b,c\";d\n\"1;2\";\"say \"\"so\"\"\"\n", "t.csv");
  EXPECT_EQ(table.columns, (Cells{"a,b,c", "d"}));
  EXPECT_EQ(row_of(table, 0), (Cells{"1;2", "say \"so\""}));
}

TEST(RecordsCsv, RowsAreNumberedByTheLineTheyBeginOn) {
  const TextTable table = read_csv("a,b\n1,\"two\n\nlines\"\n\n  \n3,4\n,\n5,\"6\r\n\"\n7,8", "t.csv");
  ASSERT_EQ(table.size(), 4u);
  EXPECT_EQ(table.rows, (std::vector<std::int64_t>{2, 7, 9, 11}));
  EXPECT_EQ(row_of(table, 0)[1], "two\n\nlines");
  EXPECT_TRUE(table.problems.empty());
}

TEST(RecordsCsv, ALongRowIsAFaultThatNamesTheRow) {
  const TextTable table = read_csv("a,b,c\n1,2,3,4\n1,2,3,,\n1,,,4\n", "t.csv");
  ASSERT_EQ(table.size(), 3u);
  ASSERT_EQ(table.problems.size(), 2u) << "blank cells past the last column are no fault";
  EXPECT_EQ(table.problems[0].row, 2);
  EXPECT_EQ(table.problems[0].value, "4 cells");
  EXPECT_EQ(table.problems[1].row, 4);
}

TEST(RecordsCsv, CellsLeftOutAtTheEndAreBlank) {
  const TextTable table = read_csv("a,b,c\n1,2\n1\n1,2,\n", "t.csv");
  ASSERT_EQ(table.size(), 3u);
  EXPECT_TRUE(table.problems.empty());
  EXPECT_EQ(row_of(table, 0), (Cells{"1", "2", ""}));
  EXPECT_EQ(row_of(table, 1), (Cells{"1", "", ""}));
}

TEST(RecordsCsv, AColumnNamedTwiceIsAFault) {
  const TextTable table = read_csv("a,b,a\n1,2,3\n", "t.csv");
  ASSERT_EQ(faults_of(table), 1);
  EXPECT_EQ(table.problems[0].column, "a");
}

TEST(RecordsCsv, AColumnWithoutANameIsCarriedAlongAndSaid) {
  const TextTable table = read_csv("a,,c,,\n1,2,3,,\n", "t.csv");
  EXPECT_EQ(table.columns, (Cells{"a", "column 2", "c"}));
  ASSERT_EQ(table.problems.size(), 1u);
  EXPECT_EQ(table.problems[0].severity, Severity::doubt);
}

TEST(RecordsCsv, AQuoteLeftOpenCostsItsRowOnly) {
  const TextTable table = read_csv("a,b\n1,x\n2,\"left open\n3,y\n4,z\n", "t.csv");
  ASSERT_EQ(table.size(), 4u);
  ASSERT_EQ(table.problems.size(), 1u);
  EXPECT_EQ(table.problems[0].row, 3);
  EXPECT_EQ(row_of(table, 2), (Cells{"3", "y"}));
}

TEST(RecordsCsv, EndlessOpenQuotesEndInAFault) {
  std::string text = "a,b\n";
  for (int i = 0; i < 400; ++i) text += "\"x\" y\"\"\",\"\n";  // an odd number of quotes a row
  EXPECT_GE(faults_of(read_csv(text, "t.csv")), 1);
}

TEST(RecordsCsv, OtherEncodingsAreSaid) {
  const TextTable latin1 = read_csv("a,b\nM\xfcller,\xe9\n", "t.csv");
  EXPECT_EQ(row_of(latin1, 0), (Cells{"Müller", "é"}));
  ASSERT_EQ(latin1.problems.size(), 1u);
  EXPECT_EQ(latin1.problems[0].severity, Severity::doubt);
  const TextTable utf16 = read_csv(std::string_view("\xff\xfe"
                                                    "a\0,\0b\0\n\0",
                                                    10),
                                   "t.csv");
  EXPECT_EQ(faults_of(utf16), 2) << "the encoding, and no first row";
  EXPECT_EQ(read_csv("a,b\nMüller,é\n", "t.csv").problems.size(), 0u);
}

TEST(RecordsCsv, NothingIsAFault) {
  for (const auto* text : {"", "\n\n", "\xef\xbb\xbf", ",,\n", "\"\n"})
    EXPECT_GE(faults_of(read_csv(text, "t.csv")), 1) << text;
}

TEST(RecordsCsv, CellsAreQuotedWhereTheyMustBe) {
  EXPECT_EQ(csv_cell("plain text", ','), "plain text");
  EXPECT_EQ(csv_cell("5\" tank", ','), "\"5\"\" tank\"");
  EXPECT_EQ(csv_cell("a,b", ','), "\"a,b\"");
  EXPECT_EQ(csv_cell("a,b", ';'), "a,b");
  EXPECT_EQ(csv_cell(" a", ','), "\" a\"");
  EXPECT_EQ(csv_cell("a\nb", ','), "\"a\nb\"");
}

TEST(RecordsCsv, ASizeInInchesOpensNoQuote) {
  const TextTable table = read_csv("a,b\nA1,5\" tank\nA2,2 1/2\"\n", "t.csv");
  EXPECT_TRUE(table.problems.empty());
  EXPECT_EQ(row_of(table, 0)[1], "5\" tank");
  EXPECT_EQ(row_of(table, 1)[1], "2 1/2\"");
}

}  // namespace
}  // namespace moltspan
