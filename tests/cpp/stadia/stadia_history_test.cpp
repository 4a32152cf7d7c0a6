#include <gtest/gtest.h>

#include <cmath>
#include <stdexcept>

#include "moltspan/stadia/stadia.hpp"
#include "stadia_book.hpp"

// What an animal's history holds beside its molts: maturity, sizes, temperature, signs; and the kinds.
// All expected days are counted by hand in the comments; 2026 is no leap year: January 31, February 28, March 31 days.
namespace moltspan {
namespace {

// Maturity and last molts.

TEST(Stadia, MaleTarantulaMoltsNoMore) {
  Book book;
  book.first().male_chance = 1;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::molt, "2026-03-02");     // 60 days
  book.row(Event::matured, "2026-03-05");  // noticed three days later: the molt of 2 March
  const StadiaTable t = book.at("2026-05-01");
  ASSERT_EQ(t.stadia.size(), 1u);
  EXPECT_EQ(t.stadia[0].max_days, 60);
  EXPECT_TRUE(t.animals[0].molts_no_more);
  EXPECT_EQ(t.animals[0].matured, day("2026-03-02"));
  EXPECT_EQ(t.animals[0].stadia_without_start, 0);
  EXPECT_EQ(book.at("2026-03-04").stadia.size(), 2u) << "maturity is not yet known";
}

TEST(Stadia, MaturedWithoutAMoltIsOne) {
  Book book;
  book.first().matured = day("2026-04-01");
  book.row(Event::molt, "2026-01-01");
  const StadiaTable t = book.at("2026-05-01");
  ASSERT_EQ(t.animals[0].molts.size(), 2u);
  EXPECT_EQ(t.animals[0].molts[1].row, 0);
  EXPECT_EQ(t.stadia.at(0).min_days, 90);  // 30 + 28 + 31 + 1
  EXPECT_TRUE(t.animals[0].after_maturity_unknown) << "sex not known, and the sexes differ";
  EXPECT_EQ(t.stadia.at(1).status, StadiumStatus::running);
}

TEST(Stadia, SexDecidesWhatFollowsMaturity) {
  const auto no_more = [](double male_chance, const char* taxon) {
    Book book;
    book.first().male_chance = male_chance;
    book.first().taxon = taxon;
    book.first().matured = day("2026-01-01");
    return book.at("2026-02-01").animals[0];
  };
  EXPECT_TRUE(no_more(.8, "Brachypelma hamorii").molts_no_more) << "probable male";
  EXPECT_FALSE(no_more(.2, "Brachypelma hamorii").molts_no_more) << "probable female";
  EXPECT_FALSE(no_more(.2, "Brachypelma hamorii").after_maturity_unknown);
  EXPECT_TRUE(no_more(.5, "Phidippus regius").molts_no_more) << "both sexes stop";
  EXPECT_TRUE(no_more(.5, "Hierodula sp.").molts_no_more);
  EXPECT_FALSE(no_more(.5, "Damon diadema").molts_no_more) << "both sexes go on";
  EXPECT_FALSE(no_more(.5, "Damon diadema").after_maturity_unknown);
  EXPECT_TRUE(no_more(1, "Nonesuch").after_maturity_unknown);
}

TEST(Stadia, OwnRuleOverridesTheKind) {
  Book book;
  book.first().male_chance = 0;
  book.first().matured = day("2026-01-01");
  book.first().after_maturity_female = AfterMaturity::stops;
  EXPECT_TRUE(book.at("2026-02-01").animals[0].molts_no_more);
}

TEST(Stadia, SexRowCountsFromItsDayOn) {
  Book book;
  book.first().matured = day("2026-01-01");
  book.row(Event::sex, "2026-02-01", 1);
  EXPECT_EQ(book.at("2026-01-31").animals[0].male_chance, .5);
  EXPECT_TRUE(book.at("2026-01-31").animals[0].after_maturity_unknown);
  EXPECT_EQ(book.at("2026-02-01").animals[0].male_chance, 1);
  EXPECT_TRUE(book.at("2026-02-01").animals[0].molts_no_more);
}

TEST(Stadia, MoltAfterTheLastIsSaid) {
  Book book;
  book.first().male_chance = 1;
  book.first().matured = day("2026-01-01");
  book.row(Event::molt, "2026-06-01");
  const StadiaTable t = book.at("2026-07-01");
  EXPECT_EQ(t.stadia.size(), 1u);
  ASSERT_EQ(t.doubts.size(), 1u);
  EXPECT_NE(t.doubts[0].next_step.find("after_maturity"), std::string::npos);
}

// Sizes, temperature, signs.

TEST(Stadia, ReadingsFindTheirInstar) {
  Book book;
  book.row(Event::leg_span, "2025-12-20", 20);  // before any molt
  book.row(Event::molt, "2026-01-01");
  book.row(Event::leg_span, "2026-01-01", 26);                              // unsaid: the new instar
  book.row(Event::carapace_length, "2026-01-01", 4).on = MeasuredOn::skin;  // the one that ended
  book.row(Event::leg_span, "2026-02-01", 27).on = MeasuredOn::animal;      // within the instar
  book.row(Event::molt, days("2026-03-01", "2026-03-07"));
  book.row(Event::leg_span, "2026-03-03", 28);                              // not yet found molted
  book.row(Event::carapace_length, "2026-03-09", 5).on = MeasuredOn::skin;  // measured two days after the find
  const AnimalHistory h = book.at("2026-04-01").animals[0];
  const auto place = [&](double value) {
    const auto found = std::find_if(h.sizes.begin(), h.sizes.end(), [&](const auto& s) { return s.value == value; });
    return found == h.sizes.end() ? -99 : found->molts_before;
  };
  EXPECT_EQ(h.sizes.size(), 6u);
  EXPECT_EQ(place(20), 0);
  EXPECT_EQ(place(26), 1);
  EXPECT_EQ(place(4), 0);
  EXPECT_EQ(place(27), 1);
  EXPECT_EQ(place(28), 1);
  EXPECT_EQ(place(5), 1);
  const StadiaTable t = book.at("2026-04-01");
  EXPECT_EQ(t.stadia.at(0).start_size_mm, 26) << "the first reading on the animal";
  EXPECT_TRUE(std::isnan(t.stadia.at(1).start_size_mm));
}

TEST(Stadia, SkinWithinTheRangeOfItsMoltIsOfTheInstarBefore) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::molt, days("2026-03-01", "2026-03-07"));
  book.row(Event::leg_span, "2026-03-03", 30).on = MeasuredOn::skin;
  EXPECT_EQ(book.at("2026-04-01").animals[0].sizes.at(0).molts_before, 1);
}

TEST(Stadia, SkinOfNoMoltIsSaid) {
  Book book;
  book.row(Event::leg_span, "2026-01-01", 20).on = MeasuredOn::skin;
  const StadiaTable t = book.at("2026-02-01");
  EXPECT_TRUE(t.animals[0].sizes.empty());
  ASSERT_EQ(t.doubts.size(), 1u);
  EXPECT_EQ(t.doubts[0].animal, "A1");
  EXPECT_EQ(t.doubts[0].file, "journal.csv");
}

TEST(Stadia, TemperatureIsWeightedByTime) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::temperature, "2026-01-10", 20);  // 1 to 10 January: 10 days
  book.row(Event::temperature, "2026-01-30", 26);  // 11 to 30 January: 20 days
  book.row(Event::molt, "2026-01-31");
  const StadiaTable t = book.at("2026-02-20");
  EXPECT_NEAR(t.stadia.at(0).temperature_c, 24, 1e-12);  // (10 * 20 + 20 * 26) / 30; rounding of one division
  EXPECT_TRUE(std::isnan(t.stadia.at(1).temperature_c)) << "no row covers it";
  EXPECT_NEAR(t.animals[0].temperature_c, 24, 1e-12);
}

/// A row gives the mean since the row before it: written on the day of a molt it says nothing of the stadium that
/// begins.
TEST(Stadia, TemperatureOfAMoltsDayIsThatOfTheStadiumBefore) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::temperature, "2026-01-31", 22);
  book.row(Event::molt, "2026-01-31");
  EXPECT_EQ(book.at("2026-02-20").stadia.at(0).temperature_c, 22);
  EXPECT_TRUE(std::isnan(book.at("2026-02-20").stadia.at(1).temperature_c));
  book.row(Event::temperature, "2026-02-10", 26);
  EXPECT_EQ(book.at("2026-02-20").stadia.at(1).temperature_c, 26);
}

TEST(Stadia, UsualTemperatureFallsBackToTheStatedOne) {
  Book book;
  book.first().temperature_c = 25;
  book.row(Event::molt, "2026-01-01");
  EXPECT_EQ(book.at("2026-02-01").animals[0].temperature_c, 25);
  EXPECT_TRUE(std::isnan(book.at("2026-02-01").stadia.at(0).temperature_c));
}

TEST(Stadia, FlagsBelongToTheirStadium) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::egg_sac, "2026-01-10");
  book.row(Event::molt, "2026-02-01");
  book.row(Event::limb_lost, "2026-02-01");  // lost in that molt: the stadium that begins
  const StadiaTable t = book.at("2026-03-01");
  EXPECT_TRUE(t.stadia.at(0).egg_sac);
  EXPECT_FALSE(t.stadia.at(0).limb_lost);
  EXPECT_FALSE(t.stadia.at(1).egg_sac);
  EXPECT_TRUE(t.stadia.at(1).limb_lost);
}

TEST(Stadia, FangsAndMealsCountSinceTheLastMolt) {
  Book book;
  book.row(Event::ate, "2026-01-05");
  book.row(Event::molt, "2026-02-01");
  book.row(Event::ate, "2026-02-01");  // the same day: before the molt
  book.row(Event::fangs_black, "2026-02-08");
  book.row(Event::ate, "2026-02-12");
  book.row(Event::ate, "2026-02-19");
  const AnimalHistory h = book.at("2026-03-01").animals[0];
  EXPECT_EQ(h.fangs_black, day("2026-02-08"));
  EXPECT_EQ(h.meal, day("2026-02-12"));
  EXPECT_FALSE(book.at("2026-02-07").animals[0].fangs_black.has_value());
}

TEST(Stadia, NoDateAtAllAsksForOne) {
  Book book;
  EXPECT_THROW(build_stadia(book.collection), std::invalid_argument);
  book.row(Event::molt, "2026-01-01");
  EXPECT_EQ(build_stadia(book.collection).as_of, day("2026-01-01"));
}

// Molts found late, put in order by their numbers: the first could have been the one of 3 July to 1 August too, but
// then it would lie after the second. Maturity belongs to the one whose days it shares.
TEST(Stadia, MaturityIsThatOfTheMoltItLiesNearest) {
  Book book;
  book.row(Event::molt, days("2026-05-04", "2026-08-01"), 4);
  book.row(Event::molt, days("2026-06-03", "2026-07-02"), 5);
  book.row(Event::molt, days("2026-07-03", "2026-08-01"), 6);
  book.row(Event::matured, days("2026-07-03", "2026-08-01"));
  const StadiaTable t = book.at("2026-09-01");
  EXPECT_EQ(t.animals[0].matured_molt, 2);
  EXPECT_EQ(t.animals[0].molts[0].when, days("2026-05-04", "2026-08-01"));
  for (const Stadium& s : t.stadia)
    if (s.end) {
      EXPECT_GT(s.max_days, s.min_days);
    }
}

}  // namespace
}  // namespace moltspan
