#include <algorithm>
#include <cmath>
#include <unordered_set>

#include "records/build.hpp"
#include "records/table.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

/// Unknown ids for which the nearest known one is looked for; more would make a wrong file slow to check.
constexpr int most_suggestions = 200;

struct Targets {
  std::vector<int> animals;
  std::size_t by_id = 0;  ///< so many of them, the first ones, were named by their id; the others by cohort
};

/// Reads the rows of `journal`, each on its own.
class JournalReader {
 public:
  JournalReader(Collection& collection, const TableView& table, std::optional<Day> today);
  void row(std::size_t row);
  void finish();

 private:
  std::string_view cell(int column, const RowReport& report) const { return table_.cell(column, report.row); }
  Targets targets(RowReport& report, bool say);
  void add_target(std::string_view text, Targets& result, RowReport& report, bool say);
  std::string unknown_animal_step(std::string_view text);
  void set_aside(const Targets& targets);

  void read_when(RowReport& report, Entry& entry);
  void read_event(RowReport& report, Entry& entry);
  void read_on(RowReport& report, Entry& entry);
  void read_value(RowReport& report, Entry& entry);
  void read_instar(RowReport& report, Entry& entry);
  void read_reading(RowReport& report, Entry& entry, double most);
  void read_temperature(RowReport& report, Entry& entry);
  void read_box(RowReport& report, Entry& entry);
  void read_unfit(RowReport& report, Entry& entry);
  void read_habit(RowReport& report, Entry& entry);
  void read_sex(RowReport& report, Entry& entry);
  bool needs_value(RowReport& report, const Entry& entry, std::string_view rule);
  std::vector<Day> ends() const;
  void drop_after_end();

  Collection& collection_;
  const FolderRules& rules_;
  const TableView& table_;
  std::optional<Day> today_;
  AnimalIndex index_;
  EventWords words_;
  std::unordered_map<std::string, std::shared_ptr<const EnclosureSize>> boxes_;
  std::vector<std::size_t> from_cohort_;  // indices of entries that a cohort row gave
  int suggestions_ = 0;
  int animal_, date_, until_, event_, value_, unit_, on_, note_;
};

JournalReader::JournalReader(Collection& collection, const TableView& table, std::optional<Day> today)
    : collection_(collection),
      rules_(collection.raw.rules),
      table_(table),
      today_(today),
      index_(collection.animals),
      words_(rules_),
      animal_(table.column("animal")),
      date_(table.column("date")),
      until_(table.column("until")),
      event_(table.column("event")),
      value_(table.column("value")),
      unit_(table.column("unit")),
      on_(table.column("on")),
      note_(table.column("note")) {
  for (const Enclosure& box : collection.enclosures)
    boxes_.emplace(fold(box.name), std::make_shared<const EnclosureSize>(box.size));
}

std::string JournalReader::unknown_animal_step(std::string_view text) {
  const std::string step = "add it to " + collection_.raw.animals.source + ", or correct the id";
  if (++suggestions_ > most_suggestions || collection_.animals.empty()) return step;
  std::vector<std::string_view> ids;
  for (const Animal& animal : collection_.animals) ids.push_back(animal.id);
  const std::string nearest = nearest_id(text, ids);
  return nearest.empty() ? step : step + "; the nearest known one is " + in_quotes(nearest);
}

void JournalReader::add_target(std::string_view text, Targets& result, RowReport& report, bool say) {
  std::vector<int>& animals = result.animals;
  const auto by_id_end = animals.begin() + static_cast<std::ptrdiff_t>(result.by_id);
  const auto named = [&](int animal) { return std::find(animals.begin(), by_id_end, animal) != by_id_end; };
  if (const int id = index_.id(text); id >= 0) {
    animals.push_back(id);
    result.by_id = animals.size();
  } else if (const auto* cohort = index_.cohort(text)) {
    std::vector<int> members;
    std::copy_if(cohort->begin(), cohort->end(), std::back_inserter(members),
                 [&](int member) { return !named(member); });
    animals.insert(animals.end(), members.begin(), members.end());
  } else if (say) {
    report.fault("animal", text, "an id or a cohort of " + collection_.raw.animals.source, unknown_animal_step(text));
  }
}

/// Animals that a row names: one id or cohort as the whole cell, else several between blanks, commas or semicolons.
Targets JournalReader::targets(RowReport& report, bool say) {
  Targets result;
  const std::string_view text = cell(animal_, report);
  constexpr std::string_view between = " \t\r\n,;";
  const bool whole =
      index_.id(text) >= 0 || index_.cohort(text) != nullptr || text.find_first_of(between) == std::string_view::npos;
  std::vector<std::string_view> words;
  for (std::string_view rest = text; !rest.empty();) {
    const std::size_t end = whole ? rest.size() : std::min(rest.find_first_of(between), rest.size());
    if (end > 0) words.push_back(rest.substr(0, end));
    rest.remove_prefix(std::min(end + 1, rest.size()));
  }
  std::sort(words.begin(), words.end());
  words.erase(std::unique(words.begin(), words.end()), words.end());
  // Ids first, so that what a cohort adds stands behind them.
  std::stable_partition(words.begin(), words.end(), [&](std::string_view word) { return index_.id(word) >= 0; });
  for (const std::string_view word : words) add_target(word, result, report, say);
  return result;
}

void JournalReader::set_aside(const Targets& targets) {
  for (const int animal : targets.animals) collection_.animals[static_cast<std::size_t>(animal)].set_aside = true;
}

void JournalReader::row(std::size_t row) {
  if (table_.blank(row)) return;
  RowReport report{table_, row, std::string(table_.cell(animal_, row)), collection_.problems};
  if (table_.broken(row)) {
    table_.name_broken(row, report.animal, collection_.problems);
    return set_aside(targets(report, false));
  }
  if (report.animal.empty())
    report.fault("animal", "", "an animal or a cohort in every row", "fill it in or remove the row");
  const Targets named = targets(report, true);
  report.faulty = false;  // an animal that is not known sets no other one aside
  Entry entry;
  entry.row = table_.line(row);
  entry.note = cell(note_, report);
  read_when(report, entry);
  read_event(report, entry);
  if (report.faulty) return set_aside(named);
  for (std::size_t i = 0; i < named.animals.size(); ++i) {
    if (i >= named.by_id) from_cohort_.push_back(collection_.entries.size());
    entry.animal = named.animals[i];
    collection_.entries.push_back(i + 1 == named.animals.size() ? std::move(entry) : entry);
  }
}

void JournalReader::read_when(RowReport& report, Entry& entry) {
  const std::string_view first = cell(date_, report), last = cell(until_, report);
  const auto day = read_day(report, "date", first, rules_.date_order);
  const auto until = read_day(report, "until", last, rules_.date_order);
  if (first.empty())
    report.fault("date", "", "a date in every row", "fill in the day, or the first day it may have been");
  if (!day) return;
  entry.when = {*day, until.value_or(*day)};
  if (until && *until < *day)
    report.fault("until", last, "a day not before date, " + to_iso(*day), "swap the two, or correct one of them");
  else if (is_future(entry.when.latest, today_))
    report.doubt(until ? "until" : "date", until ? last : first, "a day up to today, " + to_iso(*today_),
                 "correct the date if it is a slip");
}

void JournalReader::read_event(RowReport& report, Entry& entry) {
  const std::string_view text = cell(event_, report);
  entry.text = cell(value_, report);
  if (text.empty())
    return report.fault("event", "", "an event in every row", "fill in what happened, such as molt or ate");
  const auto event = words_.find(text);
  if (!event)
    return report.fault(
        "event", text, "an event that is known",
        event_advice(text) + "; or say in folder.toml under [events] what '" + std::string(text) + "' means");
  entry.event = *event;
  read_on(report, entry);
  read_value(report, entry);
}

void JournalReader::read_on(RowReport& report, Entry& entry) {
  const std::string_view text = cell(on_, report);
  if (text.empty()) return;
  const std::string folded = fold(text);
  if (folded == "animal")
    entry.on = MeasuredOn::animal;
  else if (folded == "skin" || folded == "exuvia")
    entry.on = MeasuredOn::skin;
  else
    report.fault("on", text, "animal or skin", "write what was measured, or leave the cell blank");
}

void JournalReader::read_value(RowReport& report, Entry& entry) {
  switch (entry.event) {
    case Event::molt:
    case Event::skin_found:
      return read_instar(report, entry);
    case Event::leg_span:
      return read_reading(report, entry, largest_leg_span_mm);
    case Event::body_length:
      return read_reading(report, entry, largest_body_length_mm);
    case Event::carapace_length:
      return read_reading(report, entry, largest_carapace_length_mm);
    case Event::carapace_width:
      return read_reading(report, entry, largest_carapace_width_mm);
    case Event::mass:
      return read_reading(report, entry, largest_mass_g);
    case Event::temperature:
      return read_temperature(report, entry);
    case Event::enclosure:
      return read_box(report, entry);
    case Event::unfit:
      return read_unfit(report, entry);
    case Event::habit:
      return read_habit(report, entry);
    case Event::sex:
      return read_sex(report, entry);
    case Event::setup:
      needs_value(report, entry, "a label in value for how it is kept");
      return;
    default:
      return;
  }
}

bool JournalReader::needs_value(RowReport& report, const Entry& entry, std::string_view rule) {
  if (!entry.text.empty()) return true;
  report.fault("value", "", std::string(rule), "fill in value, or remove the row");
  return false;
}

void JournalReader::read_instar(RowReport& report, Entry& entry) {
  const std::string_view text = entry.text;
  if (text.empty()) return;
  const NumberReading number = read_number(text);
  if (number.state == NumberState::ok && number.rest.empty() && number.value == std::floor(number.value) &&
      number.value >= 0 && number.value <= largest_instar && trim(cell(unit_, report)).empty()) {
    entry.value = number.value;
    return;
  }
  report.fault("value", text,
               "blank, or the number of the instar reached, a whole number up to " + number_text(largest_instar),
               "a size belongs into a row of its own, such as leg_span on the same day; words belong into note");
}

void JournalReader::read_reading(RowReport& report, Entry& entry, double most) {
  const Quantity quantity = entry.event == Event::mass ? Quantity::mass : Quantity::length;
  const std::string_view unit = cell(unit_, report);
  if (!needs_value(report, entry, "the reading in value")) return;
  const SizeReadingText size =
      read_quantity(entry.text, unit, quantity, quantity == Quantity::mass ? rules_.mass_unit : rules_.length_unit);
  if (size.state != SizeState::ok) return report_size_fault(report, "value", entry.text, unit, size.state, quantity);
  if (!(size.value > 0) || size.value > most)
    return report.fault("value", entry.text,
                        "a size over 0 and up to " + number_text(most) + (quantity == Quantity::mass ? " g" : " mm"),
                        "look the value and its unit up again");
  entry.value = size.value;
  entry.step = size.step;
}

void JournalReader::read_temperature(RowReport& report, Entry& entry) {
  const std::string_view unit = cell(unit_, report);
  if (!needs_value(report, entry, "the temperature in value")) return;
  const SizeReadingText reading = read_quantity(entry.text, unit, Quantity::temperature, rules_.temperature_unit);
  if (reading.state != SizeState::ok)
    return report_size_fault(report, "value", entry.text, unit, reading.state, Quantity::temperature);
  if (reading.value < coldest_c || reading.value > warmest_c)
    return report.fault("value", entry.text,
                        "a temperature from " + number_text(coldest_c) + " to " + number_text(warmest_c) + " C",
                        "look the value and its unit (C or F) up again");
  entry.value = reading.value;
  entry.step = reading.step;
}

void JournalReader::read_box(RowReport& report, Entry& entry) {
  if (!needs_value(report, entry, "the size or the name of the enclosure in value")) return;
  if (const auto own = boxes_.find(fold(entry.text)); own != boxes_.end()) {
    entry.enclosure = own->second;
    return;
  }
  const std::string_view unit = cell(unit_, report);
  const EnclosureReading reading = read_enclosure(entry.text, unit, rules_.length_unit);
  if (reading.state == EnclosureState::volume_only)
    report.doubt("value", entry.text, "width x depth x height: a volume alone gives no ratio to the leg span",
                 "measure the inside and write it as WxDxH");
  else if (reading.state != EnclosureState::ok)
    return report_enclosure_fault(report, entry.text, unit, reading.state);
  entry.enclosure = std::make_shared<const EnclosureSize>(reading.size);
}

void JournalReader::read_unfit(RowReport& report, Entry& entry) {
  const std::string_view word = find_unfit(entry.text);
  if (word.empty())
    return report.fault("value", entry.text, "wet, stale_air, mold, pests or broken",
                        "write one of these words in value; details belong into note");
  entry.text = word;
}

void JournalReader::read_habit(RowReport& report, Entry& entry) {
  const auto habit = find_habit(entry.text);
  if (!habit) return report.fault("value", entry.text, std::string(habit_words), "write one of these words in value");
  entry.text = habit_name(*habit);
}

void JournalReader::read_sex(RowReport& report, Entry& entry) {
  const auto male_chance = find_sex(entry.text);
  if (!male_chance)
    return report.fault("value", entry.text, std::string(sex_words), "write one of these words in value");
  entry.value = *male_chance;
}

/// Day on which the record of each animal ends; the largest Day where it does not.
std::vector<Day> JournalReader::ends() const {
  std::vector<Day> ends(collection_.animals.size(), std::numeric_limits<Day>::max());
  for (std::size_t i = 0; i < ends.size(); ++i)
    if (collection_.animals[i].died) ends[i] = *collection_.animals[i].died;
  for (const Entry& entry : collection_.entries) {
    Day& end = ends[static_cast<std::size_t>(entry.animal)];
    if (entry.event == Event::died || entry.event == Event::left || entry.event == Event::escaped)
      end = std::min(end, entry.when.latest);
  }
  return ends;
}

/// Takes out what rows of a cohort say of animals whose record had ended before.
void JournalReader::drop_after_end() {
  if (from_cohort_.empty()) return;
  const std::vector<Day> end = ends();
  std::unordered_set<std::int64_t> dropped;
  for (const std::size_t i : from_cohort_) {
    Entry& entry = collection_.entries[i];
    if (entry.when.earliest <= end[static_cast<std::size_t>(entry.animal)]) continue;
    dropped.insert(entry.row);
    entry.animal = -1;
  }
  if (dropped.empty()) return;
  std::erase_if(collection_.entries, [](const Entry& entry) { return entry.animal < 0; });
  for (const Entry& entry : collection_.entries) dropped.erase(entry.row);
  for (std::size_t row = 0; row < table_.size(); ++row) {
    if (!dropped.contains(table_.line(row))) continue;
    RowReport report{table_, row, std::string(table_.cell(animal_, row)), collection_.problems};
    report.doubt("animal", report.animal, "a cohort with an animal still there on that day",
                 "all of them had died, left or escaped before: the row counts for none; correct it if it is a slip");
  }
}

void JournalReader::finish() {
  drop_after_end();
  std::stable_sort(collection_.entries.begin(), collection_.entries.end(), [](const Entry& a, const Entry& b) {
    return a.animal != b.animal ? a.animal < b.animal : a.when.earliest < b.when.earliest;
  });
}

/// Whether the table of animals as a whole could not be read: then no id is known, and a fault a row would say nothing.
bool animals_unread(const Collection& collection) {
  const std::string& file = collection.raw.animals.source;
  return collection.animals.empty() &&
         std::any_of(collection.problems.begin(), collection.problems.end(), [&](const Problem& problem) {
           return problem.severity == Severity::fault && problem.file == file;
         });
}

}  // namespace

const std::vector<std::string_view>& journal_columns() {
  static const std::vector<std::string_view> names = {"animal", "date", "until", "event",
                                                      "value",  "unit", "on",    "note"};
  return names;
}

void build_journal(Collection& collection, std::optional<Day> today) {
  const TableView table(collection.raw.journal, collection.raw.rules, journal_columns(), {"animal", "date", "event"},
                        collection.problems);
  if (!table.usable()) {
    for (Animal& animal : collection.animals) animal.set_aside = true;  // no row of any animal was read
    return;
  }
  if (animals_unread(collection)) {
    collection.problems.push_back({Severity::fault, table.file(), 0, "", "animal", "",
                                   "animals that could be read from " + collection.raw.animals.source,
                                   "mend the faults of " + collection.raw.animals.source + " first"});
    return;
  }
  JournalReader reader(collection, table, today);
  collection.entries.reserve(table.size());
  for (std::size_t row = 0; row < table.size(); ++row) reader.row(row);
  reader.finish();
}

}  // namespace moltspan
