#include "base/toml_of_user.hpp"

#include <algorithm>
#include <stdexcept>
#include <string>

namespace moltspan {
namespace {

constexpr std::size_t most_bytes = 1'000'000;
constexpr int most_parts = 16;

/// The place behind a text in quotes that begins at `at`: one of several lines ends with three quotes, another with its
/// quote or, broken, with its line.
std::size_t behind_quotes(std::string_view text, std::size_t at) {
  const char quote = text[at];
  const std::string three(3, quote);
  const bool lines = text.substr(at, 3) == three;
  at += lines ? 3 : 1;
  while (at < text.size()) {
    if (quote == '"' && text[at] == '\\') {
      at += 2;
    } else if (lines && text.substr(at, 3) == three) {
      return at + 3;
    } else if (!lines && (text[at] == quote || text[at] == '\n')) {
      return at + 1;
    } else {
      ++at;
    }
  }
  return text.size();
}

/// Refuses keys of many parts. A number has one dot at most, so that dots are counted up to the next sign that no key
/// holds outside quotes.
void check_keys(std::string_view text) {
  int dots = 0;
  for (std::size_t at = 0; at < text.size();) {
    const char c = text[at];
    if (c == '#') {
      at = std::min(text.find('\n', at), text.size());
      continue;
    }
    if (c == '"' || c == '\'') {
      at = behind_quotes(text, at);
      continue;
    }
    if (c == '.' && ++dots >= most_parts)
      throw std::length_error("line " + std::to_string(1 + std::count(text.begin(), text.begin() + at, '\n')) +
                              ": a key of more than " + std::to_string(most_parts) +
                              " parts; keys here have one or two, such as units.length");
    if (c == '\n' || c == '=' || c == ',' || c == '{' || c == '[') dots = 0;
    ++at;
  }
}

}  // namespace

toml::table parse_users_toml(std::string_view text, std::string_view source) {
  if (text.size() > most_bytes)
    throw std::length_error("line 1: the file has " + std::to_string(text.size()) +
                            " bytes, but rules need no more than " + std::to_string(most_bytes) +
                            "; is it another file?");
  check_keys(text);
  return toml::parse(text, source);
}

}  // namespace moltspan
