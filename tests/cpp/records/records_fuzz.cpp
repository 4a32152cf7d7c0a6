// Reads whatever it is given as a folder: six texts, split at the byte 0x1f, in the order animals, journal, taxa,
// enclosures, folder.toml, temperatures; those that are missing are not there. Seeds are in tests/reference/fuzz_seeds/.

#include <algorithm>
#include <cstdlib>
#include <set>
#include <stdexcept>
#include <string_view>

#include "records/csv.hpp"
#include "moltspan/journal/journal.hpp"
#include "moltspan/stadia/stadia.hpp"
#include "moltspan/records/temperatures.hpp"

namespace {

using namespace moltspan;

void require(bool holds) {
  if (!holds) std::abort();
}

std::vector<std::string_view> parts(std::string_view text) {
  std::vector<std::string_view> result;
  for (;;) {
    const std::size_t end = text.find('\x1f');
    result.push_back(text.substr(0, end));
    if (end == std::string_view::npos) return result;
    text.remove_prefix(end + 1);
  }
}

RawCollection read_parts(std::string_view text) {
  const auto part = parts(text);
  RawCollection raw;
  raw.animals = read_csv(part[0], "animals.csv");
  if (part.size() > 1) raw.journal = read_csv(part[1], "journal.csv");
  raw.journal.source = "journal.csv";
  if (part.size() > 2) raw.taxa = read_csv(part[2], "taxa.csv");
  if (part.size() > 3) raw.enclosures = read_csv(part[3], "enclosures.csv");
  try {
    if (part.size() > 4) raw.rules = read_folder_rules(part[4], "folder.toml");
  } catch (const std::runtime_error&) {  // its message is the answer
  }
  return raw;
}

/// A sixth part is temperatures. No row of it is dropped in silence, and it changes neither the last day nor who is set aside.
void temperatures_are_sound(const RawCollection& raw, std::string_view text, const Collection& without) {
  const auto part = parts(text);
  if (part.size() < 6) return;
  const TextTable table = read_csv(part[5], "temperatures.csv");
  const Collection with = make_collection(raw, table, 20546);
  require(with.last_recorded_day() == without.last_recorded_day());
  require(with.animals.size() == without.animals.size());
  for (std::size_t i = 0; i < with.animals.size(); ++i) require(with.animals[i].set_aside == without.animals[i].set_aside);
  for (const Entry& entry : with.entries)
    require(!of_series(entry) || (entry.value >= coldest_c && entry.value <= warmest_c && entry.when.earliest <= entry.when.latest));
  if (with.last_recorded_day()) build_stadia(with);
}

bool blank(const TextTable& table, std::size_t row) {
  return std::all_of(table.cells.begin(), table.cells.end(), [&](const auto& cells) {
    return cells[row].find_first_not_of(" \t\r\n\v\f") == std::string::npos;
  });
}

/// No journal row is dropped in silence: it is an entry, or a problem names it, or the table as a whole is faulty.
void no_row_is_lost(const Collection& collection) {
  const TextTable& journal = collection.raw.journal;
  std::set<std::int64_t> told;
  for (const Entry& entry : collection.entries) told.insert(entry.row);
  for (const Problem& problem : collection.problems) {
    require(!problem.rule.empty() && !problem.next_step.empty());
    if (problem.file != journal.source) continue;
    if (problem.severity == Severity::fault && problem.row == 0) return;
    told.insert(problem.row);
  }
  for (std::size_t row = 0; row < journal.size(); ++row)
    require(blank(journal, row) || told.contains(journal.rows[row]));
}

void entries_are_sound(const Collection& collection) {
  std::set<std::pair<int, std::int64_t>> seen;
  const Entry* before = nullptr;
  for (const Entry& entry : collection.entries) {
    require(entry.animal >= 0 && static_cast<std::size_t>(entry.animal) < collection.animals.size());
    require(entry.when.earliest <= entry.when.latest);
    require(seen.emplace(entry.animal, entry.row).second);
    require(before == nullptr || before->animal < entry.animal ||
            (before->animal == entry.animal && before->when.earliest <= entry.when.earliest));
    require(entry.event != Event::leg_span ||
            (entry.value > 0 && entry.value <= largest_leg_span_mm && entry.step > 0));
    require((entry.event == Event::enclosure) == (entry.enclosure != nullptr));
    before = &entry;
  }
}

void tables_are_sound(const TextTable& table) {
  require(table.columns.size() == table.cells.size());
  for (const auto& cells : table.cells) {
    require(cells.size() == table.rows.size());
    for (const std::string& cell : cells) require(is_utf8(cell));
  }
  require(std::is_sorted(table.rows.begin(), table.rows.end()));
}

void faults_set_aside(const Collection& collection) {
  std::set<std::string> faulty;
  for (const Problem& problem : collection.problems)
    if (problem.severity == Severity::fault && problem.column != "animal") faulty.insert(problem.animal);
  for (const Animal& animal : collection.animals) require(animal.set_aside || !faulty.contains(animal.id));
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string_view text(reinterpret_cast<const char*>(data), size);
  RawCollection raw = read_parts(text);
  tables_are_sound(raw.animals);
  tables_are_sound(raw.journal);
  const Collection collection = make_collection(raw, 20546);
  temperatures_are_sound(raw, text, collection);
  no_row_is_lost(collection);
  entries_are_sound(collection);
  faults_set_aside(collection);
  collection.last_recorded_day();
  const NoteReading draft = read_note(collection, text.substr(text.rfind('\n') + 1), 20546);
  for (const auto& row : draft.rows) require(row.size() == collection.raw.journal.columns.size());
  return 0;
}
