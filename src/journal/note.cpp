#include "journal/note.hpp"

#include <algorithm>
#include <limits>
#include <set>

namespace moltspan {

Problem note_problem(std::string animals, std::string column, std::string value, std::string rule,
                     std::string next_step) {
  return {Severity::fault,     "note", 0, std::move(animals), std::move(column), std::move(value), std::move(rule),
          std::move(next_step)};
}

std::string joined_names(const std::vector<std::string>& names) {
  std::string text;
  for (const std::string& name : names) text += (text.empty() ? "" : " ") + name;
  return text;
}

namespace {

/// Whether an animal may be named by a number alone here: first of all, or behind another one.
bool in_a_list(const std::vector<NotePart>& parts) {
  for (auto part = parts.rbegin(); part != parts.rend(); ++part) {
    if (part->part == Part::animals || part->part == Part::except) return true;
    if (part->part != Part::filler) return false;
  }
  return true;
}

NotePart longest_part(const NoteContext& context, std::size_t at, const std::vector<NotePart>& before) {
  NotePart best;
  best.begin = at;
  best.end = at + 1;
  const auto consider = [&](std::optional<NotePart> part) {
    if (part && (best.part == Part::unread || part->end > best.end)) best = std::move(*part);
  };
  auto phrase = match_phrase(context, at);
  auto animal = match_animal(context, at, in_a_list(before));
  // "A1 sac" is an egg sac, even where a cohort is called so; at the beginning it is the cohort.
  const bool listed = at > 0 && (context.words[at - 1].comma || context.folded(at - 1) == "and" ||
                                 (at > 1 && is_article(context.folded(at - 1)) && context.folded(at - 2) == "and"));
  if (animal && phrase && at > 0 && !(listed && in_a_list(before)) && animal->end <= phrase->end &&
      phrase->part != Part::filler)
    animal.reset();
  consider(std::move(animal));
  consider(match_days(context, at));
  consider(match_box(context, at));
  consider(match_amount(context, at));
  consider(std::move(phrase));
  consider(match_prey(context, at));
  for (std::size_t i = best.begin; i < best.end; ++i)
    if (context.words[i].question && best.part != Part::value) best.part = Part::unread;
  return best;
}

}  // namespace

std::vector<NotePart> split_parts(const NoteContext& context) {
  std::vector<NotePart> parts;
  for (std::size_t at = 0; at < context.words.size(); at = parts.back().end)
    parts.push_back(longest_part(context, at, parts));
  return parts;
}

namespace {

class NoteReader {
 public:
  NoteReader(const Collection& collection, std::string_view text, Day today)
      : collection_(collection),
        index_(collection.animals),
        note_(split_note(text)),
        context_(collection, note_.words, today) {}

  NoteReading read();

 private:
  bool refuse(Problem problem) {
    reading_.problems.push_back(std::move(problem));
    return false;
  }
  bool animals_named(const std::vector<NotePart>& parts);
  std::vector<std::vector<std::string>> cells_of(const Saying& saying, const DayRange& when) const;
  std::set<std::string> ids_of(const std::vector<std::string>& names) const;
  bool alive(std::size_t animal, Day day) const;
  void find_ends();
  void add_rows(const Saying& saying);
  void add_row(const NoteRow& said);

  const Collection& collection_;
  AnimalIndex index_;
  NoteWords note_;
  NoteContext context_;
  NoteReading reading_;
  std::vector<Day> ends_;  ///< of each animal: the first day on which its record may have ended
};

/// Without any animal nothing can be written: asks about the first word that could be one.
bool NoteReader::animals_named(const std::vector<NotePart>& parts) {
  const auto names = [](const NotePart& p) {
    return p.part == Part::animals || p.part == Part::all || p.part == Part::rest;
  };
  if (std::any_of(parts.begin(), parts.end(), names)) return true;
  const auto unread =
      std::find_if(parts.begin(), parts.end(), [](const NotePart& p) { return p.part == Part::unread; });
  const std::string word = unread == parts.end() ? "" : context_.words[unread->begin].text;
  const std::string& file = collection_.raw.animals.source;
  std::vector<std::string_view> ids;
  for (const Animal& animal : collection_.animals) ids.push_back(animal.id);
  if (ids.empty())
    return refuse(note_problem("", "animal", word, "an animal of " + file + ", which has none yet",
                               "write your animals into it first, a row each"));
  const std::string nearest = nearest_id(word, ids);
  return refuse(note_problem("", "animal", word, "an id or a cohort of " + file,
                             "add the animal to " + file + ", or write for example: " +
                                 (nearest.empty() ? std::string(ids.front()) : nearest) + " molt 5cm"));
}

std::set<std::string> NoteReader::ids_of(const std::vector<std::string>& names) const {
  std::set<std::string> ids(names.begin(), names.end());
  for (const std::string& name : names)
    if (const auto* cohort = index_.cohort(name))
      for (const int member : *cohort) ids.insert(collection_.animals[static_cast<std::size_t>(member)].id);
  return ids;
}

void NoteReader::find_ends() {
  ends_.assign(collection_.animals.size(), std::numeric_limits<Day>::max());
  for (std::size_t i = 0; i < ends_.size(); ++i)
    if (collection_.animals[i].died) ends_[i] = *collection_.animals[i].died + 1;
  for (const Entry& e : collection_.entries) {
    if (e.event != Event::died && e.event != Event::left && e.event != Event::escaped) continue;
    Day& end = ends_[static_cast<std::size_t>(e.animal)];
    end = std::min(end, e.when.earliest);
  }
}

bool NoteReader::alive(std::size_t animal, Day day) const {
  const Animal& a = collection_.animals[animal];
  return day < ends_[animal] && !(a.acquired && *a.acquired > day) && !(a.hatched && *a.hatched > day);
}

/// The animal cells of the rows that a saying takes: names with blanks in them stand in rows of their own.
std::vector<std::vector<std::string>> NoteReader::cells_of(const Saying& saying, const DayRange& when) const {
  std::vector<std::string> names = saying.animals, together;
  std::vector<std::vector<std::string>> cells;
  if (saying.of_all) {
    const std::set<std::string> without = ids_of(saying.animals);
    names.clear();
    for (std::size_t i = 0; i < collection_.animals.size(); ++i)
      if (const std::string& id = collection_.animals[i].id; !without.contains(id) && alive(i, when.latest))
        names.push_back(id);
  }
  std::set<std::string> seen;
  for (const std::string& name : names) {
    if (!seen.insert(name).second) continue;
    if (name.find_first_of(" \t,;") != std::string::npos)
      cells.push_back({name});
    else
      together.push_back(name);
  }
  if (!together.empty()) cells.insert(cells.begin(), std::move(together));
  return cells;
}

void NoteReader::add_row(const NoteRow& said) {
  const TextTable& journal = collection_.raw.journal;
  std::vector<std::string> row(journal.columns.size());
  const auto put = [&](std::string_view name, std::string_view cell) {
    if (cell.empty()) return;
    for (std::size_t i = 0; i < journal.columns.size(); ++i)
      if (our_column(journal.columns[i], collection_.raw.rules) == name) {
        row[i] = cell;
        return;
      }
    refuse(note_problem(joined_names(said.animals), std::string(name), std::string(cell),
                        "a column '" + std::string(name) + "' in " + journal.source,
                        "add the column to its first row and a blank cell to every other"));
  };
  put("animal", joined_names(said.animals));
  put("date", to_iso(said.when.earliest));
  put("until", said.when.latest == said.when.earliest ? "" : to_iso(said.when.latest));
  put("event", event_name(said.event));
  put("value", said.value);
  put("unit", said.unit);
  put("on", said.on);
  put("note", said.note);
  reading_.said.push_back(said);
  reading_.rows.push_back(std::move(row));
}

void NoteReader::add_rows(const Saying& saying) {
  for (const DayRange& when : saying.days) {
    const auto cells = cells_of(saying, when);
    if (cells.empty())
      refuse(note_problem("", "animal", "all", "an animal that lives on that day", "name the animals"));
    for (const auto& cell : cells)
      add_row({cell, when, saying.event, saying.value, saying.unit, saying.on, saying.note});
  }
}

NoteReading NoteReader::read() {
  if (note_.open_quote)
    refuse(note_problem("", "note", note_.quoted, "a quote that is closed again", "end the note with a quote sign"));
  const std::vector<NotePart> parts = split_parts(context_);
  if (reading_.problems.empty() && animals_named(parts)) {
    Sayings sayings = gather_sayings(context_, parts);
    if (sayings.problem) refuse(*sayings.problem);
    if (!sayings.list.empty() && !note_.quoted.empty()) {
      std::string& note = sayings.list.front().note;
      note = note.empty() ? note_.quoted : note_.quoted + ", " + note;
    }
    find_ends();
    for (const Saying& saying : sayings.list) add_rows(saying);
    reading_.left_out = sayings.left_out;
  }
  if (!reading_.problems.empty()) reading_.rows.clear(), reading_.said.clear();
  return std::move(reading_);
}

}  // namespace

NoteReading read_note(const Collection& collection, std::string_view words, Day today) {
  return NoteReader(collection, words, today).read();
}

}  // namespace moltspan
