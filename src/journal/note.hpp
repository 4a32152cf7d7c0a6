#pragma once

#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "moltspan/journal/journal.hpp"
#include "records/build.hpp"
#include "records/words.hpp"

/// The steps in which a note is read: words, then parts of speech of our own, then what each animal did when.
namespace moltspan {

/// A word of the note.
struct NoteWord {
  std::string raw;           ///< between blanks
  std::string text;          ///< without the punctuation around it
  std::string folded;        ///< as words are compared: see fold; without apostrophes
  bool comma = false;        ///< a comma behind it
  bool ends_clause = false;  ///< a semicolon or a full stop behind it
  bool question = false;     ///< a question mark behind it: the writer asks, too
};

struct NoteWords {
  std::vector<NoteWord> words;
  std::string quoted;  ///< what stood in double quotes: the keeper's own note
  bool open_quote = false;
};

/// Splits at blanks; a text in double quotes is kept apart. An inch sign behind a digit opens no quote.
NoteWords split_note(std::string_view text);

enum class Part {
  unread,
  animals,  ///< `ids`
  all,      ///< every animal
  rest,     ///< every animal that was not named before
  except,   ///< the animals that follow are left out
  days,
  length,
  mass,
  temperature,
  number,  ///< without a unit
  instar,
  box,      ///< a size or the name of an enclosure
  event,    ///< `event`, with a `text` where the words say its value too
  value,    ///< a value that says its event: female, mold
  premolt,  ///< a reading of signs, not one of them
  skin,     ///< what a size was taken on; alone nothing
  animal_itself,
  prey,
  remark,  ///< goes into the note of what was said before it
  too,
  with,
  found,
  filler
};

/// Some words of the note that mean one thing.
struct NotePart {
  Part part = Part::unread;
  std::size_t begin = 0, end = 0;
  Event event = Event::checked;
  std::vector<Event> also;       ///< further events that the same words say
  std::string text, unit;        ///< as written
  std::vector<std::string> ids;  ///< of animals
  DayRange when;
  std::vector<DayRange> listed;  ///< several days, one by one: "on Monday and Thursday"
  std::string rule, next_step;   ///< where these words cannot be taken as they stand
};

/// What the matchers know beside the words.
struct NoteContext {
  const Collection& collection;
  const std::vector<NoteWord>& words;
  Day today = 0;
  EventWords events;
  std::map<std::string, std::vector<std::string>> ids;  ///< lower case -> ids and cohorts of that spelling

  NoteContext(const Collection& records, const std::vector<NoteWord>& note_words, Day day);
  bool has(std::size_t at) const { return at < words.size(); }
  const std::string& folded(std::size_t at) const;  ///< blank behind the last word
};

/// Each gives the part that begins with word `at`, or nothing.
std::optional<NotePart> match_days(const NoteContext& context, std::size_t at);
std::optional<NotePart> match_amount(const NoteContext& context, std::size_t at);
std::optional<NotePart> match_box(const NoteContext& context, std::size_t at);
std::optional<NotePart> match_phrase(const NoteContext& context, std::size_t at);
std::optional<NotePart> match_prey(const NoteContext& context, std::size_t at);
/// `listing`: whether an animal, or nothing at all, stands before: only then can a bare number be an id.
std::optional<NotePart> match_animal(const NoteContext& context, std::size_t at, bool listing);

/// Words that carry no meaning of their own between the others: the, has, its.
bool is_article(std::string_view folded);

/// The word of a note that `folded` is probably a slip of; blank where none is like it.
std::string nearest_note_word(std::string_view folded);

/// Names of days and months, for the list of known words.
const std::vector<std::string_view>& day_words();

/// Words as they were written, with blanks between.
std::string as_written(const std::vector<NoteWord>& words, std::size_t begin, std::size_t end);

/// One thing that is said of some animals.
struct Saying {
  std::vector<std::string> animals;  ///< ids and cohorts; with `of_all` those that are left out of all
  bool of_all = false;               ///< all that live on that day
  std::vector<DayRange> days;        ///< a row each
  Event event = Event::checked;
  std::string value, unit, on, note;
  std::size_t at = 0;  ///< word that it began with
};

/// What a note says, in the order of its words; `problem` where it cannot be told.
struct Sayings {
  std::vector<Saying> list;
  std::vector<std::string> left_out;
  std::optional<Problem> problem;
};

/// The parts of all words, in their order.
std::vector<NotePart> split_parts(const NoteContext& context);

/// Puts together what the parts say of whom.
Sayings gather_sayings(const NoteContext& context, const std::vector<NotePart>& parts);

/// Names with blanks between.
std::string joined_names(const std::vector<std::string>& names);

bool is_length(Event event);
bool is_meal(Event event);

/// A problem of a note in one line.
Problem note_problem(std::string animals, std::string column, std::string value, std::string rule,
                     std::string next_step);

}  // namespace moltspan
