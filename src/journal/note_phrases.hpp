#pragma once

#include <string_view>
#include <vector>

#include "journal/note.hpp"

namespace moltspan {

/// Folded words without blanks and articles.
struct Phrase {
  std::string_view words;
  Part part = Part::event;
  Event event = Event::checked;
  std::string_view value;
};

/// What such words mean; null where they are no phrase of ours.
const Phrase* look_up_phrase(std::string_view words);

/// The words of all phrases that say something, for finding the nearest one.
const std::vector<std::string_view>& phrase_words();

}  // namespace moltspan
