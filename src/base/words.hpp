#pragma once

#include <algorithm>
#include <cmath>
#include <string>
#include <string_view>

namespace moltspan {

/// `30 %`, never 0 or 100 %: nothing here is known that well.
inline std::string percent(double chance) {
  if (chance < 0.005) return "under 1 %";
  return chance > 0.995 ? "over 99 %" : std::to_string(static_cast<int>(std::lround(100 * chance))) + " %";
}

/// ASCII letters as small ones.
inline std::string in_small_letters(std::string_view text) {
  std::string small(text);
  for (char& c : small)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  return small;
}

/// `word` as a whole word, or whole words, of `text`.
inline bool holds_word(std::string_view text, std::string_view word) {
  for (auto at = text.find(word); at != text.npos; at = text.find(word, at + 1)) {
    const auto after = at + word.size();
    const bool begins = at == 0 || text[at - 1] == ' ';
    if (begins && (after == text.size() || text[after] == ' ')) return true;
  }
  return false;
}

/// A word of the journal as it is said: `sealed_in` as `sealed in`.
inline std::string spoken(std::string_view word) {
  std::string text(word);
  std::replace(text.begin(), text.end(), '_', ' ');
  return text;
}

}  // namespace moltspan
