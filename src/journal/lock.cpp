#include "journal/lock.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstring>
#include <fstream>
#include <stdexcept>
#include <string>
#include <thread>

namespace moltspan {
namespace {

namespace fs = std::filesystem;

constexpr std::chrono::milliseconds pause{20};
constexpr int most_pauses = 3000;  // a minute: each writer takes well under a second

/// `.~lock.journal.csv#`, which office programs write beside a file while it is open: name, login, machine, time.
void refuse_if_open_in_spreadsheet(const fs::path& journal) {
  const fs::path lock = journal.parent_path() / (".~lock." + journal.filename().string() + "#");
  if (!fs::is_regular_file(lock)) return;
  std::ifstream file(lock, std::ios::binary);
  std::string name, login, machine;
  std::getline(file, name, ',');
  std::getline(file, login, ',');
  std::getline(file, machine, ',');
  const std::string& who = name.empty() ? login : name;
  throw std::runtime_error(journal.string() + ": is open in a spreadsheet program" +
                           (who.empty() ? "" : " (" + who + (machine.empty() ? "" : " on " + machine) + ")") +
                           "; nothing was written; save and close it there first, or remove " +
                           lock.filename().string() + " if no program has it open any more");
}

}  // namespace

JournalLock::JournalLock(const fs::path& journal) {
  const fs::path parent = journal.parent_path();
  folder_ = open(parent.empty() ? "." : parent.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (folder_ < 0) throw std::runtime_error(parent.string() + ": cannot be opened (" + std::strerror(errno) + ")");
  for (int pauses = 0; flock(folder_, LOCK_EX | LOCK_NB) != 0; ++pauses) {
    const int error = errno;
    if ((error == EWOULDBLOCK || error == EINTR) && pauses < most_pauses) {
      std::this_thread::sleep_for(pause);
      continue;
    }
    close(folder_);
    throw std::runtime_error(journal.string() + ": could not be locked (" + std::strerror(error) +
                             "); nothing was written; wait until no other program writes into this folder");
  }
  try {
    refuse_if_open_in_spreadsheet(journal);
  } catch (...) {
    close(folder_);
    throw;
  }
}

JournalLock::~JournalLock() { close(folder_); }

}  // namespace moltspan
