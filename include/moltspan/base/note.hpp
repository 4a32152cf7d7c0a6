#pragma once

#include <algorithm>
#include <string>
#include <string_view>
#include <vector>

namespace moltspan {

/// A sentence for people with the code that programs go by. Whatever is decided, ordered or left out because of a sentence goes by its
/// code; the words may change at any time.
struct Note {
  std::string code;  ///< stable, such as `box_unfit`
  std::string text;
  bool operator==(const Note&) const = default;
};

/// Whether one of the notes has this code.
inline bool says(const std::vector<Note>& notes, std::string_view code) {
  return std::ranges::any_of(notes, [&](const Note& note) { return note.code == code; });
}

}  // namespace moltspan
