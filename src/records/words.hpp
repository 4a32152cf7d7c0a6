#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <unordered_map>
#include <vector>

#include "moltspan/records/records.hpp"

/// The words of the tables: what is accepted, and the nearest known word to one that is not.
namespace moltspan {

/// Without leading and trailing blanks (space, tab, line breaks).
std::string_view trim(std::string_view text);

/// Finds texts by views of them in a hashed table.
struct TextHash : std::hash<std::string_view> {
  using is_transparent = void;
};

/// Whether a text holds what moves a cursor or ends a line (ASCII control characters), not letters only.
bool has_control_character(std::string_view text);

/// A word of the user in a message: between single quotes.
std::string in_quotes(std::string_view word);

/// A word as it is compared: lower case (ASCII), without spaces, hyphens and underscores, `moult` as `molt`.
std::string fold(std::string_view word);

/// More than any distance between two words here.
inline constexpr std::size_t no_distance = 1'000'000'000;

/// Least number of inserted, deleted or changed characters (bytes) between two words; `most` + 1 where it is larger
/// than `most`, which is found out sooner.
std::size_t edit_distance(std::string_view a, std::string_view b, std::size_t most = no_distance);

/// Whether one character (byte) more, less or changed makes one word of the other; false for the same word.
bool differ_by_one(std::string_view a, std::string_view b);

/// Names over this many characters are no slip of the pen for another: they are offered and compared by letters
/// nowhere, as the work grows with the square of the length.
inline constexpr std::size_t longest_name = 200;

/// The candidate with the least edit distance to `word` after folding; blank where none lies within `most`.
std::string nearest_word(std::string_view word, std::span<const std::string_view> candidates,
                         std::size_t most = no_distance);

/// The id that a wrong one most likely means: the same but for capitals, one that begins with the other, or one that
/// few letters tell apart (a third of it at most). Blank where none is like it.
std::string nearest_id(std::string_view text, std::span<const std::string_view> ids);

/// What to write instead of a word that is no event: the event that people mean by it, or a step; the list of events
/// where nobody can tell. An offer, never taken for an event.
std::string event_advice(std::string_view word);

/// All words of the `event` column, in the order of Event.
std::span<const std::string_view> event_names();

/// Event words of one folder: ours, their aliases, and the user's own, which win.
class EventWords {
 public:
  explicit EventWords(const FolderRules& rules);
  std::optional<Event> find(std::string_view word) const;

 private:
  std::unordered_map<std::string, Event> by_fold_;
};

/// An event of ours by its name or an alias, without the user's own words.
std::optional<Event> find_event(std::string_view word);

/// Male chance: 0, .2, .5, .8, 1. Accepts female, male, unknown, probable female / male, f, m, ?.
std::optional<double> find_sex(std::string_view word);
std::optional<Habit> find_habit(std::string_view word);
std::optional<Pace> find_pace(std::string_view word);
std::optional<World> find_world(std::string_view word);
std::optional<AfterMaturity> find_after_maturity(std::string_view word);

/// The group of `shared/kinds.toml` that a word names, in singular or plural; and all of them, for messages.
std::optional<std::string> find_group(std::string_view word);
std::string group_words();

/// Our own spelling of `wet`, `stale_air`, `mold`, `pests`, `broken`; blank where the word is none of them.
std::string_view find_unfit(std::string_view word);

/// Adds the hazard that a word names; false where it names none. `none` and a blank add nothing.
bool add_hazard(std::string_view word, Hazards& hazards);

/// What either says to beware of.
void join_hazards(Hazards& hazards, const Hazards& more);

inline constexpr std::string_view hazard_words =
    "urticating_setae (hairs that it kicks off), systemic_venom (a serious bite or sting), irritant_spray, fast, or "
    "none";

/// Names for messages: `arboreal, semi_arboreal, terrestrial, fossorial`.
inline constexpr std::string_view habit_words = "arboreal, semi_arboreal, terrestrial or fossorial";
inline constexpr std::string_view sex_words = "female, male, unknown, probable female or probable male";

std::string_view habit_name(Habit habit);

/// All columns of the four tables that have a meaning.
std::span<const std::string_view> column_names();

/// A column heading as it is compared: trimmed, lower case, spaces and hyphens as underscores.
std::string fold_column(std::string_view heading);

/// Our names for headings: what `[columns]` maps them to, else the folded headings themselves.
class ColumnWords {
 public:
  explicit ColumnWords(const FolderRules& rules);
  std::string ours(std::string_view heading) const;

 private:
  std::unordered_map<std::string, std::string> ours_;
};

/// The same for one heading.
std::string our_column(std::string_view heading, const FolderRules& rules);

}  // namespace moltspan
