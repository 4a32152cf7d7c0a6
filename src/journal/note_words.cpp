#include <algorithm>

#include "journal/note.hpp"

namespace moltspan {
namespace {

constexpr std::string_view apostrophe = "\u2019";

bool is_digit(char c) { return c >= '0' && c <= '9'; }

/// An inch sign behind a digit opens no quote.
bool opens_quote(std::string_view text, std::size_t at) { return text[at] == '"' && (at == 0 || text[at - 1] == ' '); }

void drop_all(std::string& text, std::string_view what) {
  for (std::size_t at; (at = text.find(what)) != std::string::npos;) text.erase(at, what.size());
}

std::string lower(std::string_view text) {
  std::string result(text);
  for (char& c : result)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c | 0x20);
  return result;
}

/// As words are compared. A figure keeps its hyphens: 3-5 is not 35.
std::string folded_word(std::string_view text) {
  std::string result = std::any_of(text.begin(), text.end(), is_digit) ? lower(text) : fold(text);
  drop_all(result, "'");
  drop_all(result, apostrophe);
  return result;
}

/// What the punctuation behind a word says, and the word without it.
NoteWord word_of(std::string_view raw) {
  NoteWord word;
  word.raw = raw;
  while (!raw.empty() && std::string_view("([").find(raw.front()) != std::string_view::npos) raw.remove_prefix(1);
  if (raw.size() > 1 && raw.front() == '~') raw.remove_prefix(1);
  for (; raw.size() > 1 && std::string_view(",;.!?:)]").find(raw.back()) != std::string_view::npos;
       raw.remove_suffix(1)) {
    word.comma |= raw.back() == ',' || raw.back() == ':';
    word.ends_clause |= raw.back() == ';' || raw.back() == '.';
    word.question |= raw.back() == '?';
  }
  word.text = raw;
  word.folded = folded_word(raw);
  return word;
}

/// Adds a run without blanks, split at commas and semicolons within it; one between digits belongs to the number.
void add_words(std::string_view run, std::vector<NoteWord>& words) {
  std::size_t begin = 0;
  for (std::size_t i = 1; i + 1 < run.size(); ++i) {
    if (run[i] != ',' && run[i] != ';') continue;
    if (is_digit(run[i - 1]) && is_digit(run[i + 1])) continue;
    words.push_back(word_of(run.substr(begin, i + 1 - begin)));
    begin = i + 1;
  }
  const std::string_view last = run.substr(begin);
  if (last.find_first_not_of(",;.!:") == std::string_view::npos && last != "..") {
    if (words.empty()) return;
    words.back().comma |= last.find_first_of(",:") != std::string_view::npos;
    words.back().ends_clause |= last.find_first_of(";.") != std::string_view::npos;
    return;
  }
  words.push_back(word_of(last));
}

}  // namespace

NoteWords split_note(std::string_view text) {
  constexpr std::string_view blanks = " \t\r\n";
  NoteWords result;
  for (std::size_t i = 0; i < text.size();) {
    if (blanks.find(text[i]) != std::string_view::npos) {
      ++i;
    } else if (opens_quote(text, i)) {
      const std::size_t end = text.find('"', i + 1);
      result.open_quote = end == std::string_view::npos;
      if (!result.quoted.empty()) result.quoted += ' ';
      result.quoted += text.substr(i + 1, result.open_quote ? std::string_view::npos : end - i - 1);
      i = result.open_quote ? text.size() : end + 1;
    } else {
      const std::size_t end = std::min(text.find_first_of(blanks, i), text.size());
      add_words(text.substr(i, end - i), result.words);
      i = end;
    }
  }
  return result;
}

NoteContext::NoteContext(const Collection& records, const std::vector<NoteWord>& note_words, Day day)
    : collection(records), words(note_words), today(day), events(records.raw.rules) {
  const auto add = [&](const std::string& id) {
    auto& known = ids[lower(id)];
    if (!id.empty() && std::find(known.begin(), known.end(), id) == known.end()) known.push_back(id);
  };
  for (const Animal& animal : records.animals) {
    add(animal.id);
    add(animal.cohort);
  }
}

const std::string& NoteContext::folded(std::size_t at) const {
  static const std::string none;
  return at < words.size() ? words[at].folded : none;
}

std::string as_written(const std::vector<NoteWord>& words, std::size_t begin, std::size_t end) {
  std::string result;
  for (std::size_t i = begin; i < end; ++i) result.append(i == begin ? "" : " ").append(words[i].raw);
  return result;
}

namespace {

/// Without the 's of `A12's box`.
std::string_view without_possessive(std::string_view text) {
  if (text.ends_with("'s")) return text.substr(0, text.size() - 2);
  return text.ends_with("\u2019s") ? text.substr(0, text.size() - 4) : text;
}

bool is_number(std::string_view text) { return std::all_of(text.begin(), text.end(), is_digit); }

/// The spelling of the animals file; blank where there is none, or where two differ only in capitals.
std::string known_id(const NoteContext& context, const std::string& text) {
  const auto found = context.ids.find(lower(text));
  if (found == context.ids.end()) return {};
  const auto& spellings = found->second;
  if (std::find(spellings.begin(), spellings.end(), text) != spellings.end()) return text;
  return spellings.size() == 1 ? spellings.front() : std::string();
}

}  // namespace

std::optional<NotePart> match_animal(const NoteContext& context, std::size_t at, bool listing) {
  constexpr std::size_t longest = 6;
  const auto& words = context.words;
  for (std::size_t n = std::min(longest, words.size() - at); n > 0; --n) {
    std::string as_raw = as_written(words, at, at + n), plain;
    for (std::size_t i = at; i < at + n; ++i) plain.append(i == at ? "" : " ").append(words[i].text);
    std::string id = known_id(context, as_raw);
    if (id.empty()) id = known_id(context, plain);
    if (id.empty()) id = known_id(context, std::string(without_possessive(plain)));
    if (id.empty() || (!listing && is_number(id))) continue;
    if (n == 1 && id.size() == 1 && plain != id) continue;  // "a molt" is no animal called A
    NotePart part;
    part.part = Part::animals;
    part.begin = at;
    part.end = at + n;
    part.ids = {id};
    return part;
  }
  return {};
}

}  // namespace moltspan
