#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <stdexcept>
#include <string>
#include <vector>

#include "intervals/model.hpp"
#include "moltspan/group/group.hpp"
#include "moltspan/group/temperature.hpp"
#include "moltspan/housing/housing.hpp"
#include "moltspan/instars/instars.hpp"
#include "moltspan/records/records.hpp"
#include "records/words.hpp"

/// Inputs of unusual size that once ended the process or never came back. Laws and counts by hand.
namespace moltspan {
namespace {

/// `n` stadia, `each` an animal, the lengths 40 days and two days more or less.
StadiaData many_stadia(std::size_t n, std::size_t each) {
  StadiaData data;
  data.coefficients = {{"Intercept", CoefficientRole::intercept}};
  data.covariates = Eigen::MatrixXd::Ones(static_cast<Eigen::Index>(n), 1);
  for (std::size_t i = 0; i < n; ++i) {
    const double days = 40 * std::exp(0.05 * std::sin(7.0 * static_cast<double>(i)));
    data.bounds.push_back({days, days, 0, 0, 0});
    data.groups[static_cast<int>(Level::animal)].push_back(static_cast<int>(i / each));
  }
  data.probe_covariates.resize(0, 1);
  return data;
}

TEST(Limits, APartIsSmallerThanTheWholeAndAPartOfAPartToo) {
  const StadiaData whole = many_stadia(200'000, 5);
  const StadiaData part = thinned(whole, whole.size() / 8);  // every 9th animal
  EXPECT_LE(part.size(), whole.size() / 8);
  EXPECT_GT(part.size(), whole.size() / 16);
  const StadiaData less = thinned(part, part.size() / 8);
  EXPECT_LE(less.size(), part.size() / 8);
  EXPECT_GT(less.size(), part.size() / 16);
}

TEST(Limits, OneAnimalWithMostOfTheStadiaIsThinnedToo) {
  EXPECT_EQ(thinned(many_stadia(30'000, 30'000), 1500).size(), 1500u);
  EXPECT_EQ(thinned(many_stadia(1000, 1000), 1500).size(), 1000u);
}

TEST(Limits, NumbersOfAnimalsThatAreAllThereChooseAsTheyAre) {
  const StadiaData whole = many_stadia(40, 2);
  const std::vector<Eigen::Index> rows = thinned_rows(whole, 20);  // every third animal: 0, 3, 6 ...
  ASSERT_EQ(rows.size(), 14u);
  EXPECT_EQ(rows[2], 6);
}

std::string many_parts(const std::string& before, int n) {
  std::string text = before;
  for (int i = 0; i < n; ++i) text += "a.";
  return text + "a = 1\n";
}

template <class Call>
std::string refusal(Call call) {
  try {
    call();
  } catch (const std::exception& error) {
    return error.what();
  }
  return "";
}

TEST(Limits, KeysOfManyPartsAreRefusedWithTheirLine) {
  for (const std::string& text : {many_parts("", 50'000), many_parts("[units]\nlength = \"cm\"\n", 50'000),
                                  many_parts("x = '#'\n\"#\" . ", 50'000), "[" + many_parts("", 50'000)}) {
    EXPECT_NE(refusal([&] { read_folder_rules(text, "folder.toml"); }).find("a key of more than 16 parts"),
              std::string::npos);
    EXPECT_NE(refusal([&] { housing_rules(text); }).find("a key of more than 16 parts"), std::string::npos);
  }
  const std::string told = refusal([] { read_folder_rules(many_parts("# one\n", 50), "folder.toml"); });
  EXPECT_EQ(told.rfind("folder.toml, line 2: ", 0), 0u) << told;
}

TEST(Limits, RulesOfManyBytesAreRefused) {
  EXPECT_NE(refusal([] { read_folder_rules(std::string(1'000'001, ' '), "folder.toml"); }).find("1000001 bytes"),
            std::string::npos);
}

TEST(Limits, DotsInTextsCommentsAndNumbersAreNoKeys) {
  const std::string dots(100, '.');
  const std::string text = "# " + dots + "\n[events]\n\"eats" + dots + "\" = \"ate\"  # " + dots +
                           "\n'shed" + dots + "' = \"molt\"\n[columns]\n\"a\\\"" + dots + "\" = \"animal\"\n";
  const FolderRules rules = read_folder_rules(text, "folder.toml");
  EXPECT_EQ(rules.events.size(), 2u);
  EXPECT_EQ(rules.columns.size(), 1u);
}

TEST(Limits, DaysThatNoUnitExplainsAreRefused) {
  const std::vector<double> t{18, 21, 24, 27, 30, 33}, days(6, 1e-200);
  EXPECT_NE(refusal([&] { briere_fit(t, days); }).find("`days` of row 0"), std::string::npos);
  EXPECT_NE(refusal([&] { belehradek_fit(t, std::vector<double>(6, 1e300), {}); }).find("`days` of row 0"),
            std::string::npos);
}

TEST(Limits, AReadingStepOverAllSizesIsRefused) {
  InstarSizes sizes;
  sizes.sizes_mm = Eigen::Vector3d(1, 2, 3);
  InstarOptions options;
  options.reading_step_mm = {1e12};
  EXPECT_NE(refusal([&] { instar_mixture(sizes, options); }).find("`reading_step_mm` is 1e+12"),
            std::string::npos);
}

TEST(Limits, AReadingStepOfNoWidthIsRefused) {
  InstarSizes sizes;
  sizes.sizes_mm = Eigen::Vector3d(100, 100, 100);
  InstarOptions options;
  options.reading_step_mm = {1e-300};
  EXPECT_NE(refusal([&] { instar_mixture(sizes, options); }).find("`reading_step_mm` is 1e-300"), std::string::npos);
}

TEST(Limits, MoreAnimalsThanAnExactTestCanCountAreRefused) {
  const std::string told = refusal([] { sex_ratio({2'000'000'000, 2'000'000'000, 0, 0, 0}, 0.5, 0.95); });
  EXPECT_NE(told.find("`counts` is 4000000000"), std::string::npos);
  EXPECT_NE(refusal([] { sex_ratio({50'000, 50'000, 1000, 0, 0}, 0.5, 0.95); }).find("probable"), std::string::npos);
  EXPECT_EQ(refusal([] { sex_ratio({500, 500, 20, 20, 3}, 0.5, 0.95); }), "");
}

TEST(Limits, LongNamesAreNoCandidates) {
  const std::string name(100'000, 'a'), other = name + "b";
  const std::string_view candidates[] = {name, "abba"};
  EXPECT_EQ(nearest_word("abb", candidates), "abba");
  EXPECT_EQ(nearest_id(other, candidates), "");
  std::string moults;
  for (int i = 0; i < 100'000; ++i) moults += "moult";
  EXPECT_EQ(fold(moults).size(), 400'000u);
}

TEST(Limits, OneLetterMoreLessOrChanged) {
  EXPECT_TRUE(differ_by_one("animal", "animals"));
  EXPECT_TRUE(differ_by_one("nimal", "animal"));
  EXPECT_TRUE(differ_by_one("anymal", "animal"));
  EXPECT_TRUE(differ_by_one("", "a"));
  EXPECT_FALSE(differ_by_one("animal", "animal"));
  EXPECT_FALSE(differ_by_one("amnial", "animal"));
  EXPECT_FALSE(differ_by_one("animal", "animalss"));
}

/// 200,000 headings and a kind of 100,000 letters: seconds at most, where the square of their number took many.
TEST(Limits, ManyHeadingsAndLongNamesAreRead) {
  RawCollection raw;
  raw.animals.source = "animals.csv";
  raw.journal.source = "journal.csv";
  raw.animals.columns = {"animal", "taxon"};
  raw.animals.cells = {{"A", "B"}, {std::string(100'000, 'a'), std::string(100'000, 'b')}};
  raw.animals.rows = {2, 3};
  for (int i = 0; i < 200'000; ++i) {
    raw.animals.columns.push_back("own " + std::to_string(i));
    raw.animals.cells.push_back({"x", "y"});
  }
  raw.journal.columns = {"animal", "date", "event", "value"};
  raw.journal.cells = {{"A"}, {"2026-01-05"}, {"molt"}, {""}};
  raw.journal.rows = {2};
  const Collection collection = make_collection(raw);
  EXPECT_EQ(collection.animals.size(), 2u);
  EXPECT_FALSE(collection.has_faults());
}

TEST(Limits, ControlCharactersInAnIdAreADoubt) {
  RawCollection raw;
  raw.animals.columns = {"animal"};
  raw.animals.cells = {{"A\x1b]0;x\x07"}};
  raw.animals.rows = {2};
  raw.journal.columns = {"animal", "date", "event"};
  raw.journal.cells = {{}, {}, {}};
  const Collection collection = make_collection(raw);
  ASSERT_EQ(collection.problems.size(), 1u);
  EXPECT_EQ(collection.problems[0].severity, Severity::doubt);
  EXPECT_EQ(collection.problems[0].column, "animal");
  EXPECT_FALSE(collection.animals[0].set_aside);
}

}  // namespace
}  // namespace moltspan
