#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <fstream>
#include <iterator>
#include <stdexcept>

#include "moltspan/records.hpp"
#include "records_csv.hpp"

namespace moltspan {
namespace {

namespace fs = std::filesystem;

[[noreturn]] void fail(const fs::path& path, const std::string& what) {
  throw std::runtime_error(path.string() + ": " + what + " (" + std::strerror(errno) + "); nothing was changed");
}

std::string read_whole(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  if (!file) fail(path, "cannot be opened");
  return {std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
}

/// A file that is taken away again unless it was renamed.
class NewFile {
 public:
  explicit NewFile(const fs::path& beside) : name_(beside.string() + ".XXXXXX") {
    file_ = mkstemp(name_.data());
    if (file_ < 0) fail(beside, "no file could be made beside it");
  }
  ~NewFile() {
    if (file_ >= 0) close(file_);
    if (!renamed_) unlink(name_.c_str());
  }
  NewFile(const NewFile&) = delete;
  NewFile& operator=(const NewFile&) = delete;

  void write_all(std::string_view text) {
    while (!text.empty()) {
      const ssize_t written = write(file_, text.data(), text.size());
      if (written < 0 && errno == EINTR) continue;
      if (written <= 0) fail(name_, "cannot be written");
      text.remove_prefix(static_cast<std::size_t>(written));
    }
  }

  void replace(const fs::path& old, mode_t mode) {
    if (fchmod(file_, mode) != 0 || fsync(file_) != 0) fail(name_, "cannot be flushed to the disk");
    if (rename(name_.c_str(), old.c_str()) != 0) fail(old, "cannot be replaced");
    renamed_ = true;
    flush_folder(old.parent_path());
  }

 private:
  /// Makes the rename itself last; where a file system cannot, the new file is there all the same.
  static void flush_folder(const fs::path& folder) {
    const int handle = open(folder.c_str(), O_RDONLY | O_DIRECTORY);
    if (handle < 0) return;
    fsync(handle);
    close(handle);
  }

  std::string name_;
  int file_ = -1;
  bool renamed_ = false;
};

std::string with_rows(std::string text, const std::vector<std::vector<std::string>>& rows) {
  const CsvShape shape = sniff_csv(text);
  if (!text.empty() && text.back() != '\n' && text.back() != '\r') text += shape.line_end;
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

std::vector<Problem> added_problems(const fs::path& journal, const std::string& before, const std::string& after,
                                    std::optional<Day> today) {
  RawCollection raw = read_folder(journal.parent_path());
  raw.journal = read_csv(before, journal.filename().string());
  RawCollection with = raw;
  with.journal = read_csv(after, journal.filename().string());
  return added(make_collection(std::move(raw), today).problems, make_collection(std::move(with), today).problems);
}

bool may_write(const std::vector<Problem>& problems, bool accept_doubts) {
  return std::all_of(problems.begin(), problems.end(),
                     [&](const Problem& p) { return accept_doubts && p.severity == Severity::doubt; });
}

}  // namespace

std::vector<Problem> append_rows(const fs::path& journal, const std::vector<std::vector<std::string>>& rows,
                                 std::optional<Day> today, bool accept_doubts) {
  const fs::path path = fs::canonical(journal);  // a link stays a link: what it points to is replaced
  const std::string before = read_whole(path);
  const std::string after = with_rows(before, rows);
  if (!is_utf8(before) && !is_ascii(rows))
    throw std::runtime_error(path.string() +
                             ": is no UTF-8, and the new row has letters beyond ASCII; save it as CSV in "
                             "UTF-8 first");
  std::vector<Problem> problems = added_problems(fs::absolute(journal), before, after, today);
  if (!may_write(problems, accept_doubts)) return problems;
  struct stat status;
  if (stat(path.c_str(), &status) != 0) fail(path, "cannot be looked up");
  NewFile file(path);
  file.write_all(after);
  if (read_whole(path) != before)
    throw std::runtime_error(path.string() +
                             ": was changed by another program meanwhile; nothing was added, try again");
  file.replace(path, status.st_mode & 07777);
  return problems;
}

}  // namespace moltspan
