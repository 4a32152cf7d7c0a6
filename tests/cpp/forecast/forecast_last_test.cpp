#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <stdexcept>

#include "collection/last.hpp"
#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/forecast/forecast.hpp"
#include "stadia_book.hpp"

// Last molts: cases by hand and laws. That male tarantulas stop at maturity and females go on, that most mantises stop
// in both sexes: common knowledge of the trade, from memory, no source (shared/kinds.toml).
namespace moltspan {
namespace {

const Day as_of = day("2026-06-01");

DayRange ago(int days_ago) { return {as_of - days_ago, as_of - days_ago}; }

CollectionFit fitted(const Book& book) {
  CollectionOptions options;
  options.as_of = as_of;
  return fit_collection(std::make_shared<const Collection>(book.collection), options);
}

std::vector<AnimalForecast> forecasts(const Book& book) { return forecast(fitted(book)); }

/// Molts 90 days apart, the last `since` days ago, sizes growing by 1.3 a molt up to `mm`.
void chain(Book& book, int since, double mm, int n = 4) {
  for (int k = n; k-- > 0;) {
    book.row(Event::molt, ago(since + 90 * k));
    book.row(Event::leg_span, ago(since + 90 * k), mm / std::pow(1.3, k));
  }
}

struct Wanted {
  double male = 0.5, mm = 140, adult = 150;
  int since = 60;
  std::string taxon = "Brachypelma hamorii";
};

/// Chance of one animal beside three young ones of 90 days a stadium.
AnimalForecast one(const Wanted& wanted) {
  Book book;
  for (int k = 0; k < 3; ++k) {
    if (k > 0) book.animal("K" + std::to_string(k));
    chain(book, 10 + 20 * k, 40, 6);
  }
  Animal& animal = book.animal("X", wanted.taxon);
  animal.male_chance = wanted.male;
  animal.adult_leg_span_mm = wanted.adult;
  chain(book, wanted.since, wanted.mm);
  return forecasts(book).back();
}

bool notes_hold(const AnimalForecast& animal, const std::string& text) {
  return std::any_of(animal.notes.begin(), animal.notes.end(),
                     [&](const Note& note) { return note.text.find(text) != std::string::npos; });
}

TEST(LastMolt, FollowsTheRuleOfTheKindAndNeedsASize) {
  EXPECT_EQ(one({.male = 0}).chance_final, 0) << "female tarantula";
  EXPECT_EQ(one({.taxon = "Damon diadema"}).chance_final, 0) << "whip spiders go on";
  EXPECT_TRUE(std::isnan(one({.adult = unknown_number}).chance_final)) << "no adult size and no maturity on record";
  EXPECT_TRUE(std::isnan(one({.taxon = "Ficta nulla"}).chance_final)) << "a kind whose rule is not known";
  EXPECT_EQ(one({.mm = 30}).chance_final, 0) << "a fifth of the adult size is no last instar";
}

TEST(LastMolt, GrowsWithSizeMalenessAndTimeAndLowersTheChancesOfAMolt) {
  const AnimalForecast usual = one({}), larger = one({.mm = 160}), male = one({.male = 1}), late = one({.since = 150});
  EXPECT_GT(usual.chance_final, 0.02);
  EXPECT_LT(usual.chance_final, 0.5);
  EXPECT_GT(larger.chance_final, usual.chance_final);
  EXPECT_GT(male.chance_final, usual.chance_final);
  EXPECT_GT(late.chance_final, usual.chance_final);
  EXPECT_TRUE(notes_hold(usual, "judged by sex, size (9"));  // 140 of 150 mm, read low and smoothed
  EXPECT_TRUE(notes_hold(usual, "assumption"));
  // The quantiles are those given a molt: 90 % of that law lie before the .9 quantile, less are to be expected in all.
  for (std::size_t h = 0; h < std::size(chance_horizons_days); ++h)
    EXPECT_LE(late.chance_within_days[h], 1 - late.chance_final);
}

/// By hand: p = P(last) and S = P(a stadium so long), of which .002 is odd whatever the law of lengths says; a molt
/// that may have gone unseen weighs against the last molt only as far as its own chance goes. By Bayes' rule, with
/// likelihoods last : explained : odd = p : (1 - p) S / if_last : (1 - p) (.002 (1 - S)).
TEST(LastMolt, UnseenMoltsWeighNoMoreThanTheirOwnChance) {
  const CollectionFit fit = [] {
    Book book;
    chain(book, 10, 40, 6);
    Animal& animal = book.animal("X", "Brachypelma hamorii");
    animal.male_chance = 0.5;
    animal.adult_leg_span_mm = 150;
    chain(book, 60, 140);
    return fitted(book);
  }();
  const LastMolts last(fit, [](int) { return 1e-6; });
  const double p_given = last.chance(1), odd = 0.002, with_odd = odd + (1 - odd) * 1e-6;
  ASSERT_GT(p_given, 0.9);
  // chance() is p / (p + (1 - p) with_odd): the odds p / (1 - p) before the time watched counts.
  const double odds = p_given / (1 - p_given) * with_odd;
  EXPECT_NEAR(last.chance_given(1, 1e-6, 1), p_given, 1e-12);
  for (const double if_last : {1e-4, 0.01, 0.5, 2.0}) {
    const double explained = 1e-6 / if_last, odd_part = with_odd - 1e-6;
    EXPECT_NEAR(last.chance_given(1, 1e-6, if_last), odds / (odds + explained + odd_part), 1e-12);
  }
}

TEST(LastMolt, OfTwoMaturedOfUnknownSexIsAtFirstAsLikelyAsNot) {
  Book book;
  chain(book, 0, 60);
  book.row(Event::matured, ago(0));
  const AnimalForecast animal = forecasts(book).front();
  // p = 1/2, and on the day of the molt no stadium is over: p / (p + (1 - p) S) with S = 1; .005: half a day has
  // passed.
  EXPECT_NEAR(animal.chance_final, 0.5, 0.005);
  EXPECT_FALSE(animal.quantile_days.empty());
}

TEST(LastMolt, AMolterAfterMaturityGoesOn) {
  Book book;
  chain(book, 30, 60);
  book.row(Event::matured, ago(120));
  EXPECT_EQ(forecasts(book).front().chance_final, 0);
}

TEST(LastMolt, RecordedMaturitiesStandInForAnAdultSize) {
  Book book;
  const auto add = [&](const char* id, double mm, bool mature) {
    Animal& animal = std::string(id) == "A1" ? book.first() : book.animal(id);
    animal.male_chance = 1;
    chain(book, 80, mm);
    if (mature) book.row(Event::matured, ago(80));
  };
  add("A1", 100, true);
  add("A2", 105, true);
  add("A3", 102, false);
  add("A4", 60, false);
  const auto all = forecasts(book);
  EXPECT_EQ(all[0].chance_final, 1);
  EXPECT_GT(all[2].chance_final, 0.1);
  EXPECT_LT(all[3].chance_final, 0.01);
  EXPECT_TRUE(notes_hold(all[2], "learned from 2 recorded maturities"));
}

TEST(LastMolt, FemaleTarantulaMoltsAfterMaturityMaleAndMantisNever) {
  for (const auto& [taxon, male, goes_on] :
       {std::tuple{"Brachypelma hamorii", 0.0, true}, std::tuple{"Brachypelma hamorii", 1.0, false},
        std::tuple{"Hierodula sp.", 0.0, false}, std::tuple{"Hierodula sp.", 1.0, false}}) {
    Book book;
    book.animal("X", taxon).male_chance = male;
    chain(book, 100, 60);
    book.row(Event::matured, ago(100));
    const CollectionFit fit = fitted(book);
    const AnimalForecast animal = forecast(fit).back();
    EXPECT_EQ(!animal.quantile_days.empty(), goes_on) << taxon << male;
    EXPECT_EQ(animal.chance_final, goes_on ? 0 : 1) << taxon << male;
    if (!goes_on) {
      EXPECT_TRUE(notes_hold(animal, "100 days since its last molt of all"));
      EXPECT_EQ(chance_molt_before(fit, 1, as_of + 1000), 0);
    }
  }
}

TEST(LastMolt, ChanceOfAMoltBeforeADayAgreesWithTheForecast) {
  Book book;
  chain(book, 40, 60);
  const CollectionFit fit = fitted(book);
  const AnimalForecast animal = forecast(fit).front();
  for (std::size_t h = 0; h < std::size(chance_horizons_days); ++h)  // within n days = before the day after the n-th
    EXPECT_NEAR(chance_molt_before(fit, 0, as_of + chance_horizons_days[h] + 1), animal.chance_within_days[h], 1e-12);
  EXPECT_THROW(chance_molt_before(fit, 0, as_of), std::invalid_argument);
  EXPECT_THROW(chance_molt_before(fit, 1, as_of + 1), std::invalid_argument);
}

// Life after maturity: medians of 6, 12, 18 months by pace are assumptions (shared/husbandry.toml).

Book mature_males(std::initializer_list<int> deaths, Pace pace = Pace::unknown) {
  Book book;
  const auto add = [&](Animal& animal, int since) {
    animal.male_chance = 1;
    animal.pace = pace;
    book.row(Event::molt, ago(since));
    book.row(Event::matured, ago(since));
  };
  add(book.first(), 0);
  int k = 0;
  for (int days : deaths) {
    add(book.animal("D" + std::to_string(k++)), 600);
    book.row(Event::died, ago(600 - days));
  }
  return book;
}

TEST(MatureMale, LivesAsLongAsItsPaceSaysAtFirst) {
  for (const auto& [pace, months] :
       {std::pair{Pace::fast, 6}, std::pair{Pace::unknown, 12}, std::pair{Pace::slow, 18}}) {
    const AnimalForecast animal = forecasts(mature_males({}, pace)).front();
    ASSERT_TRUE(animal.mature_life.has_value());
    // A mixture symmetric in the log about a Weibull median: within 5 % of it.
    EXPECT_NEAR(animal.mature_life->median_days / (30.4375 * months), 1, 0.05);
    EXPECT_EQ(animal.mature_life->own_deaths, 0);
    EXPECT_TRUE(notes_hold(animal, "(assumption)"));
  }
}

TEST(MatureMale, OwnDeathsMoveTheBand) {
  const auto usual = forecasts(mature_males({})).front().mature_life,
             early = forecasts(mature_males({100, 120, 90})).front().mature_life,
             late = forecasts(mature_males({580, 590, 560})).front().mature_life;
  EXPECT_LT(early->median_days, 0.6 * usual->median_days);
  EXPECT_GT(late->median_days, 1.2 * usual->median_days);
  EXPECT_EQ(early->own_deaths, 3);
  EXPECT_LT(early->bands[2].to_days - early->bands[2].from_days, usual->bands[2].to_days - usual->bands[2].from_days);
  EXPECT_FALSE(forecasts(mature_males({100}))[1].mature_life.has_value()) << "the dead have no life ahead";
}

TEST(Maturity, SkinsThatTellTheSexAndPairings) {
  EXPECT_TRUE(notes_hold(one({.mm = 80}), "large enough to read the sex from"));
  EXPECT_FALSE(notes_hold(one({.mm = 40}), "large enough to read the sex from"));
  EXPECT_FALSE(notes_hold(one({.male = 0, .mm = 80}), "large enough to read the sex from")) << "the sex is known";
  Book book;
  book.first().male_chance = 0;
  chain(book, 100, 140);
  book.row(Event::matured, ago(100));
  book.animal("M1").male_chance = 1;
  chain(book, 50, 120);
  EXPECT_FALSE(notes_hold(forecasts(book).front(), "mature male of her kind"));
  book.row(Event::matured, ago(50));
  EXPECT_TRUE(notes_hold(forecasts(book).front(), "mature male of her kind: M1"));
}

}  // namespace
}  // namespace moltspan
