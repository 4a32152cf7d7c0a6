#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <string_view>

#include "moltspan/simulate/simulate.hpp"

namespace moltspan {
namespace {

/// The shortest text that reads back as the same number.
std::string to_text(double value) {
  std::array<char, 32> buffer{};
  const auto end = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value).ptr;
  return {buffer.data(), end};
}

/// Rounded to that many decimals: temperatures and inches are written as people write them.
std::string to_text(double value, int decimals) {
  const double scale = std::pow(10.0, decimals);
  return to_text(std::round(value * scale) / scale);
}

/// A number in invented words any two of which differ by two letters at least.
std::string to_words(int number) {
  constexpr std::array<std::string_view, 10> digits = {"nulla", "una",   "bina",    "terna",  "quarta",
                                                       "quina", "sexta", "heptana", "octava", "nonava"};
  std::string words;
  for (const char digit : std::to_string(number)) words += digits[digit - '0'];
  return words;
}

TextTable make_table(std::string source, std::vector<std::string> columns) {
  TextTable table;
  table.source = std::move(source);
  table.columns = std::move(columns);
  table.cells.resize(table.columns.size());
  return table;
}

void add_row(TextTable& table, const std::vector<std::string>& cells) {
  for (std::size_t c = 0; c < table.cells.size(); ++c) table.cells[c].push_back(cells[c]);
  table.rows.push_back(static_cast<std::int64_t>(table.rows.size()) + 2);  // line 1 is the heading
}

/// One row of the journal, to be put in order of days.
struct JournalRow {
  DayRange when;
  std::string event, value, unit;
};

/// Writes one animal.
struct Writer {
  const Simulation& s;
  const TrueAnimal& animal;
  std::vector<JournalRow> rows{};

  Day day(double days) const { return s.options.first_day + static_cast<Day>(std::floor(days)); }
  Day last_day() const { return s.options.first_day + animal.check_days.back(); }
  void add(DayRange when, std::string event, std::string value = "", std::string unit = "") {
    rows.push_back({when, std::move(event), std::move(value), std::move(unit)});
  }
  void add(Day when, std::string event, std::string value = "", std::string unit = "") {
    add(DayRange{when, when}, std::move(event), std::move(value), std::move(unit));
  }

  DayRange recorded(const TrueStadium& stadium) const {
    return {s.options.first_day + stadium.recorded.earliest, s.options.first_day + stadium.recorded.latest};
  }
  void write_molts();
  void write_reading(const TrueStadium& stadium, Day when);
  void write_temperatures();
  void write_end();
  void write_checks();
  void write_signs(int index);
};

void Writer::write_molts() {
  for (std::size_t k = 0; k < animal.life.size(); ++k) {
    const TrueStadium& stadium = animal.life[k];
    const std::string instar = s.options.write_instars ? std::to_string(stadium.instar) : "";
    if (stadium.known) add(recorded(stadium), "molt", instar);
    const bool before_the_record = k == 0;
    write_reading(stadium, before_the_record ? day(animal.acquired_day) : recorded(stadium).latest);
  }
}

void Writer::write_reading(const TrueStadium& stadium, Day when) {
  if (std::isnan(stadium.reading_mm)) return;
  if (s.options.read_in_inches)
    add(when, "leg_span", to_text(stadium.reading_mm / 25.4, s.options.exact_sizes ? 14 : 4), "in");
  else
    add(when, "leg_span", to_text(stadium.reading_mm), "mm");
}

/// A mean for each stadium, written when the molt that ends it is found, and for the running one on the last day.
void Writer::write_temperatures() {
  if (!s.options.record_temperature) return;
  for (std::size_t k = 0; k < animal.life.size(); ++k) {
    const bool last = k + 1 == animal.life.size();
    const Day when = last ? last_day() : recorded(animal.life[k + 1]).latest;
    if (last || when < last_day()) add(when, "temperature", to_text(animal.life[k].temperature_c, 2), "C");
  }
}

void Writer::write_end() {
  if (!std::isnan(animal.matured_day) && animal.maturity_recorded) add(recorded(animal.life.back()), "matured");
  if (animal.state == AnimalState::died) add(last_day(), "died");
  if (animal.state == AnimalState::left) add(last_day(), "left");
}

/// The look on the last day is written always, so that the records themselves say how far they reach.
void Writer::write_checks() {
  for (const int check : animal.check_days)
    if (s.options.write_checks || (check == animal.check_days.back() && animal.state == AnimalState::alive))
      add(s.options.first_day + check, "checked");
}

void Writer::write_signs(int index) {
  for (const TrueSign& sign : simulate_signs(s, index))
    add(s.options.first_day + sign.day, std::string(event_name(sign.event)));
}

void write_journal(TextTable& journal, const Simulation& s, int index) {
  Writer writer{s, s.animals[index]};
  writer.write_checks();
  writer.write_molts();
  writer.write_temperatures();
  writer.write_signs(index);
  writer.write_end();
  std::stable_sort(writer.rows.begin(), writer.rows.end(),
                   [](const JournalRow& a, const JournalRow& b) { return a.when.latest < b.when.latest; });
  const std::string id = simulated_animal_id(index);
  for (const JournalRow& row : writer.rows) {
    const std::string until = row.when.latest > row.when.earliest ? to_iso(row.when.latest) : "";
    add_row(journal, {id, to_iso(row.when.earliest), until, row.event, row.value, row.unit});
  }
}

void write_animal(TextTable& animals, const Simulation& s, int index) {
  const TrueAnimal& animal = s.animals[index];
  const auto date = [&](double days) { return to_iso(s.options.first_day + static_cast<Day>(std::floor(days))); };
  const std::string sex = !animal.sex_known ? "unknown" : animal.male ? "male" : "female";
  const std::string cohort = animal.cohort >= 0 ? simulated_cohort_name(animal.cohort) : "";
  std::vector<std::string> cells = {simulated_animal_id(index),
                                    simulated_taxon_name(animal.taxon, s.options.n_genera),
                                    sex,
                                    cohort,
                                    animal.bred ? date(animal.acquired_day) : "",
                                    animal.bred ? "" : date(animal.acquired_day),
                                    animal.state == AnimalState::died ? date(animal.ended_day) : ""};
  if (s.options.maturity || s.options.state_maturity_rule) {
    cells.insert(cells.end(), {"goes_on", "stops", to_text(animal.adult_leg_span_mm, 0)});
  }
  add_row(animals, cells);
}

}  // namespace

std::string simulated_animal_id(int animal) {
  std::string id = std::to_string(animal + 1);
  while (id.size() < 3) id.insert(id.begin(), '0');
  id.insert(id.begin(), 'A');
  return id;
}

std::string simulated_genus_name(int genus) { return "Ficta" + to_words(genus + 1); }

std::string simulated_taxon_name(int taxon, int n_genera) {
  return simulated_genus_name(taxon % n_genera) + " " + to_words(taxon / n_genera + 1);
}

std::string simulated_cohort_name(int cohort) { return "sac " + std::to_string(cohort + 1); }

RawCollection write_collection(const Simulation& simulation) {
  RawCollection raw;
  std::vector<std::string> columns = {"animal", "taxon", "sex", "cohort", "hatched", "acquired", "died"};
  if (simulation.options.maturity || simulation.options.state_maturity_rule)
    columns.insert(columns.end(), {"after_maturity_female", "after_maturity_male", "adult_leg_span_mm"});
  raw.animals = make_table("animals.csv", columns);
  raw.journal = make_table("journal.csv", {"animal", "date", "until", "event", "value", "unit"});
  for (int i = 0; i < static_cast<int>(simulation.animals.size()); ++i) {
    write_animal(raw.animals, simulation, i);
    write_journal(raw.journal, simulation, i);
  }
  return raw;
}

}  // namespace moltspan
