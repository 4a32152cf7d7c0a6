#include <algorithm>
#include <array>
#include <cmath>

#include "records_build.hpp"
#include "records_fields.hpp"
#include "records_words.hpp"

namespace moltspan {
namespace {

/// Words between blanks; a text in double quotes is one word, kept apart as the note.
struct Words {
  std::vector<std::string> words;
  std::string note;
  bool open_quote = false;
};

/// An inch sign behind a digit opens no quote.
bool opens_quote(std::string_view text, std::size_t at) { return text[at] == '"' && (at == 0 || text[at - 1] == ' '); }

Words split_words(std::string_view text) {
  Words result;
  for (std::size_t i = 0; i < text.size();) {
    if (text[i] == ' ' || text[i] == '\t') {
      ++i;
    } else if (opens_quote(text, i)) {
      const std::size_t end = text.find('"', i + 1);
      result.open_quote = end == std::string_view::npos;
      if (!result.note.empty()) result.note += ' ';
      result.note += text.substr(i + 1, end - i - 1);
      i = result.open_quote ? text.size() : end + 1;
    } else {
      const std::size_t end = std::min(text.find_first_of(" \t", i), text.size());
      result.words.emplace_back(text.substr(i, end - i));
      i = end;
    }
  }
  return result;
}

std::string joined(const std::vector<std::string>& words, std::size_t begin, std::size_t end) {
  std::string result;
  for (std::size_t i = begin; i < end; ++i) result.append(i == begin ? "" : " ").append(words[i]);
  return result;
}

/// What the words of a note say, before it becomes rows.
struct Note {
  std::string animals;
  Event event = Event::checked;
  std::string value, unit, on;
  DayRange when;
  std::string text;
};

bool is_measured_on(std::string_view word) {
  const std::string folded = fold(word);
  return folded == "skin" || folded == "exuvia" || folded == "animal";
}

bool has_unit(Event event) {
  return event == Event::leg_span || event == Event::body_length || event == Event::carapace_length ||
         event == Event::carapace_width || event == Event::mass || event == Event::temperature;
}

bool takes_value(Event event) {
  return has_unit(event) || event == Event::molt || event == Event::skin_found || event == Event::enclosure ||
         event == Event::unfit || event == Event::setup || event == Event::habit || event == Event::sex;
}

class NoteReader {
 public:
  NoteReader(const Collection& collection, std::string_view text, Day today)
      : collection_(collection),
        index_(collection.animals),
        events_(collection.raw.rules),
        text_(text),
        words_(split_words(text)),
        today_(today) {}

  NoteDraft read();

 private:
  bool read_animals();
  bool read_event();
  bool read_rest();
  bool read_when(const std::string& word);
  bool read_day(std::string_view word, Day& day);
  bool read_values();
  void split_unit(std::string_view word);
  bool refuse(std::string column, std::string value, std::string rule, std::string next_step);
  void add_row(std::string_view event, std::string_view value, std::string_view unit, const DayRange& when);
  void add_rows();

  const Collection& collection_;
  AnimalIndex index_;
  EventWords events_;
  std::string_view text_;
  Words words_;
  Day today_;
  std::size_t at_ = 0;  // first word not read yet
  std::vector<std::string> values_;
  std::string size_, size_unit_;  // of a molt: its leg span
  Note note_;
  NoteDraft draft_;
};

bool NoteReader::refuse(std::string column, std::string value, std::string rule, std::string next_step) {
  draft_.problems.push_back({Severity::fault, "note", 0, note_.animals, std::move(column), std::move(value),
                             std::move(rule), std::move(next_step)});
  return false;
}

/// Ids and cohorts at the beginning; an id may hold blanks, so the longest known run of words is taken.
bool NoteReader::read_animals() {
  constexpr std::size_t longest = 6;
  while (at_ < words_.words.size()) {
    std::size_t taken = std::min(longest, words_.words.size() - at_);
    std::string id;
    for (; taken > 0; --taken) {
      id = joined(words_.words, at_, at_ + taken);
      if (index_.id(id) >= 0 || index_.cohort(id) != nullptr) break;
    }
    if (taken == 0) break;
    note_.animals += (note_.animals.empty() ? "" : " ") + id;
    at_ += taken;
  }
  if (!note_.animals.empty()) return true;
  const std::string word = words_.words.empty() ? "" : words_.words.front();
  std::vector<std::string_view> ids;
  for (const Animal& animal : collection_.animals) ids.push_back(animal.id);
  const std::string& file = collection_.raw.animals.source;
  if (ids.empty())
    return refuse("animal", word, "an animal of " + file + ", which has none yet",
                  "write your animals into it first, a row each");
  const std::string nearest = nearest_id(word, ids);
  return refuse("animal", word, "an id or a cohort of " + file + " first",
                "add the animal to " + file +
                    ", or write for example: " + (nearest.empty() ? std::string(ids.front()) : nearest) + " molt 5cm");
}

bool NoteReader::read_event() {
  constexpr std::size_t longest = 3;
  for (std::size_t taken = std::min(longest, words_.words.size() - at_); taken > 0; --taken) {
    const auto event = events_.find(joined(words_.words, at_, at_ + taken));
    if (!event) continue;
    note_.event = *event;
    at_ += taken;
    return true;
  }
  const std::string word = at_ < words_.words.size() ? words_.words[at_] : "";
  if (word.empty()) return refuse("event", "", "an event behind the animal", "say what happened, such as molt or ate");
  return refuse("event", word, "an event that is known, or another id",
                event_advice(joined(words_.words, at_, words_.words.size())));
}

bool NoteReader::read_day(std::string_view word, Day& day) {
  const std::string folded = fold(word);
  if (folded == "today" || folded == "yesterday") {
    day = today_ - (folded == "today" ? 0 : 1);
    return true;
  }
  // A bare number is a value: eight digits would pass for a date of ISO 8601 otherwise.
  if (word.find_first_of("-/.") == std::string_view::npos) return false;
  const DateReading reading = read_date(word, collection_.raw.rules.date_order);
  day = reading.day;
  if (reading.state == DateState::ambiguous || reading.state == DateState::impossible ||
      reading.state == DateState::two_digit_year)
    refuse("date", std::string(word), "a day that exists and can be read in one way only", "write it as YYYY-MM-DD");
  return reading.state == DateState::ok;
}

bool NoteReader::read_when(const std::string& word) {
  const std::size_t dots = word.find("..");
  DayRange when;
  const std::string_view view = word;
  if (!read_day(view.substr(0, dots), when.earliest)) return false;
  when.latest = when.earliest;
  if (dots != std::string::npos && !read_day(view.substr(dots + 2), when.latest)) return false;
  note_.when = when;
  return true;
}

bool NoteReader::read_rest() {
  note_.when = {today_, today_};
  note_.text = words_.note;
  const auto& words = words_.words;
  for (; at_ < words.size(); ++at_) {
    if (fold(words[at_]) == "on" && at_ + 1 < words.size() && is_measured_on(words[at_ + 1]))
      note_.on = words[++at_];
    else if (!read_when(words[at_]))
      values_.push_back(words[at_]);
  }
  return words_.open_quote
             ? refuse("note", words_.note, "a quote that is closed again", "end the note with a quote sign")
             : true;
}

/// `5cm` as `5` and `cm`, for events whose value has a unit.
void NoteReader::split_unit(std::string_view word) {
  const NumberReading number = read_number(word);
  if (number.rest.empty() || !find_unit(number.rest)) {
    note_.value = word;
    return;
  }
  note_.unit = number.rest;
  note_.value = trim(word.substr(0, static_cast<std::size_t>(number.rest.data() - word.data())));
}

/// A molt takes an instar number, a size, or both in this order.
bool NoteReader::read_values() {
  const std::string all = joined(values_, 0, values_.size());
  if (!values_.empty() && !takes_value(note_.event))
    return refuse("value", all, "no more words behind '" + std::string(event_name(note_.event)) + "' than a date",
                  "put words of your own in quotes: \"" + all + "\"; write a date as YYYY-MM-DD");
  if (note_.event != Event::molt || values_.empty()) {
    note_.value = all;
    if (has_unit(note_.event)) split_unit(all);
    return true;
  }
  std::size_t size_begin = 0;
  if (values_.size() > 1 && !find_unit(values_[1])) size_begin = 1;
  const std::string size = joined(values_, size_begin, values_.size());
  const bool only_number = size_begin == 0 && read_number(size).rest.empty();
  const std::string instar = only_number ? size : size_begin == 1 ? values_[0] : "";
  if (!only_number) {
    split_unit(size);
    size_ = note_.value;
    size_unit_ = note_.unit;
  }
  note_.value = instar;
  note_.unit.clear();
  return true;
}

void NoteReader::add_row(std::string_view event, std::string_view value, std::string_view unit, const DayRange& when) {
  const TextTable& journal = collection_.raw.journal;
  std::vector<std::string> row(journal.columns.size());
  const auto put = [&](std::string_view name, std::string_view cell) {
    if (cell.empty()) return;
    for (std::size_t i = 0; i < journal.columns.size(); ++i)
      if (our_column(journal.columns[i], collection_.raw.rules) == name) {
        row[i] = cell;
        return;
      }
    refuse(std::string(name), std::string(cell), "a column '" + std::string(name) + "' in " + journal.source,
           "add the column to its first row and a blank cell to every other");
  };
  put("animal", note_.animals);
  put("date", to_iso(when.earliest));
  put("until", when.latest == when.earliest ? "" : to_iso(when.latest));
  put("event", event);
  put("value", value);
  put("unit", unit);
  put("on", event == "molt" ? "" : note_.on);
  put("note", note_.text);
  draft_.rows.push_back(std::move(row));
}

void NoteReader::add_rows() {
  add_row(event_name(note_.event), note_.value, note_.unit, note_.when);
  if (size_.empty()) return;
  if (note_.on.empty()) note_.on = "animal";
  note_.text.clear();
  add_row("leg_span", size_, size_unit_, {note_.when.latest, note_.when.latest});
}

NoteDraft NoteReader::read() {
  if (read_animals() && read_event() && read_rest() && read_values()) add_rows();
  if (!draft_.problems.empty()) draft_.rows.clear();
  return std::move(draft_);
}

}  // namespace

NoteDraft parse_note(const Collection& collection, std::string_view words, Day today) {
  return NoteReader(collection, words, today).read();
}

}  // namespace moltspan
