#include "base/files.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <fstream>
#include <iterator>
#include <stdexcept>
#include <vector>

namespace moltspan {
namespace {

namespace fs = std::filesystem;

[[noreturn]] void fail(const fs::path& path, const std::string& what) {
  throw std::runtime_error(path.string() + ": " + what + " (" + std::strerror(errno) + "); nothing was changed");
}

/// A file that is taken away again unless it was renamed.
class NewFile {
 public:
  explicit NewFile(const fs::path& beside)
      : name_((beside.parent_path() / new_file_prefix(beside)).string() + "XXXXXX") {
    file_ = mkostemp(name_.data(), O_CLOEXEC);
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

  /// Gives the new file to the owner and group of the old one, with its mode.
  void take_after(const fs::path& path, const struct stat& old) {
    struct stat own;
    if (fstat(file_, &own) != 0) fail(name_, "cannot be looked up");
    const bool same_group = own.st_gid == old.st_gid || fchown(file_, static_cast<uid_t>(-1), old.st_gid) == 0;
    const bool same_owner = own.st_uid == old.st_uid || fchown(file_, old.st_uid, static_cast<gid_t>(-1)) == 0;
    if (!same_owner && !(same_group && (old.st_mode & S_IWGRP) != 0))
      throw std::runtime_error(path.string() +
                               ": belongs to another user, who could no longer write it; nothing was changed; do this "
                               "as that user");
    if (fchmod(file_, old.st_mode & 07777) != 0) fail(name_, "cannot be given the mode of the old file");
  }

  void open_to_others() {
    const mode_t mask = umask(0);
    umask(mask);
    if (fchmod(file_, 0666 & ~mask) != 0) fail(name_, "cannot be given its mode");
  }

  void replace(const fs::path& old) {
    if (fsync(file_) != 0) fail(name_, "cannot be flushed to the disk");
    if (rename(name_.c_str(), old.c_str()) != 0) fail(old, "cannot be replaced");
    renamed_ = true;
    flush_folder(old.parent_path());
  }

 private:
  /// Makes the rename itself last; where a file system cannot, the new file is there all the same.
  static void flush_folder(const fs::path& folder) {
    const int handle = open(folder.empty() ? "." : folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (handle < 0) return;
    fsync(handle);
    close(handle);
  }

  std::string name_;
  int file_ = -1;
  bool renamed_ = false;
};

void require_regular(const fs::path& path) {
  const fs::file_type type = fs::status(path).type();
  if (type == fs::file_type::regular) return;
  if (type == fs::file_type::not_found)
    throw std::runtime_error(path.string() + (fs::is_symlink(path) ? ": is a link to a file that is not there; mend or "
                                                                     "remove the link"
                                                                   : ": there is no such file"));
  throw std::runtime_error(path.string() + (type == fs::file_type::directory
                                                ? ": is a folder, where a file is needed"
                                                : ": is no file but a pipe or a device; save it as a file first"));
}

}  // namespace

std::string new_file_prefix(const fs::path& path) { return "." + path.filename().string() + ".new."; }

std::string read_whole_file(const fs::path& path) {
  require_regular(path);
  std::ifstream file(path, std::ios::binary);
  if (!file) throw std::runtime_error(path.string() + ": cannot be opened");
  std::string text{std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
  if (file.bad()) throw std::runtime_error(path.string() + ": cannot be read");
  return text;
}

void replace_file(const fs::path& path, std::string_view text, fs::path like) {
  const fs::path target = fs::exists(path) ? fs::canonical(path) : path;
  if (fs::exists(target)) require_regular(target);
  if (like.empty()) like = target;
  struct stat old;
  const bool there = stat(like.c_str(), &old) == 0;
  NewFile file(target);
  file.write_all(text);
  there ? file.take_after(like, old) : file.open_to_others();
  file.replace(target);
}

void remove_left_over(const fs::path& path) {
  std::error_code ignored;
  const std::string prefix = new_file_prefix(path);
  const fs::path folder = path.parent_path().empty() ? fs::path(".") : path.parent_path();
  std::vector<fs::path> left;
  for (const auto& entry : fs::directory_iterator(folder, ignored))
    if (entry.path().filename().string().starts_with(prefix)) left.push_back(entry.path());
  for (const fs::path& file : left) fs::remove(file, ignored);
}

}  // namespace moltspan
