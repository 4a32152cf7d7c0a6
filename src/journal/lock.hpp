#pragma once

#include <filesystem>

namespace moltspan {

/// Keeps other writers of a journal out while it lives: an advisory lock (`flock`) on the folder that the file lies in,
/// which leaves no file behind and ends with the process. Waits for other writers.
class JournalLock {
 public:
  /// Throws std::runtime_error where the file is open in a spreadsheet program, or another writer does not end.
  explicit JournalLock(const std::filesystem::path& journal);
  ~JournalLock();
  JournalLock(const JournalLock&) = delete;
  JournalLock& operator=(const JournalLock&) = delete;

 private:
  int folder_ = -1;
};

}  // namespace moltspan
