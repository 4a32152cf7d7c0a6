#include "moltspan/housing/housing.hpp"

#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <map>
#include <random>
#include <sstream>
#include <stdexcept>

#include "housing/parts.hpp"
#include "moltspan/stadia/stadia.hpp"

namespace moltspan {
namespace {

constexpr Day today = 20000;

// The situations of tests/reference/housing_by_hand, a row a map of its cells.
using Row = std::map<std::string, std::string>;

std::vector<Row> situations() {
  const auto file = std::filesystem::path(MOLTSPAN_TEST_REFERENCE) / "housing_by_hand/situations.csv";
  std::ifstream in(file);
  std::stringstream text;
  text << in.rdbuf();
  const TextTable table = read_csv(text.str(), "situations.csv");
  std::vector<Row> rows(table.size());
  for (std::size_t c = 0; c < table.columns.size(); ++c)
    for (std::size_t r = 0; r < rows.size(); ++r) rows[r][table.columns[c]] = table.cells[c][r];
  return rows;
}

std::vector<std::string> split(const std::string& text, char at) {
  std::vector<std::string> parts;
  std::stringstream in(text);
  for (std::string part; std::getline(in, part, at);)
    if (!part.empty()) parts.push_back(part);
  return parts;
}

std::optional<double> number(const Row& row, const std::string& column) {
  const std::string& text = row.at(column);
  return text.empty() ? std::optional<double>() : std::stod(text);
}

Day ago(double days) { return today - static_cast<Day>(days); }

std::optional<EnclosureSize> box_of(const std::string& text) {
  if (text.empty()) return {};
  EnclosureSize box;
  if (text.starts_with("volume")) {
    box.volume_l = 12;
    return box;
  }
  double w = 0, d = 0, h = 0, soil = 0;
  const int found = std::sscanf(text.c_str(), "%lfx%lfx%lf/%lf", &w, &d, &h, &soil);
  EXPECT_GE(found, 3) << text;
  box.w_mm = w;
  box.d_mm = d;
  box.h_mm = h;
  if (found == 4) box.substrate_mm = soil;
  return box;
}

void add_hazards(const std::string& text, HousingSituation& s) {
  for (const std::string& word : split(text, ' ')) {
    if (word == "old") s.world = World::old_world;
    if (word == "new") s.world = World::new_world;
    if (word == "fast") s.hazards.fast = s.hazards.stated = true;
    if (word == "systemic_venom") s.hazards.systemic_venom = s.hazards.stated = true;
    if (word == "urticating_setae") s.hazards.urticating_setae = s.hazards.stated = true;
  }
}

void add_note(const std::string& text, HousingSituation& s) {
  const auto parts = split(text, ' ');
  const Day day = ago(std::stod(parts.at(1)));
  const std::string& what = parts[0];
  if (what.starts_with("unfit:")) {
    s.unfit = what.substr(6);
    s.unfit_day = day;
  } else if (what == "egg_sac") {
    s.egg_sac = day;
  } else if (what == "mated") {
    s.mated = day;
    s.male_chance = 0;
  } else if (what == "arrived") {
    s.acquired = day;
  } else if (what == "on_back") {
    s.on_back = true;
  } else {
    for (Event e : {Event::darkened, Event::sealed_in, Event::refused, Event::molt_mat, Event::sluggish})
      if (event_name(e) == what) s.signs.push_back({e, day});
    if (what == "sealed_in") s.sealed_in = day;
  }
}

Habit habit_of(const std::string& word) {
  return word == "arboreal"        ? Habit::arboreal
         : word == "semi_arboreal" ? Habit::semi_arboreal
         : word == "terrestrial"   ? Habit::terrestrial
         : word == "fossorial"     ? Habit::fossorial
                                   : Habit::unknown;
}

HousingSituation situation_of(const Row& row) {
  HousingSituation s;
  s.id = "A" + row.at("nr");
  const std::string& kind = row.at("kind");
  s.taxon = kind.substr(0, kind.find(" / "));
  if (s.taxon != kind) s.group = kind.substr(s.taxon.size() + 3);
  s.as_of = s.on = today;
  s.habit = habit_of(row.at("habit"));
  s.leg_span_mm = number(row, "leg_span_mm").value_or(unknown_number);
  s.days_leg_span_mm = std::isnan(s.leg_span_mm) ? 40 : s.leg_span_mm;
  s.size_log_sd = 0.06;
  s.adult_leg_span_mm = number(row, "adult_mm").value_or(unknown_number);
  s.enclosure = box_of(row.at("box_mm"));
  s.matured = s.molts_no_more = row.at("state") == "mature male";
  if (row.at("state") == "died") s.ended = Event::died;
  if (row.at("state") == "escaped") s.ended = Event::escaped;
  s.watched_from = ago(400);
  if (const auto days = number(row, "molted_days_ago")) s.last_molt = DayRange{ago(*days), ago(*days)};
  if (const auto days = number(row, "fangs_black_days_ago")) s.fangs_black = ago(*days);
  if (const auto days = number(row, "ate_days_ago")) s.meal = s.last_meal = ago(*days);
  if (const auto first = number(row, "next_molt_20")) {
    const double half = *number(row, "next_molt_50"), most = *number(row, "next_molt_80");
    s.next_molt = {{0, *first, half, most, 2 * most - half}, {0, 0.2, 0.5, 0.8, 1}};
    s.next_stadium_log_mean = std::log(*number(row, "next_stadium_days"));
    s.next_stadium_log_sd = 0.25;
  }
  add_hazards(row.at("hazard"), s);
  for (const std::string& note : split(row.at("noted"), ';')) add_note(note, s);
  return s;
}

std::string joined(const std::vector<Note>& notes) {
  std::string all;
  for (const Note& note : notes) all += note.text + "\n";
  return all;
}

std::string everything(const HousingAdvice& a) {
  return joined(a.reasons) + joined(a.assumptions) + joined(a.cautions);
}

void expect_day(const Row& row, const std::string& column, const std::optional<Day>& day) {
  const std::string& expected = row.at(column);
  if (expected.empty()) return;
  if (expected == "after_molt") {
    EXPECT_FALSE(day) << column << ": no date after a molt that is still to come";
    return;
  }
  ASSERT_TRUE(day) << column;
  const int days = *day - today;
  if (expected != "some_day") {
    EXPECT_EQ(days, std::stoi(expected)) << column;
  }
}

TEST(HousingByHand, EverySituationGetsTheAdviceOfTheTable) {
  const auto rows = situations();
  ASSERT_GE(rows.size(), 50u);
  for (const Row& row : rows) {
    const HousingSituation s = situation_of(row);
    const HousingAdvice a = advise(s, housing_rules());
    SCOPED_TRACE("situation " + row.at("nr") + ": " + row.at("situation") + "\n" + everything(a));
    EXPECT_EQ(advice_name(a.advice), row.at("advice"));
    expect_day(row, "safe_from_days", a.safe_from);
    expect_day(row, "safe_until_days", a.safe_until);
    for (const auto& word : split(row.at("reasons"), ';'))
      EXPECT_NE((joined(a.reasons) + joined(a.assumptions)).find(word), std::string::npos) << "missing: " << word;
    for (const auto& word : split(row.at("cautions"), ';'))
      EXPECT_NE(joined(a.cautions).find(word), std::string::npos) << "missing caution: " << word;
    for (const auto& word : split(row.at("not_said"), ';'))
      EXPECT_EQ(everything(a).find(word), std::string::npos) << "must not be said: " << word;
  }
}

// The kind's name says nothing; its group does what the name of a listed genus would do.
TEST(HousingByHand, AStatedGroupCountsAsANameThatTellsIt) {
  HousingSituation named = situation_of(situations()[46]);  // number 47: an Old World tarantula
  named.taxon = "tarantula";                                // without a genus, which would have cautions of its own
  HousingSituation stated = named;
  stated.taxon = "tree dweller";
  const auto told = [](const HousingSituation& s) { return everything(advise(s, housing_rules())); };
  EXPECT_NE(told(stated), told(named));
  stated.group = "tarantulas";
  EXPECT_EQ(told(stated), told(named));
}

// By hand.

const MoltChances even = {{0, 10, 30}, {0, 0.5, 1}};

TEST(MoltChances, IsLinearBetweenItsPoints) {
  EXPECT_DOUBLE_EQ(even.by(-1), 0);
  EXPECT_DOUBLE_EQ(even.by(5), 0.25);
  EXPECT_DOUBLE_EQ(even.by(20), 0.75);
  EXPECT_DOUBLE_EQ(even.by(31), 1);
  EXPECT_DOUBLE_EQ(even.quantile(0.25), 5);
  EXPECT_DOUBLE_EQ(even.quantile(0.75), 20);
  EXPECT_DOUBLE_EQ(MoltChances{}.by(5), 0);
}

HousingSituation juvenile(double side_mm) {
  HousingSituation s;
  s.habit = Habit::terrestrial;
  s.leg_span_mm = s.days_leg_span_mm = 60;
  s.size_log_sd = 0.06;
  s.adult_leg_span_mm = 140;
  s.enclosure = EnclosureSize{side_mm, side_mm, 100, 50, unknown_number, false, ""};
  s.as_of = s.on = today;
  s.last_molt = DayRange{today - 30, today - 30};
  s.meal = s.last_meal = today - 20;
  s.next_molt = {{0, 40, 60, 85, 110}, {0, 0.2, 0.5, 0.8, 1}};
  s.next_stadium_log_mean = std::log(110);
  s.next_stadium_log_sd = 0.25;
  return s;
}

TEST(Housing, ChanceAtTheNextMoltIsThatOfTheSizeAfterIt) {
  // 60 mm x 1.30 = 78 mm against 160 / 2 = 80 mm: Phi(log(78 / 80) / sqrt(.06^2 + .10^2)) = Phi(-.2171) = .4141 (table
  // of Phi).
  const HousingAdvice a = advise(juvenile(160), housing_rules());
  EXPECT_NEAR(a.outgrown.chance_next_molt, 0.4141, 5e-4);
  EXPECT_DOUBLE_EQ(a.ratio, 160.0 / 60);
}

TEST(Housing, AMoltThatWentUnseenMakesItOneMoltLarger) {
  // After two molts 101.4 mm against 80: Phi(log(1.2675) / sqrt(.06^2 + 2 x .10^2)) = Phi(1.543) = .9386 (table of
  // Phi); with a chance of .4 in place of the .4141 above: .6 x .4141 + .4 x .9386 = .6239.
  HousingSituation s = juvenile(160);
  s.missed_if_molts_on = 0.4;
  const HousingAdvice a = advise(s, housing_rules());
  EXPECT_NEAR(a.outgrown.chance_next_molt, 0.6239, 5e-4);
  const auto tells = [](const Note& note) {
    return note.text.find("if it molts on, a molt went unseen with a chance of 40 %") != std::string::npos;
  };
  EXPECT_EQ(std::count_if(a.assumptions.begin(), a.assumptions.end(), tells), 1);
}

TEST(Housing, ALastMoltTakesItsShareOfTheChance) {
  HousingSituation s = juvenile(160);
  const double all = advise(s, housing_rules()).outgrown.chance_next_molt;
  s.chance_final = 0.25;
  EXPECT_NEAR(advise(s, housing_rules()).outgrown.chance_next_molt, 0.75 * all, 1e-12);
}

TEST(Housing, SuggestionsReachTheTargetAndSayHowLongTheyDo) {
  const auto box = *advise(juvenile(100), housing_rules()).suggested;
  EXPECT_EQ(box.w_mm, 250);            // 3.5 x 60 = 210, next step of 50 mm
  EXPECT_EQ(box.h_mm, 120);            // soil 1 x and air 1 x
  EXPECT_NEAR(box.soil_mm, 60, 1e-9);  // exp(log 60)
  EXPECT_EQ(box.lasts_molts, 2);       // 250 / 78 = 3.2, / 101.4 = 2.5, / 131.8 = 1.9 < 2
}

// Laws.

struct Draws {
  std::mt19937_64 generator{20260601};
  double next() { return std::uniform_real_distribution<double>()(generator); }
  double normal() { return std::normal_distribution<double>()(generator); }
};

TEST(Housing, OutgrownDaysAgreeWithSimulatedMolts) {
  constexpr int n = 40000;
  const HousingSituation s = juvenile(200);
  const Outgrown found = advise(s, housing_rules()).outgrown;
  std::array<int, 3> within{};
  int by_median = 0;
  Draws draws;
  for (int i = 0; i < n; ++i) {
    const double size_error = 0.06 * draws.normal();
    double x = std::log(60) + size_error, day = s.next_molt.quantile(draws.next());
    for (int k = 1; k <= 4; ++k) {
      x += std::log(1.30) + 0.10 * draws.normal();
      if (x > std::log(100)) break;
      day = k == 4 ? 1e9 : day + std::exp(std::log(110) + (k - 1) * std::log(1.25) + 0.25 * draws.normal());
    }
    for (std::size_t h = 0; h < 3; ++h) within[h] += day <= need_horizons_days[h];
    by_median += day <= found.median_days;
  }
  // Binomial errors of 3 standard deviations; .02 more at the median, as sums of stadia are taken as one log-normal and
  // sizes after several molts as independent of the day.
  for (std::size_t h = 0; h < 3; ++h) {
    const double p = found.chance_within[h];
    EXPECT_NEAR(within[h] / double(n), p, 3 * std::sqrt(std::max(p * (1 - p), 1e-4) / n) + 0.003)
        << need_horizons_days[h];
  }
  EXPECT_NEAR(by_median / double(n), 0.5, 3 * 0.5 / std::sqrt(n) + 0.02);
}

TEST(Housing, RiskOnSafeDaysAgreesWithSimulatedMolts) {
  constexpr int n = 40000;
  const HousingSituation s = juvenile(100);
  const SafeRun run = safe_run(s, housing_rules(), today);
  ASSERT_TRUE(run.from && run.until);
  for (int day : {*run.from - today, *run.until - today}) {
    int bad = 0, unseen = 0;
    Draws draws;
    for (int i = 0; i < n; ++i) {
      const double first = s.next_molt.quantile(draws.next());
      bad += first > day - 10 && first <= day + 1 + 18;
      unseen += first <= day;
    }
    // Binomial errors of 3 standard deviations.
    EXPECT_LE(bad / double(n), 0.2 + 3 * 0.4 / std::sqrt(n)) << day;
    EXPECT_LE(unseen / double(n), 0.1 + 3 * 0.3 / std::sqrt(n)) << day;
  }
  EXPECT_FALSE(judge(s, housing_rules(), *run.until + 1).may_move());
}

TEST(Housing, DaysAfterAMoltToComeAreCountedFromIt) {
  HousingSituation s = juvenile(100);
  s.next_molt = {{0, 10, 18, 26, 34}, {0, 0.2, 0.5, 0.8, 1}};
  const HousingAdvice a = advise(s, housing_rules());
  EXPECT_FALSE(a.safe_from);
  ASSERT_TRUE(a.safe_after_molt_days);
  // 78 mm after the molt: hard after 10 days, premolt 18 days before the next; exp(log 110 - .8416 x .25) = 89.1 days are
  // passed by 4 in 5: 89.1 - 18 - 1 = 70.
  EXPECT_EQ(*a.safe_after_molt_days, (std::pair<int, int>{10, 70}));
}

TEST(Housing, AShorterWaitOrAWiderBoxNeverMakesAdviceStricter) {
  for (double side : {100.0, 130.0, 160.0, 200.0, 300.0}) {
    const auto narrow = advise(juvenile(side), housing_rules()), wide = advise(juvenile(side + 40), housing_rules());
    EXPECT_GE(wide.shortfall, narrow.shortfall);
    EXPECT_LE(wide.outgrown.chance_next_molt, narrow.outgrown.chance_next_molt);
    EXPECT_EQ(wide.safe_until, narrow.safe_until);
  }
}

TEST(Housing, AdviceMovesWithTheCalendar) {
  HousingSituation s = juvenile(100), moved = s;
  for (Day* day : {&moved.as_of, &moved.on, &moved.last_molt->earliest, &moved.last_molt->latest, &*moved.meal,
                   &*moved.last_meal})
    *day += 365;
  const auto a = advise(s, housing_rules()), b = advise(moved, housing_rules());
  EXPECT_EQ(a.advice, b.advice);
  EXPECT_EQ(*a.safe_until + 365, *b.safe_until);
  EXPECT_EQ(a.outgrown.median_days, b.outgrown.median_days);
}

// Rules.

TEST(HousingRules, NumbersAreReplacedOneByOne) {
  const HousingRules own = housing_rules("[terrestrial]\nfloor_due = {value = 1.8, status = \"C\"}\n");
  EXPECT_DOUBLE_EQ(own.terrestrial.floor_due.value, 1.8);
  EXPECT_EQ(own.terrestrial.floor_due.status, RuleStatus::common_practice);
  EXPECT_DOUBLE_EQ(own.terrestrial.floor_plan.value, 2.5);
  EXPECT_TRUE(std::isnan(own.terrestrial.height_due.value));
  EXPECT_DOUBLE_EQ(housing_rules().fossorial.soil_due.value, 1.5);  // never 15
}

TEST(HousingRules, WhatIsWrongIsNamed) {
  const auto message = [](const char* toml) {
    try {
      housing_rules(toml);
    } catch (const std::invalid_argument& trouble) {
      return std::string(trouble.what());
    }
    return std::string("no trouble");
  };
  EXPECT_NE(message("[terestrial]\nfloor_due = 2").find("[terestrial]: no such section"), std::string::npos);
  EXPECT_NE(message("[terrestrial]\nfloor = 2").find("terrestrial.floor: no such number"), std::string::npos);
  EXPECT_NE(message("[terrestrial]\nfloor_due = -2").find("terrestrial.floor_due: a number over 0"), std::string::npos);
  EXPECT_NE(message("[terrestrial]\nfloor_due = {value = 2, status = \"X\"}").find("P (published)"), std::string::npos);
  EXPECT_NE(message("[terrestrial]\nfloor_due = \"wide\"").find("a number over 0"), std::string::npos);
  EXPECT_NE(message("[trusted]\nsigns = [\"sneezed\"]").find("sneezed"), std::string::npos);
  EXPECT_NE(message("[hazards_of_group]\nmantises = [\"teeth\"]").find("teeth"), std::string::npos);
  EXPECT_NE(message("[safety\npremolt_chance = 2").find("line 1"), std::string::npos);
}

}  // namespace
}  // namespace moltspan
