#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "moltspan/records/records.hpp"

/// @file
/// Notes in everyday words, rows added to a `journal.csv`, and the last ones taken back.
namespace moltspan {

/// One thing that a note says: what becomes a row of the journal.
struct NoteRow {
  std::vector<std::string> animals;  ///< ids or cohorts
  DayRange when;
  Event event = Event::checked;
  std::string value, unit, on, note;
};

/// What a note means as journal rows.
struct NoteReading {
  std::vector<NoteRow> said;                   ///< in the order of the words
  std::vector<std::vector<std::string>> rows;  ///< the same, as cells in the journal's own column order
  std::vector<std::string> left_out;           ///< animals that were named to be left out, as in `fed all but C3`
  std::vector<Problem> problems;               ///< why there are no rows; empty where there are some
};

/// Reads a note such as `A12 molt 5cm`, `fed all but C3`, `found a molt in B2's box 3 days ago`.
///
/// `today` is the day that the words `yesterday`, `last Tuesday`, `Nov 20` start from; no clock is read. A day without
/// a year is the last such day up to `today`; two days are a range; without any day it happened today. Animals are
/// named by id or cohort, in any case, or as `all`, which stands for those that have not died, left or escaped by that
/// day. A size behind a molt is the leg span after it. Words in double quotes become the note. What a note says beyond
/// what is understood is never dropped: then there are no rows but one problem, with the nearest reading as its step.
NoteReading read_note(const Collection& collection, std::string_view words, Day today);

/// Adds rows (as read_note gives them) to a `journal.csv`, keeping its delimiter, line ends, byte order mark and
/// columns.
///
/// The folder is read and checked with the new rows first, in all that is known of records and of molts; the problems
/// that they add are returned and then nothing is written (with `accept_doubts` only faults stop it).
///
/// One writer at a time: the folder of the journal is locked (`flock`) from reading to writing, so that no row of
/// another process is lost; a spreadsheet program's own lock file (`.~lock.journal.csv#`) is respected. The new file
/// is made beside the old one, flushed to the disk and renamed over it. The file as it was before is kept beside it,
/// see undo_note. Throws std::runtime_error where a file cannot be read or written, is locked by others for long, is
/// open in a spreadsheet program, or was changed meanwhile by a program that knows no locks.
std::vector<Problem> add_to_journal(const std::filesystem::path& journal,
                                    const std::vector<std::vector<std::string>>& rows, std::optional<Day> today = {},
                                    bool accept_doubts = false);

/// The journal as it was before the last rows were added: a file beside it, such as `journal.before_note.csv`.
std::filesystem::path journal_backup(const std::filesystem::path& journal);

/// Takes back what add_to_journal wrote last, and returns those lines. Works once: only the last rows are known. Throws
/// std::runtime_error where there is nothing to take back or the journal was changed since, and as add_to_journal does.
std::vector<std::string> undo_note(const std::filesystem::path& journal);

}  // namespace moltspan
