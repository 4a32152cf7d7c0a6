#include <algorithm>
#include <array>
#include <cmath>
#include <map>

#include "records/build.hpp"
#include "records/table.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

/// What a row of either table says of a kind of animal.
struct TableFacts {
  std::optional<Habit> habit;
  std::optional<Pace> pace;
  std::optional<World> world;
  std::optional<Hazards> hazards;
  std::optional<AfterMaturity> female, male;
  std::optional<double> adult_leg_span_mm, temperature_c;
  std::optional<std::string> group;
  StatedFacts stated;
  std::vector<std::string_view> faulty;  ///< columns that could not be read
};

template <class Value>
std::optional<Value> known_word(RowReport& report, std::string_view column, std::string_view text,
                                std::optional<Value> (*find)(std::string_view), std::string_view words) {
  const auto value = find(text);
  if (!value) report.fault(column, text, std::string(words), "write one of these words, or leave the cell blank");
  return value;
}

void read_habit(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  facts.habit = known_word(report, column, text, find_habit, habit_words);
}

void read_pace(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  facts.pace = known_word(report, column, text, find_pace, "slow, medium or fast");
}

void read_world(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  facts.world = known_word(report, column, text, find_world, "old or new");
}

// A researcher's own column may have this name: a word that is no group of ours is a doubt and sets nobody aside.
void read_group(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  facts.group = find_group(text);
  if (!facts.group)
    report.doubt(column, text, "a group of animals: " + group_words(),
                 "write one of these or leave it blank: until then the kind is judged by its name alone; a column of your "
                 "own that means something else needs another heading");
}

void read_hazard_part(std::string_view part, Hazards& hazards, std::vector<std::string_view>& unknown) {
  if (trim(part).empty() || add_hazard(part, hazards)) return;
  std::vector<std::string_view> not_read;
  for (std::string_view rest = trim(part); !rest.empty();) {
    const std::size_t end = std::min(rest.find(' '), rest.size());
    if (end > 0 && !add_hazard(rest.substr(0, end), hazards)) not_read.push_back(rest.substr(0, end));
    rest.remove_prefix(std::min(end + 1, rest.size()));
  }
  unknown.insert(unknown.end(), not_read.begin(), not_read.end());
}

/// A word that is no hazard is a doubt: what was meant is not known, so that all cautions are given.
void read_hazards(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  Hazards hazards;
  hazards.stated = true;
  std::vector<std::string_view> unknown;
  for (std::string_view rest = text; !rest.empty();) {
    const std::size_t end = std::min(rest.find_first_of(",;|+"), rest.size());
    read_hazard_part(rest.substr(0, end), hazards, unknown);
    rest.remove_prefix(std::min(end + 1, rest.size()));
  }
  if (!unknown.empty()) {
    std::string said;
    for (const std::string_view word : unknown) said += (said.empty() ? "" : ", ") + in_quotes(word);
    report.doubt(column, text, "any of " + std::string(hazard_words),
                 "write these words with a blank or ; between them; " + said + (unknown.size() == 1 ? " is" : " are") +
                     " not read, and all cautions are given until then");
    hazards = {true, true, true, true, true};
  }
  facts.hazards = hazards;
}

void read_adult_leg_span(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  const double size_mm = read_length_mm(report, column, text, "", "mm", largest_leg_span_mm);
  if (!std::isnan(size_mm)) facts.adult_leg_span_mm = size_mm;
}

void read_temperature(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  const double value = read_plain_number(report, column, text, coldest_c, warmest_c);
  if (!std::isnan(value)) facts.temperature_c = value;
}

constexpr std::string_view after_maturity_words = "goes_on, stops, or by sex such as 'female goes_on; male stops'";

void after_maturity_fault(RowReport& report, std::string_view column, std::string_view text) {
  report.fault(column, text, std::string(after_maturity_words),
               "write it so, or use the columns after_maturity_female and after_maturity_male");
}

/// One part of `female goes_on; male stops`, or a word for both sexes.
bool add_after_maturity(std::string_view part, TableFacts& facts) {
  part = trim(part);
  if (const auto both = find_after_maturity(part)) {
    facts.female = facts.male = both;
    return true;
  }
  const std::size_t split = part.find_first_of(" :=");
  if (split == std::string_view::npos) return false;
  const auto sex = find_sex(part.substr(0, split));
  const auto value = find_after_maturity(part.substr(split + 1));
  if (!sex || !value || (*sex != 0 && *sex != 1)) return false;
  (*sex == 0 ? facts.female : facts.male) = value;
  return true;
}

void read_after_maturity(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  for (std::string_view rest = text; !rest.empty();) {
    const std::size_t end = std::min(rest.find_first_of(";,"), rest.size());
    if (!add_after_maturity(rest.substr(0, end), facts)) return after_maturity_fault(report, column, text);
    rest.remove_prefix(std::min(end + 1, rest.size()));
  }
}

void read_after_maturity_female(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  facts.female = known_word(report, column, text, find_after_maturity, "goes_on or stops");
}

void read_after_maturity_male(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  facts.male = known_word(report, column, text, find_after_maturity, "goes_on or stops");
}

/// Place of a word for a measure in SizeMeasure, which has the order of the journal's events.
std::optional<int> find_size_measure(std::string_view word) {
  const auto event = find_event(word);
  if (!event || *event < Event::leg_span || *event > Event::mass) return {};
  return static_cast<int>(*event) - static_cast<int>(Event::leg_span);
}

void read_size_measure(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  const auto measure = find_size_measure(text);
  if (measure) facts.stated.measure = *measure;
  if (!measure)
    report.fault(column, text, "leg_span, body_length, carapace_length, carapace_width or mass",
                 "write one of these words, or leave the cell blank");
}

/// `60`, or `female 60; male 50`: mm, or g where the measure is mass.
void read_adult_size(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  for (std::string_view rest = text; !rest.empty();) {
    const std::size_t end = std::min(rest.find_first_of(";,"), rest.size());
    std::string_view part = trim(rest.substr(0, end));
    const std::size_t split = part.find_first_of(" :=");
    const auto sex = split == std::string_view::npos ? std::nullopt : find_sex(part.substr(0, split));
    if (sex) part = trim(part.substr(split + 1));
    const double size = read_plain_number(report, column, part, 0.01, largest_mass_g);
    if (report.faulty) return;
    if (!sex || *sex < 0.5) facts.stated.adult_female = size;
    if (!sex || *sex > 0.5) facts.stated.adult_male = size;
    rest.remove_prefix(std::min(end + 1, rest.size()));
  }
}

template <double StatedFacts::*field>
void read_stated(RowReport& report, std::string_view column, std::string_view text, double least, double most,
                 TableFacts& facts) {
  facts.stated.*field = read_plain_number(report, column, text, least, most);
}

void read_growth_ratio(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  read_stated<&StatedFacts::growth_ratio>(report, column, text, 1, 3, facts);
}

void read_stadium_days(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  read_stated<&StatedFacts::stadium_days>(report, column, text, 0.05, 3000, facts);
}

void read_stadium_at(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  read_stated<&StatedFacts::stadium_at>(report, column, text, 0.01, largest_mass_g, facts);
}

void read_premolt_share(RowReport& report, std::string_view column, std::string_view text, TableFacts& facts) {
  read_stated<&StatedFacts::premolt_share>(report, column, text, 0.01, 0.9, facts);
}

using ReadFact = void (*)(RowReport&, std::string_view column, std::string_view text, TableFacts&);

constexpr std::array<std::pair<std::string_view, ReadFact>, 16> kind_columns = {{
    {"habit", read_habit},
    {"world", read_world},
    {"hazard", read_hazards},
    {"adult_leg_span_mm", read_adult_leg_span},
    {"pace", read_pace},
    {"after_maturity", read_after_maturity},
    {"after_maturity_female", read_after_maturity_female},
    {"after_maturity_male", read_after_maturity_male},
    {"temperature_c", read_temperature},
    {"group", read_group},
    {"size_measure", read_size_measure},
    {"adult_size_mm", read_adult_size},
    {"growth_ratio", read_growth_ratio},
    {"stadium_days", read_stadium_days},
    {"stadium_at_mm", read_stadium_at},
    {"premolt_share", read_premolt_share},
}};

TableFacts read_facts(RowReport& report) {
  TableFacts facts;
  const bool faulty_before = report.faulty;
  for (const auto& [column, read] : kind_columns) {
    const std::string_view text = report.table.cell(report.table.column(column), report.row);
    if (text.empty()) continue;
    report.faulty = false;
    read(report, column, text, facts);
    if (report.faulty) facts.faulty.push_back(column);
  }
  report.faulty = faulty_before || !facts.faulty.empty();
  return facts;
}

void fill_stated(const StatedFacts& own, const StatedFacts& kind, StatedFacts& stated) {
  stated.measure = own.measure >= 0 ? own.measure : kind.measure;
  for (double StatedFacts::*field :
       {&StatedFacts::adult_female, &StatedFacts::adult_male, &StatedFacts::growth_ratio, &StatedFacts::stadium_days,
        &StatedFacts::stadium_at, &StatedFacts::premolt_share})
    stated.*field = std::isnan(own.*field) ? kind.*field : own.*field;
}

void fill(const TableFacts& own, const TableFacts& kind, Animal& animal) {
  const auto either = [](const auto& first, const auto& second) { return first ? first : second; };
  animal.habit = either(own.habit, kind.habit).value_or(Habit::unknown);
  animal.pace = either(own.pace, kind.pace).value_or(Pace::unknown);
  animal.world = either(own.world, kind.world).value_or(World::unknown);
  animal.hazards = own.hazards.value_or(Hazards{});
  if (kind.hazards) join_hazards(animal.hazards, *kind.hazards);  // a caution that is stated anywhere stands
  animal.after_maturity_female = either(own.female, kind.female).value_or(AfterMaturity::unknown);
  animal.after_maturity_male = either(own.male, kind.male).value_or(AfterMaturity::unknown);
  animal.adult_leg_span_mm = either(own.adult_leg_span_mm, kind.adult_leg_span_mm).value_or(unknown_number);
  animal.group = either(own.group, kind.group).value_or("");
  fill_stated(own.stated, kind.stated, animal.stated);
  animal.temperature_c = either(own.temperature_c, kind.temperature_c).value_or(unknown_number);
}

std::string single_spaced(std::string_view text) {
  std::string result;
  for (const char c : trim(text)) {
    const bool blank = c == ' ' || c == '\t' || c == '\n' || c == '\r';
    if (!blank)
      result += c;
    else if (result.back() != ' ')
      result += ' ';
  }
  return result;
}

using Kinds = std::map<std::string, TableFacts, std::less<>>;

std::vector<std::string_view> kind_names(std::vector<std::string_view> others) {
  for (const auto& [column, read] : kind_columns) others.push_back(column);
  return others;
}

Kinds read_kinds(Collection& collection) {
  Kinds kinds;
  if (!collection.raw.taxa) return kinds;
  const TableView table(*collection.raw.taxa, collection.raw.rules, kind_names({"taxon", "note"}), {"taxon"},
                        collection.problems);
  if (!table.usable()) return kinds;
  for (std::size_t row = 0; row < table.size(); ++row) {
    if (table.blank(row)) continue;
    RowReport report{table, row, "", collection.problems};
    const std::string taxon = single_spaced(table.cell(table.column("taxon"), row));
    if (taxon.empty()) {
      report.fault("taxon", "", "a taxon in every row", "fill it in or remove the row");
    } else if (kinds.contains(taxon)) {
      report.fault("taxon", taxon, "one row a taxon", "join the rows of this taxon into one");
      kinds[taxon].faulty = kind_names({});
    } else if (table.broken(row)) {
      kinds[taxon].faulty = kind_names({});
    } else {
      kinds[taxon] = read_facts(report);
    }
  }
  return kinds;
}

/// Reads the rows of `animals`.
class AnimalReader {
 public:
  AnimalReader(Collection& collection, const Kinds& kinds, const TableView& table, std::optional<Day> today)
      : collection_(collection), kinds_(kinds), table_(table), today_(today) {}

  void row(std::size_t row);

 private:
  Animal& add(std::string_view id, std::size_t row);
  std::string_view cell(std::string_view column, std::size_t row) const {
    return table_.cell(table_.column(column), row);
  }
  std::optional<Day> day(RowReport& report, std::string_view column);
  void dates(RowReport& report, Animal& animal);
  void kind(RowReport& report, Animal& animal);

  Collection& collection_;
  const Kinds& kinds_;
  const TableView& table_;
  std::optional<Day> today_;
  std::unordered_map<std::string, std::size_t> seen_;  // id -> index of the animal
};

Animal& AnimalReader::add(std::string_view id, std::size_t row) {
  seen_.emplace(id, collection_.animals.size());
  Animal& animal = collection_.animals.emplace_back();
  animal.id = id;
  animal.row = static_cast<std::int64_t>(row);
  return animal;
}

void AnimalReader::row(std::size_t row) {
  if (table_.blank(row)) return;
  const std::string id(cell("animal", row));
  RowReport report{table_, row, id, collection_.problems};
  if (id.empty()) return report.fault("animal", "", "an id in every row", "give the animal an id or remove the row");
  if (const auto found = seen_.find(id); found != seen_.end()) {
    Animal& first = collection_.animals[found->second];
    first.set_aside = true;
    return report.fault("animal", id, "every animal has its own id",
                        "rename or remove this row: row " +
                            std::to_string(table_.line(static_cast<std::size_t>(first.row))) + " has this id too");
  }
  if (has_control_character(id))
    report.doubt("animal", id, "an id without control characters, which are shown as escapes such as \\x1b",
                 "write the id anew, in animals.csv and in the journal");
  Animal& animal = add(id, row);
  if (table_.broken(row)) {
    table_.name_broken(row, id, collection_.problems);
    animal.set_aside = true;
    return;
  }
  animal.taxon = single_spaced(cell("taxon", row));
  animal.genus = animal.taxon.substr(0, animal.taxon.find(' '));
  animal.cohort = cell("cohort", row);
  animal.kept_as = cell("kept_as", row);
  animal.note = cell("note", row);
  const std::string_view sex = cell("sex", row);
  if (!sex.empty()) animal.male_chance = known_word(report, "sex", sex, find_sex, sex_words).value_or(.5);
  dates(report, animal);
  kind(report, animal);
  animal.set_aside = animal.set_aside || report.faulty;
}

std::optional<Day> AnimalReader::day(RowReport& report, std::string_view column) {
  const std::string_view text = cell(column, report.row);
  const auto day = read_day(report, column, text, collection_.raw.rules.date_order);
  if (day && is_future(*day, today_))
    report.doubt(column, text, "a day up to today, " + to_iso(*today_), "correct the date if it is a slip");
  return day;
}

void AnimalReader::dates(RowReport& report, Animal& animal) {
  animal.hatched = day(report, "hatched");
  animal.acquired = day(report, "acquired");
  animal.matured = day(report, "matured");
  animal.died = day(report, "died");
  const auto in_order = [&](std::string_view first, std::optional<Day> a, std::string_view second,
                            std::optional<Day> b) {
    if (a && b && *a > *b)
      report.fault(second, to_iso(*b), std::string(second) + " not before " + std::string(first) + ", " + to_iso(*a),
                   "correct one of the two dates");
  };
  in_order("hatched", animal.hatched, "matured", animal.matured);
  in_order("hatched", animal.hatched, "died", animal.died);
  in_order("matured", animal.matured, "died", animal.died);
  in_order("acquired", animal.acquired, "died", animal.died);
}

void AnimalReader::kind(RowReport& report, Animal& animal) {
  const TableFacts own = read_facts(report);
  const auto found = kinds_.find(animal.taxon);
  const TableFacts kind = found == kinds_.end() ? TableFacts{} : found->second;
  fill(own, kind, animal);
  for (const std::string_view column : kind.faulty) {
    if (!cell(column, report.row).empty()) continue;
    report.fault(column, animal.taxon, "what " + collection_.raw.taxa->source + " says of this taxon can be read",
                 "mend the row of '" + animal.taxon + "' in " + collection_.raw.taxa->source);
    break;
  }
}

}  // namespace

bool is_future(Day day, std::optional<Day> today) { return today && day > *today; }

const std::vector<std::string_view>& animal_columns() {
  static const std::vector<std::string_view> names =
      kind_names({"animal", "taxon", "sex", "cohort", "hatched", "acquired", "matured", "died", "kept_as", "note"});
  return names;
}

void build_animals(Collection& collection, std::optional<Day> today) {
  const Kinds kinds = read_kinds(collection);
  const TableView table(collection.raw.animals, collection.raw.rules, animal_columns(), {"animal"},
                        collection.problems);
  if (!table.usable()) return;
  AnimalReader reader(collection, kinds, table, today);
  for (std::size_t row = 0; row < table.size(); ++row) reader.row(row);
}

AnimalIndex::AnimalIndex(const std::vector<Animal>& animals) {
  for (std::size_t i = 0; i < animals.size(); ++i) {
    ids_.emplace(animals[i].id, static_cast<int>(i));
    if (!animals[i].cohort.empty()) cohorts_[animals[i].cohort].push_back(static_cast<int>(i));
  }
}

int AnimalIndex::id(std::string_view text) const {
  const auto found = ids_.find(text);
  return found == ids_.end() ? -1 : found->second;
}

const std::vector<int>* AnimalIndex::cohort(std::string_view text) const {
  const auto found = cohorts_.find(text);
  return found == cohorts_.end() ? nullptr : &found->second;
}

}  // namespace moltspan
