#include "moltspan/kinds/kinds.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <sstream>

#include "collection/kinds.hpp"
#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/collection/fit.hpp"

namespace moltspan {
namespace {

Animal animal_of(std::string taxon, std::string group = "") {
  Animal animal;
  animal.taxon = std::move(taxon);
  animal.genus = animal.taxon.substr(0, animal.taxon.find(' '));
  animal.group = std::move(group);
  return animal;
}

std::shared_ptr<const Collection> collection_of(std::string animals, std::string journal, std::string taxa = "") {
  RawCollection raw;
  raw.animals = read_csv(animals, "animals.csv");
  raw.journal = read_csv(journal, "journal.csv");
  if (!taxa.empty()) raw.taxa = read_csv(taxa, "taxa.csv");
  return std::make_shared<const Collection>(make_collection(std::move(raw)));
}

double prior_median(const std::string& taxon, const std::string& reading, const std::string& taxa = "") {
  const auto c = collection_of("animal,taxon\nA," + taxon + "\n",
                               "animal,date,event,value,unit\nA,2026-01-01,molt,,\nA,2026-01-01," + reading + "\n", taxa);
  CollectionOptions options;
  options.as_of = read_date("2026-01-01").day;
  const CollectionFit fit = fit_collection(c, options);
  const PredictorMixture running = running_predictors(fit.stadia);
  return std::exp(running.weights.dot(running.mean.col(0)));
}

TEST(Kinds, EveryNumberHasAStatusOfAKnownSort) {
  for (const KindFacts& facts : shipped_kind_facts())
    for (const KindNumber* n : {&facts.stadium_days, &facts.exponent, &facts.growth_ratio, &facts.adult_female,
                                &facts.adult_male, &facts.instars_female, &facts.instars_male, &facts.last_instar, &facts.premolt_share}) {
      if (!n->known()) continue;
      EXPECT_GT(n->log_sd, 0) << facts.name;
      const std::string& s = n->status;
      EXPECT_TRUE(s.starts_with("published: ") || s == "common practice, no source" || s == "assumption" ||
                  s == "from memory, not checked")
          << facts.name << ": " << s;
    }
}

TEST(Kinds, AGroupHasItsMeasureAndAReferenceInIt) {
  for (const KindFacts& facts : shipped_kind_facts())
    EXPECT_GT(facts.reference[static_cast<std::size_t>(facts.measure)], 0) << facts.name;
}

// Table C of Przibram & Megusar 1912: last prothorax of 12 females 22.30 mm, of 10 males 18.50 mm (geometric means).
TEST(Kinds, AKindGoesBeforeItsGroup) {
  const KindFacts own = facts_of(animal_of("Sphodromantis lineola")), group = facts_of(animal_of("Hierodula sp"));
  EXPECT_EQ(own.name, "Sphodromantis");
  EXPECT_EQ(own.measure, SizeMeasure::carapace_length);
  EXPECT_NEAR(own.adult_female.value, 22.30, 0.05);
  EXPECT_NEAR(own.adult_male.value, 18.50, 0.05);
  EXPECT_EQ(group.name, "mantises");
  EXPECT_EQ(own.stadium_days.value, group.stadium_days.value);
}

TEST(Kinds, AStatedGroupAndStatedNumbersWin) {
  EXPECT_EQ(facts_of(animal_of("Nobody knows", "crabs")).measure, SizeMeasure::carapace_width);
  EXPECT_FALSE(facts_of(animal_of("Nobody knows")).known());
  const auto c = collection_of("animal,taxon\nA,Hierodula sp\n", "animal,date,event\n",
                               "taxon,adult_size_mm,growth_ratio,stadium_days,stadium_at_mm,premolt_share\n"
                               "Hierodula sp,female 80; male 70,1.25,20,30,0.3\n");
  ASSERT_TRUE(c->problems.empty()) << c->problems[0].rule;
  const KindFacts facts = facts_of(c->animals[0]);
  EXPECT_EQ(facts.adult_female.value, 80);
  EXPECT_EQ(facts.adult_male.value, 70);
  EXPECT_EQ(facts.growth_ratio.value, 1.25);
  EXPECT_EQ(facts.stadium_days.value, 20);
  EXPECT_EQ(facts.premolt_share.value, 0.3);
  EXPECT_EQ(facts.adult_male.status, "stated in the records");
  EXPECT_EQ(facts.reference[1], 30);
  EXPECT_NEAR(facts.reference[2], 7.13 * 30 / 21, 1e-12);  // the prothorax goes along
}

TEST(Kinds, AFaultyNumberNamesItsCell) {
  const auto c = collection_of("animal,taxon\nA,Hierodula sp\n", "animal,date,event\n",
                               "taxon,growth_ratio,size_measure\nHierodula sp,0.2,wingspan\n");
  ASSERT_GE(c->problems.size(), 2u);
  EXPECT_TRUE(c->animals[0].set_aside);
}

TEST(Kinds, AdultSizesInAnotherMeasureAndOfUnknownSex) {
  Animal mantis = animal_of("Hierodula sp");
  const AdultSize body = adult_size_prior(mantis, SizeMeasure::body_length);
  EXPECT_EQ(body.female.value, 65);
  const AdultSize prothorax = adult_size_prior(mantis, SizeMeasure::carapace_length);
  EXPECT_NEAR(prothorax.female.value, 65 * 7.13 / 21, 1e-9);
  EXPECT_NEAR(prothorax.female.log_sd, std::hypot(0.4, 0.15), 1e-12);
  const KindNumber either = body.of(0.5);  // by hand: log means (4.174, 4.007), apart by .167
  EXPECT_NEAR(either.value, std::sqrt(65.0 * 55.0), 1e-9);
  EXPECT_NEAR(either.log_sd, std::sqrt(0.16 + 0.25 * std::pow(std::log(65.0 / 55.0), 2)), 1e-12);
  Animal tarantula = animal_of("Brachypelma hamorii");
  EXPECT_EQ(adult_size_prior(tarantula, SizeMeasure::leg_span).female.value, 150);
  tarantula.adult_leg_span_mm = 130;
  EXPECT_EQ(adult_size_prior(tarantula, SizeMeasure::leg_span).of(1).value, 130);
  EXPECT_NEAR(adult_size_prior(tarantula, SizeMeasure::carapace_length).of(0).value, 130 * 3.33 / 20, 1e-9);
}

// Median of a stadium before any record: outside truth beside each, all within the log sd that the facts state.
TEST(Kinds, PriorStadiaAreThoseOfTheGroup) {
  const auto off = [](double median, double truth) { return std::abs(std::log(median / truth)); };
  // Przibram & Megusar 1912: 14 days from molt VI (9.6 mm) to VII; four times too long before.
  EXPECT_LT(off(prior_median("Sphodromantis viridis", "carapace_length,9.6,mm"), 14), 0.4);
  // Eight juvenile lobsters of 8.8 mm at 15 C: median 33.5 days; five times too long before.
  EXPECT_LT(off(prior_median("Homarus americanus", "carapace_length,8.8,mm", "taxon,temperature_c\nHomarus americanus,15\n"),
                33.5),
            0.1);
  // Wainwright & Armstrong 1993 at 10 C: 51.5 days at a width of 50 mm, 23.4 at 5 mm.
  const std::string cold = "taxon,temperature_c\nMetacarcinus magister,10\n";
  EXPECT_LT(off(prior_median("Metacarcinus magister", "carapace_width,50,mm", cold), 51.5), 0.1);
  EXPECT_LT(off(prior_median("Metacarcinus magister", "carapace_width,5,mm", cold), 23.4), 0.6);
  // Kong and others, Gryllodes: 50.9 days to the adult, the last instar 19.6, at 28 C: 5.2 a stadium of the six before.
  EXPECT_LT(off(prior_median("Gryllodes sigillatus", "mass,0.01085,g", "taxon,temperature_c\nGryllodes sigillatus,28\n"), 5.2),
            0.2);
  // Francke & Jones 1982: 58.7 days in the fourth instar at 26.6 C.
  EXPECT_LT(off(prior_median("Centruroides gracilis", "carapace_length,3.93,mm"), 58.7), 0.1);
}

TEST(Kinds, TarantulasAndUnknownKindsEnterAsBefore) {
  for (const std::string taxon : {"Brachypelma hamorii", "Nobody knows"}) {
    const auto c = collection_of("animal,taxon\nA," + taxon + "\n",
                                 "animal,date,event,value,unit\nA,2026-01-01,molt,,\nA,2026-01-01,leg_span,20,mm\n");
    const CollectionFit fit = fit_collection(c);
    for (const std::string& name : fit.stadia.coefficient_names) EXPECT_NE(name, "kind_pace");
  }
}

// Nine stadia of 28 days each, twice what the group's facts say: the records win.
TEST(Kinds, OwnRecordsOutweighTheFacts) {
  std::string journal = "animal,date,event,value,unit\n";
  const Day first = read_date("2026-01-01").day;
  for (int k = 0; k < 10; ++k) {
    journal += "A," + to_iso(first + 28 * k + (k % 3 - 1)) + ",molt,,\n";
    journal += "A," + to_iso(first + 28 * k + (k % 3 - 1)) + ",body_length,20,mm\n";
  }
  const CollectionFit fit = fit_collection(collection_of("animal,taxon\nA,Hierodula sp\n", journal));
  const PredictorMixture running = running_predictors(fit.stadia);
  EXPECT_NEAR(std::exp(running.weights.dot(running.mean.col(0))), 28, 1.5);
}

}  // namespace
}  // namespace moltspan
