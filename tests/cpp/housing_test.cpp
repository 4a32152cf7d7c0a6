#include "moltspan/housing.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>
#include <stdexcept>

#include "housing_parts.hpp"
#include "moltspan/stadia.hpp"

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
  s.taxon = row.at("kind");
  s.as_of = s.on = today;
  s.habit = habit_of(row.at("habit"));
  s.leg_span_mm = number(row, "leg_span_mm").value_or(unknown_number);
  s.days_leg_span_mm = 40;
  s.size_log_sd = 0.06;
  s.adult_leg_span_mm = number(row, "adult_mm").value_or(unknown_number);
  s.enclosure = box_of(row.at("box_mm"));
  s.matured = s.molts_no_more = row.at("state") == "mature male";
  if (row.at("state") == "died" || row.at("state") == "escaped") s.gone = row.at("state") + " last month";
  s.watched_from = ago(400);
  if (const auto days = number(row, "molted_days_ago")) s.latest_molt = ago(*days);
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

std::string joined(const std::vector<std::string>& texts) {
  std::string all;
  for (const std::string& text : texts) all += text + "\n";
  return all;
}

std::string everything(const HousingAdvice& a) {
  return joined(a.reasons) + joined(a.assumptions) + joined(a.cautions);
}

void expect_day(const Row& row, const std::string& column, const std::optional<Day>& day, const HousingSituation& s) {
  const std::string& expected = row.at(column);
  if (expected.empty()) return;
  ASSERT_TRUE(day) << column;
  const int days = *day - today;
  if (expected == "after_molt") {
    EXPECT_GT(days, s.next_molt.quantile(0.5) + 4) << column;
  } else if (expected == "after_sign") {
    EXPECT_GT(days, stage_days(DaysOf::hardening, s, housing_rules()).value) << column;
  } else if (expected != "some_day") {
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
    expect_day(row, "safe_from_days", a.safe_from, s);
    expect_day(row, "safe_until_days", a.safe_until, s);
    for (const auto& word : split(row.at("reasons"), ';'))
      EXPECT_NE((joined(a.reasons) + joined(a.assumptions)).find(word), std::string::npos) << "missing: " << word;
    for (const auto& word : split(row.at("cautions"), ';'))
      EXPECT_NE(joined(a.cautions).find(word), std::string::npos) << "missing caution: " << word;
    for (const auto& word : split(row.at("not_said"), ';'))
      EXPECT_EQ(everything(a).find(word), std::string::npos) << "must not be said: " << word;
  }
}

}  // namespace
}  // namespace moltspan
