#include <algorithm>
#include <iterator>
#include <stdexcept>

#include "base/files.hpp"
#include "journal/lock.hpp"
#include "moltspan/journal/journal.hpp"
#include "moltspan/stadia/stadia.hpp"
#include "records/csv.hpp"

namespace moltspan {
namespace {

namespace fs = std::filesystem;

/// The lines to add, from the line end that the last row may lack on.
std::string lines_of(std::string_view before, const std::vector<std::vector<std::string>>& rows) {
  const CsvShape shape = sniff_csv(before);
  std::string text;
  if (!before.empty() && before.back() != '\n' && before.back() != '\r') text += shape.line_end;
  for (const auto& row : rows) {
    for (std::size_t i = 0; i < row.size(); ++i) {
      if (i > 0) text += shape.delimiter;
      text += csv_cell(row[i], shape.delimiter);
    }
    text += shape.line_end;
  }
  return text;
}

bool is_ascii(const std::vector<std::vector<std::string>>& rows) {
  for (const auto& row : rows)
    for (const std::string& cell : row)
      if (std::any_of(cell.begin(), cell.end(), [](char c) { return static_cast<unsigned char>(c) >= 0x80; }))
        return false;
  return true;
}

/// Problems of `after` that `before` has not, each as often as it is there more often.
std::vector<Problem> added(std::vector<Problem> before, std::vector<Problem> after) {
  std::sort(before.begin(), before.end());
  std::sort(after.begin(), after.end());
  std::vector<Problem> result;
  std::set_difference(after.begin(), after.end(), before.begin(), before.end(), std::back_inserter(result));
  return result;
}

/// All that `check` tells: of the records, and of the molts that they make.
std::vector<Problem> all_problems(RawCollection raw, std::optional<Day> today) {
  const Collection collection = make_collection(std::move(raw), today);
  std::vector<Problem> problems = collection.problems;
  if (!collection.last_recorded_day()) return problems;
  const StadiaTable table = build_stadia(collection);
  problems.insert(problems.end(), table.doubts.begin(), table.doubts.end());
  return problems;
}

std::vector<Problem> added_problems(const fs::path& journal, const std::string& before, const std::string& after,
                                    std::optional<Day> today) {
  RawCollection raw = read_folder(journal.parent_path());
  raw.journal = read_csv(before, journal.filename().string());
  RawCollection with = raw;
  with.journal = read_csv(after, journal.filename().string());
  return added(all_problems(std::move(raw), today), all_problems(std::move(with), today));
}

bool may_write(const std::vector<Problem>& problems, bool accept_doubts) {
  return std::all_of(problems.begin(), problems.end(),
                     [&](const Problem& p) { return accept_doubts && p.severity == Severity::doubt; });
}

/// The lines that were added last, kept so that they can be told from what came later.
fs::path last_lines_file(const fs::path& journal) {
  return journal.parent_path() / ("." + journal.filename().string() + ".last_note");
}

void require_unchanged(const fs::path& journal, const std::string& before) {
  if (read_whole_file(journal) != before)
    throw std::runtime_error(journal.string() +
                             ": was changed by another program meanwhile; nothing was changed, try again");
}

std::vector<std::string> split_lines(std::string_view text) {
  std::vector<std::string> lines;
  while (!text.empty()) {
    const std::size_t end = std::min(text.find_first_of("\r\n"), text.size());
    if (end > 0) lines.emplace_back(text.substr(0, end));
    text.remove_prefix(std::min(end + 1, text.size()));
  }
  return lines;
}

}  // namespace

std::vector<Problem> add_to_journal(const fs::path& journal, const std::vector<std::vector<std::string>>& rows,
                                    std::optional<Day> today, bool accept_doubts) {
  const fs::path path = fs::canonical(journal);  // a link stays a link: what it points to is replaced
  const JournalLock lock(path);
  const std::string before = read_whole_file(path);
  const std::string lines = lines_of(before, rows);
  if (!is_utf8(before) && !is_ascii(rows))
    throw std::runtime_error(path.string() +
                             ": is no UTF-8, and the new row has letters beyond ASCII; save it as CSV in "
                             "UTF-8 first");
  std::vector<Problem> problems = added_problems(fs::absolute(journal), before, before + lines, today);
  if (!may_write(problems, accept_doubts)) return problems;
  for (const fs::path& file : {path, journal_backup(path), last_lines_file(path)}) remove_left_over(file);
  replace_file(journal_backup(path), before, path);
  replace_file(last_lines_file(path), lines, path);
  require_unchanged(path, before);
  replace_file(path, before + lines);
  return problems;
}

fs::path journal_backup(const fs::path& journal) {
  return journal.parent_path() / (journal.stem().string() + ".before_note" + journal.extension().string());
}

std::vector<std::string> undo_note(const fs::path& journal) {
  const fs::path path = fs::canonical(journal), backup = journal_backup(path), last = last_lines_file(path);
  const JournalLock lock(path);
  const std::string now = read_whole_file(path);
  if (!fs::exists(last) || !fs::exists(backup))
    throw std::runtime_error(path.string() + ": no note to take back; only the last one can be, and only once");
  const std::string before = read_whole_file(backup), lines = read_whole_file(last);
  if (now == before) throw std::runtime_error(path.string() + ": the last note is not in it; nothing was changed");
  if (now != before + lines)
    throw std::runtime_error(path.string() +
                             ": was changed since the last note; nothing was changed; take the row out by hand, or "
                             "look into " +
                             backup.filename().string() + ", which is the journal before that note");
  require_unchanged(path, now);
  replace_file(path, before);
  fs::remove(last);
  return split_lines(lines);
}

}  // namespace moltspan
