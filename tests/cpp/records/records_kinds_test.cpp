#include <gtest/gtest.h>

#include "moltspan/records/records.hpp"
#include "records_example.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

TEST(Kinds, ByGenusAndWords) {
  EXPECT_EQ(kind_of("Brachypelma").group, "tarantulas");
  EXPECT_EQ(kind_of("brachypelma HAMORII").group, "tarantulas");
  EXPECT_TRUE(kind_of("Brachypelma").is_tarantula);
  EXPECT_EQ(kind_of("unknown whip spider").group, "whip spiders") << "the longer words win over spider";
  EXPECT_EQ(kind_of("Theraphosidae sp.").group, "tarantulas");
  EXPECT_EQ(kind_of("Homarus gammarus").male, AfterMaturity::goes_on);
  EXPECT_EQ(kind_of("spidery thing").group, "") << "whole words only";
  EXPECT_EQ(kind_of("").group, "");
  EXPECT_EQ(kind_of("").female, AfterMaturity::unknown);
}

TEST(Kinds, TheTailOfANameTellsNothing) {
  for (const char* name : {"Newlydescribedopelma", "Novogryllus", "Neobuthus", "Novomantis", "Neophasma"})
    EXPECT_EQ(kind_of(name).group, "") << name;
}

TEST(Kinds, AStatedGroupWins) {
  EXPECT_EQ(kind_of("Newlydescribedopelma", "tarantulas").group, "tarantulas");
  EXPECT_EQ(kind_of("wolf spider", "tarantulas").male, AfterMaturity::stops);
  EXPECT_TRUE(kind_of("wolf spider", "tarantulas").is_tarantula);
}

TEST(Kinds, GroupsBySingularAndPlural) {
  EXPECT_EQ(find_group("tarantula"), "tarantulas");
  EXPECT_EQ(find_group("Whip_Spiders"), "whip spiders");
  EXPECT_EQ(find_group("mantis"), "mantises");
  EXPECT_EQ(find_group("crickets and grasshoppers"), "crickets and grasshoppers");
  EXPECT_FALSE(find_group("control"));
  EXPECT_FALSE(find_group("s"));
  EXPECT_FALSE(find_group(""));
}

TEST(Kinds, TheTaxonStatesAGroupAndAnAnimalsOwnWins) {
  RawCollection raw = example_raw("", "animal,taxon,group\nA1,tree dweller,\nA2,tree dweller,true spider\nA3,other,\n");
  raw.taxa = read_csv("taxon,group\ntree dweller,Tarantula\n", "taxa.csv");
  const Collection c = make_collection(raw);
  EXPECT_TRUE(c.problems.empty()) << listing(c);
  EXPECT_EQ(kind_of(c.animals[0]).group, "tarantulas");
  EXPECT_EQ(kind_of(c.animals[1]).group, "true spiders");
  EXPECT_EQ(kind_of(c.animals[2]).group, "");
}

TEST(Kinds, AnUnknownGroupIsADoubtAndSetsNobodyAside) {
  const Collection c = example("", "animal,taxon,group\nA1,Brachypelma hamorii,control\n");
  EXPECT_TRUE(set_aside(c).empty()) << listing(c);
  const auto doubts = of_severity(c, Severity::doubt);
  ASSERT_EQ(doubts.size(), 1u) << listing(c);
  EXPECT_EQ(doubts[0].column, "group");
  EXPECT_EQ(doubts[0].value, "control");
  EXPECT_NE(doubts[0].rule.find("tarantulas, "), std::string::npos);
  EXPECT_NE(doubts[0].rule.find(" or horseshoe crabs"), std::string::npos);
  EXPECT_EQ(kind_of(c.animals[0]).group, "tarantulas") << "by its name then";
}

}  // namespace
}  // namespace moltspan
