#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/forecast/forecast.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <stdexcept>

#include "stadia_book.hpp"

// Forecasts of small collections: cases by hand and laws. Waits and days of hardening: shared/husbandry.toml, common
// practice, no source. The records end on 1 June 2026; cases count days back from it.
namespace moltspan {
namespace {

const Day as_of = day("2026-06-01");

DayRange ago(int days_ago) { return {as_of - days_ago, as_of - days_ago}; }

std::vector<AnimalForecast> forecasts(const Book& book, CollectionOptions options = {}) {
  options.as_of = as_of;
  return forecast(fit_collection(std::make_shared<const Collection>(book.collection), options));
}

AnimalForecast one(const Book& book, const CollectionOptions& options = {}) { return forecasts(book, options).at(0); }

void molts(Book& book, std::initializer_list<int> days_ago, double mm = 20) {
  for (const int days : days_ago) {
    book.row(Event::molt, ago(days));
    book.row(Event::leg_span, ago(days), mm);
  }
}

Book regular(int last) {
  Book book;
  molts(book, {300 + last, 240 + last, 180 + last, 120 + last, 60 + last, last});
  return book;
}

/// Nothing left to learn: log T = log 60 + sigma W for every animal, sigma next to 0.
CollectionOptions sure_of_sixty_days() {
  CollectionOptions options;
  options.priors = {{"Intercept", {Prior::Kind::normal, std::log(60), 1e-6}},
                    {"log_size", {Prior::Kind::normal, 0, 1e-6}},
                    {"sigma", {Prior::Kind::half_normal, 0, 1e-4}}};
  for (const char* level : {"animal_sd", "cohort_sd", "taxon_sd", "genus_sd"})
    options.priors.push_back({level, {Prior::Kind::half_normal, 0, 1e-6}});
  return options;
}

bool notes_hold(const AnimalForecast& animal, const std::string& text) {
  return std::any_of(animal.notes.begin(), animal.notes.end(),
                     [&](const Note& note) { return note.text.find(text) != std::string::npos; });
}

TEST(Forecast, NamesOfPhases) {
  EXPECT_EQ(phase_name(Phase::postmolt), "postmolt");
  EXPECT_EQ(phase_name(Phase::final_instar), "final");
  EXPECT_EQ(phase_name(Phase::gone), "gone");
  EXPECT_EQ(phase_name(Phase::unknown), "unknown");
}

// By hand.

TEST(Forecast, SixtyDaysFromTheMiddleOfTheDayOfTheMolt) {
  Book book;
  molts(book, {10});
  // Days count from the beginning of the as_of day; the molt was 10 days before it and half a day on, on average.
  // .1 day: what sigma's prior (1e-4) and the start's own day leave of it.
  EXPECT_NEAR(one(book, sure_of_sixty_days()).quantile_days[4], 60 - 10 + 0.5, 0.1);
}

TEST(Forecast, AnimalJustBoughtWaitsForARandomPartOfItsStadium) {
  Book book;
  book.first().acquired = as_of;
  book.row(Event::checked, ago(0));
  // Watched on one day of a stadium of 60: the rest, past the end of that day, is uniform on 0 to 59 days.
  const AnimalForecast animal = one(book, sure_of_sixty_days());
  ASSERT_EQ(animal.quantile_days.size(), 9u);
  for (std::size_t i = 0; i < 9; ++i) EXPECT_NEAR(animal.quantile_days[i], 1 + 59 * standard_quantiles[i], 0.1) << i;
  EXPECT_NEAR(animal.chance_within_days[2], 30.0 / 59, 0.002);  // 30 days from the end of the as_of day
  EXPECT_FALSE(animal.last_molt.has_value());
  EXPECT_TRUE(notes_hold(animal, "no molt on record"));
}

TEST(Forecast, LastMoltIsTheRangeInWhichASkinWasFound) {
  Book book;
  book.row(Event::molt, ago(60));
  book.row(Event::checked, ago(20));
  book.row(Event::skin_found, ago(10));
  const auto molt = one(book).last_molt;
  ASSERT_TRUE(molt.has_value());
  EXPECT_EQ(molt->earliest, as_of - 19);
  EXPECT_EQ(molt->latest, as_of - 10);
}

TEST(Forecast, FourDaysOfHardeningAndFiveWithoutFoodUnder25Millimeters) {
  Book soft = regular(3), hard = regular(4);
  EXPECT_EQ(one(soft).phase, Phase::postmolt);
  EXPECT_EQ(one(hard).phase, Phase::intermolt);
  EXPECT_EQ(one(soft).feed_from, as_of - 3 + 5);
  Book fed = regular(3);
  fed.row(Event::ate, ago(1));
  EXPECT_EQ(one(fed).feed_from, as_of - 1);
  EXPECT_EQ(one(fed).phase, Phase::intermolt);
}

TEST(Forecast, FarPastFiveEqualStadiaIsOverdue) {
  const AnimalForecast animal = one(regular(150));
  EXPECT_EQ(animal.phase, Phase::overdue);
  EXPECT_GE(animal.quantile_days.front(), 1);  // none up to the end of the as_of day
}

struct End {
  Event event;
  Phase phase;
  const char* why;
};

TEST(Forecast, EndedRecordsHaveNoForecastAndSayWhy) {
  for (const End& end :
       {End{Event::died, Phase::dead, "died on 2026-05-30"}, End{Event::left, Phase::gone, "left on 2026-05-30"},
        End{Event::escaped, Phase::gone, "escaped on 2026-05-30"}}) {
    Book book = regular(10);
    book.row(end.event, ago(2));
    const AnimalForecast animal = one(book);
    EXPECT_EQ(animal.phase, end.phase);
    EXPECT_EQ(animal.why_no_forecast, end.why);
    EXPECT_TRUE(animal.quantile_days.empty());
    EXPECT_TRUE(animal.bands.empty());
    EXPECT_FALSE(animal.feed_from.has_value());
  }
}

// A matured male tarantula molts no more, a female goes on (common knowledge of the trade, no source).
TEST(Forecast, MaturedMaleMoltsNoMore) {
  for (const double male : {0.0, 1.0}) {
    Book book;
    book.first().male_chance = male;
    molts(book, {200, 100}, 60);
    book.row(Event::matured, ago(100));
    const AnimalForecast animal = one(book);
    EXPECT_EQ(animal.quantile_days.empty(), male == 1);
    EXPECT_EQ(animal.phase == Phase::final_instar, male == 1);
    if (male == 1) {
      EXPECT_EQ(animal.chance_final, 1);
    }
  }
}

TEST(Forecast, AnimalsSetAsideAreNamed) {
  Book book = regular(10);
  book.animal("A2").set_aside = true;
  const auto all = forecasts(book);
  ASSERT_EQ(all.size(), 2u);
  EXPECT_EQ(all[0].id, "A1");
  EXPECT_FALSE(all[0].quantile_days.empty());
  EXPECT_EQ(all[1].id, "A2");
  EXPECT_TRUE(all[1].quantile_days.empty());
  EXPECT_NE(all[1].why_no_forecast.find("set aside"), std::string::npos);
}

TEST(Forecast, OwnAndKinStadiaAreCounted) {
  Book book = regular(10);  // five closed
  book.animal("A2");
  molts(book, {150, 40});  // one closed
  const auto all = forecasts(book);
  EXPECT_EQ(all[1].own_stadia, 1);
  EXPECT_EQ(all[1].taxon_stadia, 5);
  EXPECT_GT(all[0].own_weight, all[1].own_weight);  // five of its own tell more than one
  EXPECT_LE(all[0].own_weight, 1);
  EXPECT_GE(all[1].own_weight, 0);
}

TEST(Forecast, LevelsLieBetweenZeroAndOne) {
  CollectionOptions options;
  options.as_of = as_of;
  const CollectionFit fit = fit_collection(std::make_shared<const Collection>(regular(10).collection), options);
  for (const double level : {0.0, 1.0, -0.1, 80.0, std::nan("")})
    EXPECT_THROW(forecast(fit, {level}), std::invalid_argument) << level;
}

// Laws.

TEST(ForecastLaw, QuantilesRiseBandsAreTheirEdgesAndChancesAgree) {
  Book book = regular(10);
  book.animal("A2");
  molts(book, {150, 40});
  book.animal("A3").acquired = as_of - 30;
  book.row(Event::ate, ago(20));
  for (const AnimalForecast& animal : forecasts(book)) {
    const auto& q = animal.quantile_days;
    ASSERT_EQ(q.size(), std::size(standard_quantiles)) << animal.id;
    EXPECT_TRUE(std::is_sorted(q.begin(), q.end()));
    EXPECT_GE(q.front(), 1);
    ASSERT_EQ(animal.bands.size(), 3u);  // 50, 80, 95 %: quantiles 3 and 5, 2 and 6, 0 and 8
    const std::size_t edges[][2] = {{3, 5}, {2, 6}, {0, 8}};
    for (std::size_t i = 0; i < 3; ++i) {
      EXPECT_NEAR(animal.bands[i].from_days, q[edges[i][0]], 1e-6 * q.back());
      EXPECT_NEAR(animal.bands[i].to_days, q[edges[i][1]], 1e-6 * q.back());
    }
    for (std::size_t h = 0; h < std::size(chance_horizons_days); ++h)
      for (std::size_t i = 0; i < q.size(); ++i) {
        const double chance = animal.chance_within_days[h];  // up to the end of that day; 1e-6: root of a quantile
        if (q[i] <= chance_horizons_days[h] + 1) {
          EXPECT_GE(chance, standard_quantiles[i] - 1e-6);
        } else {
          EXPECT_LE(chance, standard_quantiles[i] + 1e-6);
        }
      }
  }
}

TEST(ForecastLaw, TwiceTheSameIsTheSameAndTheOrderOfAnimalsDoesNotMatter) {
  Book book = regular(10), turned;
  book.animal("A2");
  molts(book, {150, 40}, 25);
  turned.first().id = "A2";
  molts(turned, {150, 40}, 25);
  turned.animal("A1");
  molts(turned, {310, 250, 190, 130, 70, 10});
  const auto first = forecasts(book), again = forecasts(book), other = forecasts(turned);
  for (std::size_t a = 0; a < 2; ++a)
    for (std::size_t i = 0; i < 9; ++i) {
      EXPECT_EQ(first[a].quantile_days[i], again[a].quantile_days[i]);
      // The same sums in another order, through a maximization.
      EXPECT_NEAR(first[a].quantile_days[i] / other[1 - a].quantile_days[i], 1, 1e-6);
    }
}

TEST(ForecastLaw, RecordsOfOneDayLaterWithoutAMoltPushTheForecastOn) {
  const Book book = regular(30);
  double before = 0;
  for (const int later : {0, 20, 40, 60}) {
    CollectionOptions options;
    options.as_of = as_of + later;
    const auto animal = forecast(fit_collection(std::make_shared<const Collection>(book.collection), options)).at(0);
    const double median = later + animal.quantile_days[4];  // from 1 June
    EXPECT_GT(median, before);
    before = median;
  }
}

}  // namespace
}  // namespace moltspan
