#include "moltspan/records/records.hpp"

#include <algorithm>
#include <stdexcept>
#include <tuple>

#include "base/files.hpp"
#include "moltspan/records/temperatures.hpp"
#include "records/build.hpp"

namespace moltspan {
namespace {

TextTable read_table(const std::filesystem::path& path) {
  return read_csv(read_whole_file(path), path.filename().string());
}

/// Whether there is a file, or a link that points to none: that is a slip to be told, not a table left out.
bool is_there(const std::filesystem::path& path) {
  return std::filesystem::exists(std::filesystem::symlink_status(path));
}

std::optional<TextTable> read_optional(const std::filesystem::path& path) {
  if (!is_there(path)) return {};
  return read_table(path);
}

/// By file in the order in which the tables are read, then by row; problems of whole files first.
void sort_problems(std::vector<Problem>& problems) {
  std::vector<std::string> files;
  for (const Problem& problem : problems)
    if (std::find(files.begin(), files.end(), problem.file) == files.end()) files.push_back(problem.file);
  const auto place = [&](const Problem& p) {
    return std::pair(std::find(files.begin(), files.end(), p.file) - files.begin(), p.row);
  };
  std::stable_sort(problems.begin(), problems.end(),
                   [&](const Problem& a, const Problem& b) { return place(a) < place(b); });
}

}  // namespace

bool Collection::has_faults() const {
  return std::any_of(problems.begin(), problems.end(), [](const Problem& p) { return p.severity == Severity::fault; });
}

std::optional<Day> Collection::last_recorded_day() const {
  const std::optional<Day> lone = first_lone_day(*this);
  std::optional<Day> last;
  const auto see = [&](std::optional<Day> day) {
    if (!day || is_future(*day, today) || (lone && *day >= *lone)) return;
    if (!last || *day > *last) last = day;
  };
  for (const Animal& animal : animals)
    if (!animal.set_aside)
      for (const auto& day : {animal.hatched, animal.acquired, animal.matured, animal.died}) see(day);
  for (const Entry& entry : entries)
    if (!of_series(entry) && !animals[static_cast<std::size_t>(entry.animal)].set_aside) see(entry.when.latest);
  return last;
}

Collection make_collection(RawCollection raw, std::optional<Day> today) {
  Collection collection;
  collection.raw = std::move(raw);
  collection.today = today;
  build_animals(collection, today);
  build_enclosures(collection);
  build_journal(collection, today);
  check_sequences(collection);
  check_last_dates(collection);
  check_tables(collection);
  sort_problems(collection.problems);
  return collection;
}

RawCollection read_folder(const std::filesystem::path& folder) {
  if (!std::filesystem::is_directory(folder))
    throw std::runtime_error(folder.string() +
                             ": is no folder; name the folder that holds animals.csv and journal.csv");
  for (const char* name : {"animals.csv", "journal.csv"})
    if (!is_there(folder / name))
      throw std::runtime_error((folder / name).string() + ": is missing; a folder of records needs it");
  RawCollection raw;
  raw.animals = read_table(folder / "animals.csv");
  raw.journal = read_table(folder / "journal.csv");
  raw.taxa = read_optional(folder / "taxa.csv");
  raw.enclosures = read_optional(folder / "enclosures.csv");
  if (is_there(folder / "folder.toml"))
    raw.rules = read_folder_rules(read_whole_file(folder / "folder.toml"), "folder.toml");
  return raw;
}

}  // namespace moltspan
