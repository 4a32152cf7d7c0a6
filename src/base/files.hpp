#pragma once

#include <filesystem>
#include <string>
#include <string_view>

/// Reading and replacing whole files.
namespace moltspan {

/// The text of a regular file. A pipe, a device or a folder is refused before it is opened, as reading it could wait
/// for ever; so is a link to nothing. Throws std::runtime_error that names the file and the next step.
std::string read_whole_file(const std::filesystem::path& path);

/// Puts `text` in the place of a file: a new file beside it, flushed to the disk, renamed over it, so that the old one
/// stays until the new one is whole. Owner, group and mode are those of `like`, by default of the old file; a link
/// stays a link. Throws std::runtime_error that says what became of the old file; one that belongs to somebody else and
/// could not be given back to them is not replaced.
void replace_file(const std::filesystem::path& path, std::string_view text, std::filesystem::path like = {});

/// Beginning of the name that the new file beside `path` has until it is renamed.
std::string new_file_prefix(const std::filesystem::path& path);

/// Takes away new files beside `path` that a writer left which was ended at its work. For callers that keep other
/// writers out.
void remove_left_over(const std::filesystem::path& path);

}  // namespace moltspan
