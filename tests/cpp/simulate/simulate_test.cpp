#include "moltspan/simulate/simulate.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <set>

namespace moltspan {
namespace {

/// Bred animals of one taxon without effects, growth and temperature: every first stadium has the law of one T.
SimulationOptions plain(int n_animals) {
  SimulationOptions o;
  o.n_animals = n_animals;
  o.n_taxa = o.n_genera = 1;
  o.genus_sd = o.taxon_sd = o.cohort_sd = o.animal_sd = o.exponent = 0;
  o.temperature_animal_sd_c = o.temperature_stadium_sd_c = 0;
  o.bred_chance = 1;
  return o;
}

struct Moments {
  double mean = 0, variance = 0;
};

template <class Values>
Moments moments(const Values& values) {
  Moments m;
  for (double v : values) m.mean += v / values.size();
  for (double v : values) m.variance += (v - m.mean) * (v - m.mean) / (values.size() - 1);
  return m;
}

std::vector<double> first_log_lengths(const Simulation& s) {
  std::vector<double> logs;
  for (const TrueAnimal& animal : s.animals) logs.push_back(std::log(animal.life.front().length_days));
  return logs;
}

// Textbook moments of W: normal 0, 1; log Exp(1) -0.57722 (Euler), pi^2 / 6; logistic 0, pi^2 / 3. Five standard errors
// of a mean (sigma sd / sqrt n) and 6 % of a variance (its relative error is at most sqrt(4.4 / 20000) = 1.5 %).
TEST(SimulateStadia, HasTheMomentsOfEachFamily) {
  const double pi = std::acos(-1.0);
  struct Expected {
    Family family;
    double mean, variance;
  };
  for (const Expected& e : {Expected{Family::lognormal, 0, 1}, Expected{Family::weibull, -0.57721566, pi * pi / 6},
                            Expected{Family::loglogistic, 0, pi * pi / 3}}) {
    SimulationOptions o = plain(20000);
    o.family = e.family;
    const Moments m = moments(first_log_lengths(simulate_stadia(o, 1)));
    EXPECT_NEAR(m.mean, o.intercept + o.sigma * e.mean, 5 * o.sigma * std::sqrt(e.variance / 20000));
    EXPECT_NEAR(m.variance, o.sigma * o.sigma * e.variance, .06 * o.sigma * o.sigma * e.variance);
  }
}

TEST(SimulateStadia, FollowsSizeTemperatureSexAndEffects) {
  SimulationOptions o;
  o.n_animals = 200;
  o.n_cohorts = 10;
  o.sex_effect = .3;
  o.sigma = 1e-9;
  const Simulation s = simulate_stadia(o, 3);
  for (const TrueAnimal& a : s.animals)
    for (const TrueStadium& t : a.life) {
      const double expected = o.intercept + .5 * t.log_size - .08 * (t.temperature_c - 25) + .3 * a.male +
                              s.genus_effect[a.genus] + s.taxon_effect[a.taxon] + s.cohort_effect[a.cohort] +
                              a.animal_effect;
      ASSERT_NEAR(std::log(t.length_days), expected, 1e-7);
    }
}

TEST(SimulateStadia, GrowsByTheRatioOfTaxonAndAnimal) {
  SimulationOptions o;
  o.growth_sigma = 0;
  o.decline = -.05;
  const Simulation s = simulate_stadia(o, 3);
  int steps = 0;
  for (const TrueAnimal& a : s.animals)
    for (std::size_t k = 1; k < a.life.size(); ++k, ++steps) {
      const double before = a.life[k - 1].log_size;
      ASSERT_NEAR(a.life[k].log_size, before + .25 - .05 * before + s.taxon_growth_effect[a.taxon] + a.growth_effect,
                  1e-12);
    }
  EXPECT_GT(steps, 40);
}

// 1,000 taxa, 5,000 animals: sds within 12 % (five standard errors of an sd from 1,000 values: 5 / sqrt(2000) = .11).
TEST(SimulateStadia, SpreadsEachLevelByItsOwnSd) {
  SimulationOptions o;
  o.n_animals = 5000;
  o.n_taxa = o.n_genera = o.n_cohorts = 1000;
  o.genus_sd = .1;
  o.taxon_sd = .2;
  o.cohort_sd = .3;
  o.animal_sd = .4;
  o.animal_growth_sd = .05;
  o.pace_growth_correlation = .6;
  const Simulation s = simulate_stadia(o, 9);
  EXPECT_NEAR(std::sqrt(moments(s.genus_effect).variance), .1, .012);
  EXPECT_NEAR(std::sqrt(moments(s.taxon_effect).variance), .2, .024);
  EXPECT_NEAR(std::sqrt(moments(s.cohort_effect).variance), .3, .036);
  std::vector<double> pace, growth, product;
  for (const TrueAnimal& a : s.animals) {
    pace.push_back(a.animal_effect);
    growth.push_back(a.growth_effect);
    product.push_back(a.animal_effect * a.growth_effect / (.4 * .05));
  }
  EXPECT_NEAR(std::sqrt(moments(pace).variance), .4, .02);
  EXPECT_NEAR(std::sqrt(moments(growth).variance), .05, .0025);
  EXPECT_NEAR(moments(product).mean, .6, .08);
}

// Renewal theory: the stadium under way at a random moment has mean length E[T^2] / E[T] = exp(mu + 3 sigma^2 / 2), and
// the moment is uniform within it. Ages run to 80 mean stadia, so that what is left of the start is under .5 %; 4,000
// animals: standard error of the mean log length about .5 %, of the mean place .0046. Four standard errors and the rest
// of the start.
TEST(SimulateStadia, AcquiresAtARandomMomentOfLife) {
  SimulationOptions o = plain(4000);
  o.bred_chance = 0;
  o.sigma = .3;
  o.log_ratio = o.decline = o.taxon_growth_sd = o.animal_growth_sd = o.growth_sigma = 0;
  o.bought_age_days = 80 * 90;
  o.max_stadia = 400;
  const Simulation s = simulate_stadia(o, 4);
  std::vector<double> length, place;
  for (const TrueAnimal& a : s.animals) {
    length.push_back(a.life.front().length_days);
    place.push_back((a.acquired_day - a.life.front().start_day) / a.life.front().length_days);
  }
  const double expected = std::exp(o.intercept + 1.5 * .09);
  EXPECT_NEAR(moments(length).mean, expected, .025 * expected);
  EXPECT_NEAR(moments(place).mean, .5, .02);
}

TEST(SimulateStadia, GivesTheSameAgainAndAnotherForEachSeedAndReplicate) {
  const auto first_length = [](std::uint64_t seed, std::uint32_t replicate) {
    return simulate_stadia({}, seed, replicate).animals[0].life[0].length_days;
  };
  EXPECT_EQ(first_length(1, 0), first_length(1, 0));
  EXPECT_NE(first_length(1, 0), first_length(2, 0));
  EXPECT_NE(first_length(1, 0), first_length(1, 1));
}

// Other ways of watching must not change the lives that are watched.
TEST(SimulateStadia, WatchesTheSameLivesHoweverItLooks) {
  SimulationOptions weekly;
  weekly.check_every_days = 7;
  weekly.late_found_chance = .3;
  weekly.reading_chance = .1;
  const Simulation a = simulate_stadia({}, 8), b = simulate_stadia(weekly, 8);
  for (std::size_t i = 0; i < a.animals.size(); ++i)
    for (std::size_t k = 0; k < a.animals[i].life.size(); ++k)
      ASSERT_EQ(a.animals[i].life[k].length_days, b.animals[i].life[k].length_days);
}

SimulationOptions messy(int check_every_days) {
  SimulationOptions o;
  o.n_animals = 300;
  o.n_cohorts = 30;
  o.check_every_days = check_every_days;
  o.check_jitter_days = check_every_days / 4;
  o.late_found_chance = .2;
  o.death_per_year = .4;
  return o;
}

TEST(SimulateStadia, FindsEveryMoltWithinItsRange) {
  for (int every : {1, 7, 14})
    for (const TrueAnimal& a : simulate_stadia(messy(every), 5).animals)
      for (const TrueStadium& t : a.life) {
        if (!t.known) continue;
        ASSERT_LE(t.recorded.earliest, t.start_day);
        ASSERT_LT(t.start_day, t.recorded.latest + 1);
      }
}

// Both ends to the day count as exact in whole days, so that the truth may be off by under one day.
TEST(SimulateStadia, BoundsHoldTheTruth) {
  for (int every : {0, 1, 7, 14}) {
    int closed = 0, open = 0;
    for (const SimulatedStadium& row : simulate_stadia(messy(every), 5).stadia) {
      const double slack = every == 0 ? 1e-9 : row.min_days == row.max_days ? 1 : 0;
      ASSERT_GE(row.true_days, row.min_days - slack);
      if (row.status == StadiumStatus::closed) {
        ASSERT_LE(row.true_days, row.max_days + slack);
        ++closed;
      } else {
        ASSERT_TRUE(std::isnan(row.max_days));
        ASSERT_GE(row.true_days, row.elapsed_days - 1e-9);
        ++open;
      }
    }
    EXPECT_GT(closed, 300);
    EXPECT_GT(open, 100);
  }
}

TEST(SimulateStadia, SumsHiddenMolts) {
  SimulationOptions o = messy(7);
  o.missed_molt_chance = .3;
  int hidden = 0;
  for (const SimulatedStadium& row : simulate_stadia(o, 5).stadia) {
    hidden += row.hidden_molts;
    if (row.status == StadiumStatus::closed) {
      ASSERT_LE(row.true_days, row.max_days + 1);
    }
  }
  EXPECT_GT(hidden, 100);
}

// The records written as text and read by the library's own reader give the numbers that went straight past the text.
TEST(WriteCollection, ReadsBackAsTheSameStadia) {
  for (int every : {1, 7, 14}) {
    SimulationOptions o = messy(every);
    const SimulatedCollection written = simulate_collection(o, 6);
    const Collection collection = make_collection(written.raw);
    EXPECT_FALSE(collection.has_faults());
    const StadiaTable table = build_stadia(collection);
    EXPECT_EQ(table.as_of, o.first_day + o.study_days);
    ASSERT_EQ(table.stadia.size(), written.truth.stadia.size()) << every;
    for (std::size_t i = 0; i < table.stadia.size(); ++i) {
      const Stadium& read = table.stadia[i];
      const SimulatedStadium& direct = written.truth.stadia[i];
      ASSERT_EQ(read.animal, direct.animal) << i;
      ASSERT_EQ(read.status, direct.status) << i;
      ASSERT_EQ(read.min_days, direct.min_days) << i << " " << direct.animal;
      ASSERT_TRUE(read.max_days == direct.max_days || (std::isnan(read.max_days) && std::isnan(direct.max_days))) << i;
      ASSERT_EQ(read.start_range_days, direct.start_range_days) << i;
      ASSERT_EQ(read.entry_days, direct.entry_days) << i;
    }
  }
}

// Rounding to 5 mm makes 10 mm of 5 mm: the doubt over such growth is right, and the only one. Exact sizes raise none.
TEST(WriteCollection, RaisesNoFaultAndNoNeedlessDoubt) {
  SimulationOptions o;
  const Collection rounded = make_collection(simulate_collection(o, 2).raw);
  for (const Problem& p : rounded.problems) EXPECT_NE(p.rule.find("growth"), std::string::npos) << p.rule;
  EXPECT_FALSE(rounded.has_faults());
  EXPECT_EQ(rounded.last_recorded_day(), o.first_day + o.study_days);
  o.exact_sizes = true;
  const Collection exact = make_collection(simulate_collection(o, 2).raw);
  for (const Problem& p : exact.problems) ADD_FAILURE() << p.animal << " " << p.column << " " << p.rule;
  EXPECT_EQ(exact.animals.size(), 20u);
}

TEST(WriteCollection, WritesReadingsAsTheyAreTaken) {
  SimulationOptions o;
  o.n_animals = 100;
  for (const TrueAnimal& a : simulate_stadia(o, 2).animals)
    for (const TrueStadium& t : a.life)
      if (!std::isnan(t.reading_mm)) {
        ASSERT_EQ(std::fmod(t.reading_mm, 5), 0);
      }
  o.reading_step_mm = 6.35;
  o.read_in_inches = true;
  const RawCollection raw = simulate_collection(o, 2).raw;
  std::set<std::string> decimals;
  for (std::size_t i = 0; i < raw.journal.size(); ++i) {
    if (raw.journal.cells[3][i] != "leg_span") continue;
    EXPECT_EQ(raw.journal.cells[5][i], "in");
    const std::string& value = raw.journal.cells[4][i];
    decimals.insert(value.find('.') == std::string::npos ? "" : value.substr(value.find('.')));
  }
  EXPECT_EQ(decimals, (std::set<std::string>{"", ".25", ".5", ".75"}));
}

// 2,000 readings at least without rounding: mean of the log error log(.95), sd .06, five standard errors.
TEST(WriteCollection, ReadsLowAndWithError) {
  SimulationOptions o;
  o.n_animals = 1000;
  o.reading_step_mm = 0;
  std::vector<double> errors;
  for (const TrueAnimal& a : simulate_stadia(o, 2).animals)
    for (const TrueStadium& t : a.life)
      if (!std::isnan(t.reading_mm)) errors.push_back(std::log(t.reading_mm / 20) - t.log_size);
  ASSERT_GT(errors.size(), 2000u);
  EXPECT_NEAR(moments(errors).mean, std::log(.95), 5 * .06 / std::sqrt(2000));
  EXPECT_NEAR(std::sqrt(moments(errors).variance), .06, 5 * .06 / std::sqrt(4000));
  o.exact_sizes = true;
  for (const TrueAnimal& a : simulate_stadia(o, 2).animals)
    for (const TrueStadium& t : a.life)
      if (!std::isnan(t.reading_mm)) {
        ASSERT_NEAR(std::log(t.reading_mm / 20), t.log_size, 1e-12);
      }
}

// Exponential hazards: of 3,000 animals watched for a year each, 1 - exp(-.5) = 39 % have died; standard error .9 %.
TEST(SimulateStadia, LosesAnimalsAtTheStatedRate) {
  SimulationOptions o;
  o.n_animals = 3000;
  o.entry_window_days = 0;
  o.study_days = 364;
  o.death_per_year = .5;
  o.sale_per_year = 0;
  int died = 0;
  for (const TrueAnimal& a : simulate_stadia(o, 2).animals) died += a.state == AnimalState::died;
  EXPECT_NEAR(died / 3000., 1 - std::exp(-.5), .036);
}

TEST(SimulateStadia, EndsTheMoltsOfMaleOnlyWithTheSwitch) {
  SimulationOptions o;
  o.n_animals = 200;
  o.start_size_min_mm = 60;
  o.start_size_max_mm = 120;
  const auto finals = [&o] {
    int count = 0;
    for (const TrueAnimal& a : simulate_stadia(o, 2).animals) {
      if (std::isnan(a.matured_day)) continue;
      ++count;
      EXPECT_TRUE(a.male);
      EXPECT_TRUE(std::isinf(a.life.back().length_days));
    }
    return count;
  };
  EXPECT_EQ(finals(), 0);
  o.maturity = true;
  EXPECT_GT(finals(), 50);
  EXPECT_FALSE(make_collection(simulate_collection(o, 2).raw).has_faults());
}

TEST(SimulateStadia, StopsALifeThatNeverEnds) {
  SimulationOptions o;
  o.intercept = -3;
  o.log_ratio = 0;
  const Simulation s = simulate_stadia(o, 2);
  for (const TrueAnimal& a : s.animals) {
    EXPECT_EQ(a.state, AnimalState::left);
    EXPECT_LE(a.life.size(), 60u);
  }
}

TEST(SimulateStadia, NamesTheOptionThatIsWrong) {
  const auto message = [](const std::function<void(SimulationOptions&)>& spoil) -> std::string {
    SimulationOptions o;
    spoil(o);
    try {
      simulate_stadia(o, 1);
    } catch (const std::invalid_argument& error) {
      return error.what();
    }
    return "";
  };
  EXPECT_NE(message([](auto& o) { o.sigma = 0; }).find("`sigma`"), std::string::npos);
  EXPECT_NE(message([](auto& o) { o.n_genera = 9; }).find("`n_genera`"), std::string::npos);
  EXPECT_NE(message([](auto& o) { o.animal_sd = -1; }).find("`animal_sd`"), std::string::npos);
  EXPECT_NE(message([](auto& o) { o.intercept = std::nan(""); }).find("`intercept`"), std::string::npos);
  EXPECT_NE(message([](auto& o) { o.reading_chance = 1.5; }).find("`reading_chance`"), std::string::npos);
  EXPECT_NE(message([](auto& o) { o.late_found_chance = 1; }).find("`late_found_chance`"), std::string::npos);
  EXPECT_EQ(message([](auto&) {}), "");
}

// 2,000 draws: five standard errors of a mean (.112 sd) and of E|Z| = .798.
TEST(DrawPriorTruth, DrawsWhatIsNamedAndLeavesTheRest) {
  using Kind = ParameterLaw::Kind;
  std::vector<double> intercept, sigma;
  for (std::uint32_t r = 0; r < 2000; ++r) {
    const SimulationOptions o =
        draw_prior_truth({}, {{"intercept", {Kind::normal, 4, .5}}, {"sigma", {Kind::half_normal, .3, 0}}}, 7, r);
    intercept.push_back(o.intercept);
    sigma.push_back(o.sigma);
    EXPECT_EQ(o.exponent, SimulationOptions{}.exponent);
  }
  EXPECT_NEAR(moments(intercept).mean, 4, .112 * .5);
  EXPECT_NEAR(std::sqrt(moments(intercept).variance), .5, .04);
  EXPECT_NEAR(moments(sigma).mean, .3 * std::sqrt(2 / std::acos(-1.0)), .112 * .3 * .603);
  EXPECT_THROW(draw_prior_truth({}, {{"sigmas", {}}}, 1), std::invalid_argument);
}

// Without false alarms a sign comes a log-normal lag before its molt: log lag about log 10 + exponent log size, sd .5.
// Signs that would lie before the stadium or the record are lost, so only stadia over 60 days of animals that were bred
// are looked at.
TEST(SimulateSigns, ComeTheStatedTimeBeforeTheMolt) {
  SimulationOptions o;
  o.n_animals = 1500;
  o.bred_chance = 1;
  o.darkened_chance = .7;
  const Simulation s = simulate_stadia(o, 3);
  std::vector<double> scaled;
  std::size_t stadia = 0;
  for (int i = 0; i < o.n_animals; ++i) {
    const auto& life = s.animals[i].life;
    for (std::size_t k = 0; k + 1 < life.size(); ++k) stadia += life[k].length_days > 60;
    for (const TrueSign& sign : simulate_signs(s, i)) {
      ASSERT_EQ(sign.event, Event::darkened);
      const TrueStadium& stadium = life[sign.stadium];
      ASSERT_GT(sign.day, stadium.start_day);
      ASSERT_LT(sign.day, stadium.end_day());
      if (sign.stadium + 1 == static_cast<int>(life.size()) || stadium.length_days <= 60) continue;
      scaled.push_back(std::log((stadium.end_day() - sign.day - .5) / 10) - .5 * stadium.log_size);
    }
  }
  ASSERT_GT(scaled.size(), 1000u);
  EXPECT_NEAR(scaled.size() / double(stadia), .7, .03);  // a few lags reach over 60 days
  EXPECT_NEAR(moments(scaled).mean, 0, .06);             // whole days, and no sign on the day of the molt
  EXPECT_NEAR(std::sqrt(moments(scaled).variance), .5, .05);
}

TEST(SimulateSigns, AreWrittenWithMealsThatEndBeforeTheMolt) {
  SimulationOptions o;
  o.darkened_chance = o.refused_chance = .8;
  o.meal_every_days = 7;
  o.false_signs_per_year = 1;
  const SimulatedCollection written = simulate_collection(o, 3);
  std::set<std::string> events(written.raw.journal.cells[3].begin(), written.raw.journal.cells[3].end());
  for (const char* event : {"darkened", "refused", "ate"}) EXPECT_TRUE(events.count(event)) << event;
  EXPECT_FALSE(make_collection(written.raw).has_faults());
  int eaten = 0, false_alarms = 0;
  for (int i = 0; i < o.n_animals; ++i)
    for (const TrueSign& sign : simulate_signs(written.truth, i)) {
      eaten += sign.event == Event::ate;
      false_alarms += sign.false_alarm;
    }
  EXPECT_GT(eaten, 200);
  EXPECT_GT(false_alarms, 10);
  EXPECT_TRUE(simulate_signs(simulate_stadia({}, 3), 0).empty());
}

TEST(SimulatedNames, DifferByTwoLettersAtLeast) {
  std::set<std::string> names;
  for (int taxon = 0; taxon < 300; ++taxon) names.insert(simulated_taxon_name(taxon, 12));
  EXPECT_EQ(names.size(), 300u);
  EXPECT_EQ(simulated_animal_id(0), "A001");
}

}  // namespace
}  // namespace moltspan
