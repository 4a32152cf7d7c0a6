// What to beware of, by kind, by what is stated, by prompt. First aid and handling: common practice and the sources
// named in shared/cautions.toml and shared/housing.toml; which situation shows what was written down here before the
// code.
#include "moltspan/facts/cautions.hpp"

#include <gtest/gtest.h>

#include <set>

#include "forecast/words.hpp"
#include "housing/words.hpp"
#include "moltspan/stadia/stadia.hpp"
#include "records_example.hpp"

namespace moltspan {
namespace {

using Codes = std::set<std::string>;

constexpr Hazards unsaid{}, none{true, false, false, false, false}, only_fast{true, false, false, false, true};

Codes codes_of(const std::string& taxon, const Hazards& stated = unsaid, World world = World::unknown,
               std::optional<Event> ended = {}, Habit habit = Habit::unknown) {
  HousingSituation s;
  s.taxon = taxon;
  s.hazards = stated;
  s.world = world;
  s.ended = ended;
  s.habit = habit;
  HousingAdvice a;
  add_cautions(s, housing_rules(), a);
  Codes codes;
  for (const Note& caution : a.cautions) {
    EXPECT_EQ(caution.text, caution_text(caution.code));
    codes.insert(caution.code);
  }
  EXPECT_EQ(codes.size(), a.cautions.size()) << taxon << ": each caution has a code and stands once";
  return codes;
}

bool holds(const Codes& all, const Codes& some) {
  return std::includes(all.begin(), all.end(), some.begin(), some.end());
}

TEST(Cautions, KindsWithSeriousVenomCallAtOnce) {
  for (const char* taxon :
       {"Latrodectus mactans", "black widow", "Atrax robustus", "Hadronyche formidabilis", "funnel-web spider",
        "Loxosceles reclusa", "Phoneutria nigriventer", "Androctonus australis", "Leiurus quinquestriatus",
        "Parabuthus transvaalicus", "Centruroides sculpturatus", "Tityus serrulatus", "fat-tailed scorpion",
        "Scolopendra subspinipes", "centipede", "Pterinochilus murinus", "Chilobrachys dyscolus",
        "Hemiscorpius lepturus"})
    EXPECT_TRUE(codes_of(taxon).contains("serious_venom")) << taxon;
  const std::string& text = caution_text("serious_venom");
  for (const char* words :
       {"Bitten or stung", "poison center", "emergency number", "at once", "without waiting for signs"})
    EXPECT_NE(text.find(words), std::string::npos) << words;
}

TEST(Cautions, FirstAidSaysWhatToDo) {
  for (const char* words : {"bite", "sting", "hairs", "dust", "throat", "breathing", "faintness", "emergency number"})
    EXPECT_NE(caution_text("allergy").find(words), std::string::npos) << words;
  for (const char* words : {"rinse long with water", "never rub", "doctor", "spray", "hairs"})
    EXPECT_NE(caution_text("in_the_eye").find(words), std::string::npos) << words;
}

TEST(Cautions, EveryAnimalThatIsThereHasThatOfAllergy) {
  for (const char* taxon : {"", "Brachypelma hamorii", "Armadillidium vulgare", "nobody knows"})
    EXPECT_TRUE(codes_of(taxon).contains("allergy")) << taxon;
}

TEST(Cautions, WhatIsStatedAddsAndTakesNothingAway) {
  EXPECT_TRUE(codes_of("Pterinochilus murinus", none, World::old_world).contains("serious_venom"));
  EXPECT_TRUE(
      holds(codes_of("Brachypelma hamorii", only_fast, World::new_world), {"urticating_setae", "in_the_eye", "fast"}));
  const Hazards stated[] = {none, only_fast, {true, true, false, false, false}, {true, true, true, true, true}};
  for (const char* taxon : {"", "Brachypelma hamorii", "Pterinochilus murinus", "Phidippus regius", "Damon diadema",
                            "Scolopendra subspinipes", "tarantula", "Tenebrio molitor"})
    for (const World world : {World::unknown, World::old_world, World::new_world})
      for (const Hazards& more : stated) {
        Codes before = codes_of(taxon, unsaid, world), after = codes_of(taxon, more, world);
        if (more.systemic_venom) before.erase("bite");  // a call at once in its place
        EXPECT_TRUE(holds(after, before)) << taxon;
      }
}

TEST(Cautions, SetaeNeverFollowFromTheWorld) {
  EXPECT_FALSE(codes_of("Pterinochilus murinus", unsaid, World::new_world).contains("urticating_setae"));
  EXPECT_TRUE(codes_of("Brachypelma hamorii", unsaid, World::old_world).contains("urticating_setae"));
}

TEST(Cautions, AnOldWorldTarantulaIsOneWithSeriousVenomWhateverItsGenus) {
  EXPECT_TRUE(codes_of("Grammostola pulchra", none, World::old_world).contains("serious_venom"));
  EXPECT_FALSE(codes_of("Grammostola pulchra", none, World::new_world).contains("serious_venom"));
}

TEST(Cautions, AKindThatIsNotKnownGetsAll) {
  const Codes all{"serious_venom", "urticating_setae", "irritant_spray", "fast", "in_the_eye", "allergy"};
  for (const char* taxon : {"", "nobody knows", "Tenebrio molitor"}) {
    EXPECT_EQ(codes_of(taxon), all) << taxon;
    EXPECT_EQ(codes_of(taxon, none), all) << taxon;
  }
  EXPECT_TRUE(holds(codes_of("tarantula"), {"serious_venom", "urticating_setae", "fast"}));
  EXPECT_FALSE(codes_of("Brachypelma hamorii").contains("serious_venom"));
  EXPECT_TRUE(codes_of("Brachypelma hamorii").contains("bite"));
}

TEST(Cautions, HowItIsKnownStandsBesideTheAdvice) {
  const auto basis = [](const char* taxon) {
    HousingSituation s;
    s.taxon = taxon;
    Note found;
    hazards_for(s, housing_rules(), found);
    return found.text;
  };
  EXPECT_EQ(basis("Latrodectus mactans"),
            "cautions as for widow spiders (published: Isbister & Fan 2011, Lancet 378:2039)");
  EXPECT_EQ(basis("Scolopendra subspinipes"), "cautions as for large centipedes (common practice, no source)");
  EXPECT_EQ(basis("Phidippus regius"), "cautions as for true spiders (assumption, from memory)");
  EXPECT_NE(basis("nobody knows").find("all cautions are given (assumption)"), std::string::npos);
}

TEST(Cautions, GeneraOfTheRulesAreOfAGroupThatIsKnown) {
  for (const KindHazards& row : housing_rules().hazards_of_kind)
    for (const std::string& genus : row.genera) EXPECT_FALSE(kind_of(genus).group.empty()) << row.name << ": " << genus;
  for (const KindHazards& row : housing_rules().hazards_of_group) EXPECT_TRUE(row.genera.empty()) << row.name;
}

TEST(Cautions, OwnRulesNameOwnKinds) {
  const HousingRules own = housing_rules(
      "[hazards_of_kind.mine]\ngenera = [\"Phidippus\"]\nhazards = [\"fast\"]\nstatus = \"C\"\n"
      "[hazards_of_group]\nmantises = []\n");
  HousingSituation s;
  Note basis;
  s.taxon = "Phidippus regius";
  EXPECT_FALSE(hazards_for(s, own, basis).systemic_venom);
  s.taxon = "Mantis religiosa";
  EXPECT_FALSE(hazards_for(s, own, basis).fast);
  for (const char* wrong :
       {"genera = [\"X\"]\nhazards = [\"teeth\"]", "hazards = [\"fast\"]", "genera = [\"X\"]",
        "genera = [\"X\"]\nhazards = []\nstatus = \"P\"", "genera = [\"X\"]\nhazards = []\nstatus = \"Q\""})
    EXPECT_THROW(housing_rules(std::string("[hazards_of_kind.mine]\n") + wrong), std::invalid_argument) << wrong;
}

TEST(Cautions, AnAnimalThatEscapedHasWhatTheHouseholdDoes) {
  constexpr auto gone = Event::escaped;
  EXPECT_TRUE(holds(codes_of("Latrodectus mactans", unsaid, World::unknown, gone, Habit::terrestrial),
                    {"escaped", "escaped_low", "escaped_venom", "serious_venom", "allergy"}));
  EXPECT_FALSE(
      codes_of("Latrodectus mactans", unsaid, World::unknown, gone, Habit::terrestrial).contains("escaped_high"));
  EXPECT_TRUE(holds(codes_of("Chromatopelma cyaneopubescens", unsaid, World::unknown, gone, Habit::arboreal),
                    {"escaped", "escaped_high", "escaped_hairs"}));
  EXPECT_TRUE(holds(codes_of("", unsaid, World::unknown, gone), {"escaped_low", "escaped_high"}));
  EXPECT_TRUE(codes_of("", unsaid, World::unknown, Event::died).empty());
  for (const char* words : {"shut the room", "children and pets", "never a bare hand", "tell all"})
    EXPECT_NE(caution_text("escaped").find(words), std::string::npos) << words;
}

TEST(Cautions, PromptsHaveTheirs) {
  using Found = std::vector<std::string>;
  EXPECT_EQ(prompted_cautions({"overdue"}), Found{"look_for_skin"});
  EXPECT_EQ(prompted_cautions({"palps_and_hooks", "unseen_since_entry"}), (Found{"look_first", "look_for_skin", "look_at_fangs"}));
  EXPECT_EQ(prompted_cautions({"take_prey_out"}), Found{"leftovers"});
  EXPECT_EQ(prompted_cautions({"skin_tells_sex"}), Found{"sex_from_skin"});
  EXPECT_TRUE(prompted_cautions({"hardened_by_meal", "floor", ""}).empty());
  EXPECT_NE(caution_text("look_for_skin").find("never dig"), std::string::npos);
  EXPECT_THROW(caution_text("no such code"), std::invalid_argument);
}

TEST(Cautions, AReasonThatAsksForALookCarriesItsCaution) {
  HousingSituation s;
  HousingAdvice a;
  a.reasons = {{"size_missing", "in whatever words"}};
  add_cautions(s, housing_rules(), a);
  EXPECT_TRUE(says(a.cautions, "look_for_skin"));
}

// The name of a box is the keeper's own.
TEST(Cautions, WordsOfTheKeeperAskForNothing) {
  HousingSituation s;
  HousingAdvice a;
  SuggestedBox box;
  box.name = "look first for a skin, black fangs, uneaten prey";
  a.reasons = {housing_words::suggested(box)};
  add_cautions(s, housing_rules(), a);
  for (const char* code : {"look_first", "look_for_skin", "look_at_fangs", "leftovers", "sex_from_skin"}) EXPECT_FALSE(says(a.cautions, code)) << code;
}

/// A code that nothing says would never bring its caution.
TEST(Cautions, EachPromptIsACodeOfASentence) {
  Codes known{"palps_and_hooks", "look_before_food", "take_prey_out", "look_for_molt"};  // of verdicts and of the doubts of records
  for (int i = 0; i <= static_cast<int>(VerdictReason::between); ++i) known.insert(std::string(reason_name(static_cast<VerdictReason>(i))));
  HousingSituation s;
  for (const Note& note : {housing_words::look_before_move(0), housing_words::may_be_soft({}, s), housing_words::safe_after_molt({1, 2}),
                           housing_words::size_missing(), forecast_words::unwatched_since(0), forecast_words::skin_tells_sex(0.5, 20)})
    known.insert(note.code);
  for (const Caution& caution : cautions())
    for (const std::string& code : caution.asked_by) EXPECT_TRUE(known.contains(code)) << caution.code << ": " << code;
}

// Records.

Collection with_taxa(const std::string& animals, const std::string& taxa) {
  RawCollection raw = example_raw("", animals);
  raw.taxa = read_csv(taxa, "taxa.csv");
  return make_collection(raw);
}

TEST(Cautions, AnUnknownHazardWordIsADoubtAndAnimalsAreAnswered) {
  const Collection c = with_taxa("animal,taxon\nA1,Damon diadema\nA2,Damon diadema\n",
                                 "taxon,hazard\nDamon diadema,very venomous; fast\n");
  ASSERT_EQ(c.problems.size(), 1u) << listing(c);
  EXPECT_EQ(c.problems[0].severity, Severity::doubt);
  const std::string said = c.problems[0].rule + c.problems[0].next_step;
  for (const char* word : {"urticating_setae", "systemic_venom", "irritant_spray", "fast", "'very', 'venomous'"})
    EXPECT_NE(said.find(word), std::string::npos) << word << " in " << said;
  for (const Animal& animal : c.animals)
    EXPECT_TRUE(!animal.set_aside && animal.hazards.fast && animal.hazards.systemic_venom);
}

TEST(Cautions, WhatTheAnimalStatesJoinsWhatItsTaxonStates) {
  const Collection c = with_taxa("animal,taxon,hazard\nA1,Damon diadema,fast\nA2,Damon diadema,none\n",
                                 "taxon,hazard\nDamon diadema,urticating setae\n");
  EXPECT_TRUE(c.problems.empty()) << listing(c);
  EXPECT_TRUE(c.animals[0].hazards.fast && c.animals[0].hazards.urticating_setae);
  EXPECT_TRUE(c.animals[1].hazards.urticating_setae && !c.animals[1].hazards.fast);
}

}  // namespace
}  // namespace moltspan
