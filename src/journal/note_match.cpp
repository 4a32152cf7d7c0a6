#include <algorithm>
#include <array>

#include "journal/note_phrases.hpp"

/// Phrases found among the words of a note, and the nearest known word to one that is none.
namespace moltspan {
namespace {

/// Two events in one phrase.
bool is_last_molt(std::string_view words) {
  return words == "ultimatemolt" || words == "finalmolt" || words == "moltedout" || words == "maturingmolt";
}

std::optional<NotePart> phrase_part(const NoteContext& context, std::string_view words) {
  NotePart part;
  if (is_last_molt(words)) {
    part.part = Part::event;
    part.event = Event::molt;
    part.also = {Event::matured};
    return part;
  }
  const auto known = context.events.find(words);  // the folder's own words too
  const Phrase* phrase = known ? nullptr : look_up_phrase(words);
  if (!known && phrase == nullptr) return {};
  part.part = known ? Part::event : phrase->part;
  part.event = known ? *known : phrase->event;
  if (phrase != nullptr) part.text = phrase->value;
  return part;
}

/// `molt in B2's box` is a skin that was found, where `B2 molt in the night` is none.
bool only_at_the_beginning(std::string_view words) {
  return words == "moltin" || words == "skinin" || words == "shedin" || words == "exuviain";
}

}  // namespace

bool is_article(std::string_view folded) {
  static constexpr std::array<std::string_view, 22> articles = {
      "a",    "an",  "the",  "its", "his", "her", "is",   "are",  "was", "were", "has",
      "have", "had", "been", "it",  "she", "he",  "they", "some", "my",  "this", "their"};
  return std::find(articles.begin(), articles.end(), folded) != articles.end();
}

std::optional<NotePart> match_phrase(const NoteContext& context, std::size_t at) {
  constexpr std::size_t most_words = 7, most_content = 5;
  std::optional<NotePart> best;
  std::string joined;
  std::size_t content = 0;
  for (std::size_t i = at; i < context.words.size() && i < at + most_words && content < most_content; ++i) {
    const std::string& word = context.folded(i);
    if (i == at || !is_article(word)) {
      joined += word;
      ++content;
      auto part = phrase_part(context, joined);
      if (part && !(only_at_the_beginning(joined) && at > 1)) {
        best = std::move(part);
        best->begin = at;
        best->end = i + 1;
      }
    }
    if (context.words[i].comma || context.words[i].ends_clause) break;
  }
  if (!best && is_article(context.folded(at))) {
    best.emplace();
    best->part = Part::filler;
    best->begin = at;
    best->end = at + 1;
  }
  return best;
}

namespace {

/// Two letters swapped are one slip.
std::size_t slip_distance(std::string a, const std::string& b) {
  std::size_t least = edit_distance(a, b);
  for (std::size_t i = 1; a.size() == b.size() && i < a.size(); ++i) {
    std::swap(a[i - 1], a[i]);
    if (a == b) least = 1;
    std::swap(a[i - 1], a[i]);
  }
  return least;
}

}  // namespace

std::string nearest_note_word(std::string_view folded) {
  const std::size_t allowed = folded.size() < 4 ? 0 : folded.size() < 8 ? 1 : 2;
  std::string best;
  std::size_t least = allowed + 1;
  const auto see = [&](std::string_view word) {
    if (word.size() < 3 || word.front() != folded.front()) return;
    const std::size_t distance = slip_distance(std::string(folded.substr(0, 40)), fold(word));
    if (distance >= least) return;
    least = distance;
    best = word;
  };
  for (const std::string_view word : event_names()) see(word);
  for (const std::string_view word :
       {"molted", "eaten", "refused", "rehoused", "female", "male", "except", "skin", "found"})
    see(word);
  for (const std::string_view word : day_words()) see(word);
  for (const std::string_view phrase : phrase_words()) see(phrase);
  return best;
}

}  // namespace moltspan
