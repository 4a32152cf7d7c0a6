#include <algorithm>
#include <array>

#include "journal/note.hpp"
#include "records/fields.hpp"

/// Sizes, masses, temperatures, boxes, instars and prey in a note.
namespace moltspan {
namespace {

bool is_digit(char c) { return c >= '0' && c <= '9'; }

NotePart part_of(Part part, std::size_t begin, std::size_t end) {
  NotePart result;
  result.part = part;
  result.begin = begin;
  result.end = end;
  return result;
}

/// The words from `begin` to `end` with the inner punctuation that belongs to numbers, without that at their end.
std::string joined(const NoteContext& context, std::size_t begin, std::size_t end) {
  std::string result;
  for (std::size_t i = begin; i < end; ++i) result.append(i == begin ? "" : " ").append(context.words[i].text);
  return result;
}

/// Spellings of units that are no units of a table.
std::string_view unit_of(std::string_view rest) {
  static constexpr std::array<std::pair<std::string_view, std::string_view>, 9> spellings = {
      {{"cms", "cm"},
       {"mms", "mm"},
       {"ins", "in"},
       {"gr", "g"},
       {"gs", "g"},
       {"degreesc", "C"},
       {"degreesf", "F"},
       {"degreescelsius", "C"},
       {"degreesfahrenheit", "F"}}};
  const std::string folded = fold(rest);
  for (const auto& [theirs, ours] : spellings)
    if (folded == theirs) return ours;
  return rest;
}

Part part_of_unit(Quantity quantity) {
  return quantity == Quantity::mass ? Part::mass : quantity == Quantity::temperature ? Part::temperature : Part::length;
}

/// Whether `in` at this word is the preposition: "found 2 in the burrow".
bool is_preposition(const NoteContext& context, std::size_t at) {
  return context.folded(at) == "in" && (is_article(context.folded(at + 1)) || match_animal(context, at + 1, false));
}

/// `7th instar`, `instar 7`, `L7`, `i7`.
std::optional<NotePart> match_instar(const NoteContext& context, std::size_t at) {
  std::string_view word = context.folded(at);
  std::size_t end = 0;
  if (word == "instar") {
    word = context.folded(at + 1);
    end = at + 2;
  } else if (context.folded(at + 1) == "instar") {
    end = at + 2;
  } else if (word.size() > 1 && word.size() < 4 && (word[0] == 'i' || word[0] == 'l')) {
    word.remove_prefix(1);
    end = at + 1;
  }
  while (!word.empty() && end == at + 2 && !is_digit(word.back())) word.remove_suffix(1);
  if (end == 0 || word.empty() || word.size() > 2 || !std::all_of(word.begin(), word.end(), is_digit)) return {};
  NotePart part = part_of(Part::instar, at, end);
  part.text = word;
  return part;
}

}  // namespace

std::optional<NotePart> match_amount(const NoteContext& context, std::size_t at) {
  if (const auto instar = match_instar(context, at)) return instar;
  constexpr std::size_t longest = 4;
  std::optional<NotePart> best;
  for (std::size_t n = 1; n <= std::min(longest, context.words.size() - at); ++n) {
    const std::string text = joined(context, at, at + n);
    const NumberReading number = read_number(text);
    if (number.state != NumberState::ok && number.state != NumberState::ambiguous) break;
    const std::string_view unit = unit_of(number.rest);
    const auto known = find_unit(unit);
    const bool degrees = fold(unit) == "degrees" || fold(unit) == "deg" || unit == "\u00b0";
    if (!number.rest.empty() && !known && !degrees) continue;
    if (known && known->quantity == Quantity::volume) continue;
    if (n > 1 && number.rest == "in" && is_preposition(context, at + n - 1)) continue;
    best = part_of(degrees ? Part::temperature : known ? part_of_unit(known->quantity) : Part::number, at, at + n);
    best->text = trim(std::string_view(text).substr(0, text.size() - number.rest.size()));
    best->unit = known ? std::string(unit) : "";
    if (number.state == NumberState::ambiguous) {
      best->rule = "a number that can be read in one way only";
      best->next_step = "write it without a thousands separator and with a dot as decimal point";
    }
    if (context.words[at + n - 1].comma || context.words[at + n - 1].ends_clause) break;
  }
  return best;
}

namespace {

/// `10cm cube`, `4 inch cube`.
std::optional<NotePart> match_cube(const NoteContext& context, std::size_t at) {
  const auto side = match_amount(context, at);
  if (!side || side->part != Part::length || context.folded(side->end) != "cube") return {};
  NotePart part = part_of(Part::box, at, side->end + 1);
  part.text = side->text + "x" + side->text + "x" + side->text + side->unit;
  return part;
}

}  // namespace

std::optional<NotePart> match_box(const NoteContext& context, std::size_t at) {
  if (auto cube = match_cube(context, at)) return cube;
  constexpr std::size_t longest = 7;
  std::optional<NotePart> best;
  for (std::size_t n = 1; n <= std::min(longest, context.words.size() - at); ++n) {
    const std::string text = joined(context, at, at + n), folded = fold(text);
    const auto named = [&](const Enclosure& box) { return fold(box.name) == folded; };
    const auto& boxes = context.collection.enclosures;
    const bool own = std::any_of(boxes.begin(), boxes.end(), named);
    const bool sized = is_digit(text[0]) &&
                       (text.find_first_of("xX*") != std::string::npos || text.find("\u00d7") != std::string::npos);
    const EnclosureState state = sized ? read_enclosure(text, "", "").state : EnclosureState::unreadable;
    if (!own && state != EnclosureState::ok && state != EnclosureState::no_unit && state != EnclosureState::too_deep)
      continue;
    best = part_of(Part::box, at, at + n);
    best->text = text;
    if (!own && state == EnclosureState::no_unit && context.collection.raw.rules.length_unit.empty()) {
      best->rule = "a unit behind the size of an enclosure";
      best->next_step = "write for example " + text + "cm";
    }
  }
  return best;
}

std::optional<NotePart> match_prey(const NoteContext& context, std::size_t at) {
  static constexpr std::array<std::string_view, 30> prey = {
      "cricket", "crickets", "roach",    "roaches",   "dubia",     "dubias",     "locust",  "locusts",
      "hopper",  "hoppers",  "mealworm", "mealworms", "superworm", "superworms", "waxworm", "waxworms",
      "worm",    "worms",    "fly",      "flies",     "fruitfly",  "fruitflies", "moth",    "moths",
      "beetle",  "pinkie",   "mouse",    "food",      "prey",      "meal"};
  static constexpr std::array<std::string_view, 18> before = {
      "small", "medium", "large", "big",   "tiny",  "adult",     "fresh",   "live", "dead",
      "half",  "of",     "red",   "dubia", "fruit", "prekilled", "pinhead", "baby", "whole"};
  const auto in = [](const auto& list, std::string_view word) {
    return std::find(list.begin(), list.end(), word) != list.end();
  };
  std::size_t i = at;
  const auto counts = [&](std::size_t w) {
    const std::string& word = context.folded(w);
    return is_article(word) || in(before, word) || (!word.empty() && word.size() < 3 && is_digit(word[0])) ||
           word == "one" || word == "two" || word == "three" || word == "some";
  };
  while (i < at + 5 && counts(i) && !in(prey, context.folded(i))) ++i;
  if (!in(prey, context.folded(i))) return {};
  while (in(prey, context.folded(i + 1))) ++i;  // dubia roach
  NotePart part = part_of(Part::prey, at, i + 1);
  std::size_t begin = at;
  while (begin < i && is_article(context.folded(begin))) ++begin;
  part.text = joined(context, begin, i + 1);
  return part;
}

}  // namespace moltspan
