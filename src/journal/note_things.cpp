#include <algorithm>
#include <utility>

#include "journal/note_gather.hpp"

/// The things that a note says, one by one, with their values.
namespace moltspan {

bool is_length(Event event) {
  return event == Event::leg_span || event == Event::body_length || event == Event::carapace_length ||
         event == Event::carapace_width;
}

bool is_meal(Event event) { return event == Event::ate || event == Event::refused || event == Event::fed; }

bool is_measure(Event event) { return is_length(event) || event == Event::mass || event == Event::temperature; }
bool is_new_skin(Event event) { return event == Event::molt || event == Event::skin_found; }

bool is_sign(Event event) {
  return event == Event::refused || event == Event::darkened || event == Event::sealed_in || event == Event::sluggish ||
         event == Event::molt_mat;
}

bool comes_with_the_last(Event event) {
  return is_measure(event) || event == Event::sex || event == Event::matured || event == Event::limb_lost;
}

bool NoteGatherer::ask(std::string column, std::string value, std::string rule, std::string next_step) {
  if (!problem_) {
    std::string animals;
    for (const NoteGroup& group : groups_)
      for (const std::string& id : group.ids) animals += (animals.empty() ? "" : " ") + id;
    problem_ = note_problem(animals, std::move(column), std::move(value), std::move(rule), std::move(next_step));
  }
  return false;
}

/// For examples: an animal that the note names.
std::string NoteGatherer::first_animal() const {
  for (const NoteGroup& group : groups_)
    if (!group.ids.empty()) return group.ids.front();
  return context_.collection.animals.empty() ? "A12" : context_.collection.animals.front().id;
}

/// Asks about the first words that are not understood, with the nearest reading.
bool NoteGatherer::readable() {
  const auto says = [](const NotePart& p) { return p.part == Part::event || p.part == Part::value; };
  const bool has_event = std::any_of(parts_.begin(), parts_.end(), says), has_animal = !groups_.empty();
  for (const NotePart& part : parts_) {
    if (!part.rule.empty() && !free_.contains(part.begin))
      return ask(part.part == Part::days ? "date" : "value", written(part), part.rule, part.next_step);
    if (part.part != Part::unread || free_.contains(part.begin)) continue;
    const NoteWord& word = context_.words[part.begin];
    if (!has_animal) return true;  // find_animals asks
    if (word.question)
      return ask("event", written(part), "what was seen, not a question", "write 'checked', or nothing yet");
    if (part.end - part.begin > 1)
      return ask("value", written(part), "words that can be read in one way only",
                 "say what happened in plain words, and the rest in quotes: \"" + written(part) + "\"");
    const std::string nearest = nearest_note_word(word.folded);
    const std::string mended = as_written(context_.words, 0, part.begin) + (part.begin > 0 ? " " : "") + nearest +
                               (part.end < context_.words.size() ? " " : "") +
                               as_written(context_.words, part.end, context_.words.size());
    if (!nearest.empty())
      return ask(has_event ? "value" : "event", written(part), "words that a note knows", "did you mean: " + mended);
    if (!has_event)
      return ask("event", written(part), "an event that is known, or another id",
                 event_advice(as_written(context_.words, part.begin, context_.words.size())));
    return ask("value", written(part), "words that a note knows",
               "put words of your own in quotes behind the rest: \"" + written(part) + "\"");
  }
  return true;
}

void NoteGatherer::add_to_group(const NotePart& part, bool& open, bool& excepting) {
  const bool whole = part.part != Part::animals;
  if (!open || whole || groups_.empty()) {
    groups_.push_back({});
    groups_.back().begin = part.begin;
    groups_.back().all = part.part == Part::all;
    groups_.back().rest = part.part == Part::rest;
    groups_.back().except = excepting;
    excepting = false;
  }
  groups_.back().ids.insert(groups_.back().ids.end(), part.ids.begin(), part.ids.end());
  open = !whole;
}

void NoteGatherer::find_groups() {
  bool open = false, excepting = false;
  for (const NotePart& part : parts_) {
    if (part.part == Part::except) excepting = true, open = false;
    const bool names = part.part == Part::animals || part.part == Part::all || part.part == Part::rest;
    if (names)
      add_to_group(part, open, excepting);
    else if (part.part != Part::filler && part.part != Part::days)
      open = false;
    if (context_.words[part.end - 1].ends_clause) open = false;
  }
}

SayingDraft& NoteGatherer::add(Event event, std::size_t at) {
  SayingDraft draft;
  draft.saying.event = event;
  draft.saying.at = at;
  if (is_measure(event)) {
    draft.saying.value = std::exchange(pending_value_, "");
    draft.saying.unit = std::exchange(pending_unit_, "");
    draft.saying.on = std::exchange(pending_on_, "");
  }
  drafts_.push_back(std::move(draft));
  return drafts_.back();
}

const NotePart* NoteGatherer::next_part(std::size_t i) const {
  for (++i; i < parts_.size(); ++i)
    if (parts_[i].part != Part::filler) return &parts_[i];
  return nullptr;
}

void NoteGatherer::read_value(const NotePart& part) {
  if (last() != nullptr && last()->event == part.event && last()->value.empty())
    last()->value = part.text;
  else
    add(part.event, part.begin).saying.value = part.text;
}

/// A reading belongs to the measure before it, else to the one right behind it, else it is one of its own.
void NoteGatherer::read_measure(std::size_t i, Event implied) {
  const NotePart& part = parts_[i];
  const NotePart* next = next_part(i);
  Saying* before = last();
  const auto fits = [&](Event event) { return implied == Event::leg_span ? is_length(event) : event == implied; };
  if (before != nullptr && fits(before->event) && before->value.empty()) {
    before->value = part.text;
    before->unit = part.unit;
  } else if (next != nullptr && next->part == Part::event && fits(next->event)) {
    pending_value_ = part.text;
    pending_unit_ = part.unit;
  } else {
    Saying& own = add(implied, part.begin).saying;
    own.value = part.text;
    own.unit = part.unit;
  }
}

void NoteGatherer::read_length(std::size_t i) {
  const std::size_t had = drafts_.size();
  const bool of_molt =
      std::any_of(drafts_.begin(), drafts_.end(), [](const SayingDraft& d) { return d.saying.event == Event::molt; });
  const bool of_skin = had > 0 && drafts_.back().saying.event == Event::skin_found;
  const std::size_t before = pending_value_.size();
  read_measure(i, Event::leg_span);
  if (drafts_.size() == had || before != pending_value_.size()) return;
  Saying& own = drafts_.back().saying;
  const NotePart* next = next_part(i);
  const bool said =
      !own.on.empty() || (next != nullptr && (next->part == Part::skin || next->part == Part::animal_itself));
  if (of_skin && !said)
    ask("value", written(parts_[i]), "what the size was taken on", "add 'on skin', or 'on animal' for its size now");
  else if (!of_molt && !said)
    ask("value", written(parts_[i]), "what was measured",
        "write " + first_animal() + " leg_span " + written(parts_[i]) +
            " if that is meant; else body_length, carapace_length or carapace_width");
  else if (of_molt && own.on.empty() && !(next != nullptr && next->part == Part::skin))
    own.on = "animal";
}

/// A bare number: the value of a measure before it, or the instar behind a molt.
void NoteGatherer::read_number(std::size_t i) {
  const NotePart& part = parts_[i];
  const FolderRules& rules = context_.collection.raw.rules;
  Saying* before = last();
  if (before != nullptr && is_measure(before->event) && before->value.empty()) {
    const std::string& usual = is_length(before->event)       ? rules.length_unit
                               : before->event == Event::mass ? rules.mass_unit
                                                              : rules.temperature_unit;
    before->value = part.text;
    if (usual.empty())
      ask("value", part.text, "a unit behind the number",
          "write for example " + part.text +
              (is_length(before->event)       ? "cm"
               : before->event == Event::mass ? "g"
                                              : "C"));
    return;
  }
  if (before == nullptr || !is_new_skin(before->event) || !before->value.empty()) {
    ask("value", written(part), "a unit, or what the number counts",
        "write for example " + part.text + "cm, or put it in quotes");
    return;
  }
  if (!rules.length_unit.empty() || part.text.find_first_not_of("0123456789") != std::string::npos)
    ask("value", written(part), "the number of an instar, or a size with its unit",
        "write 'instar " + part.text + "' or " + part.text + (rules.length_unit.empty() ? "cm" : rules.length_unit));
  before->value = part.text;
}

void NoteGatherer::read_box(const NotePart& part) {
  const bool sized = part.text.find_first_of("0123456789") == 0;
  if (last() != nullptr && last()->event == Event::enclosure && last()->value.empty())
    last()->value = part.text;
  else if (sized || drafts_.empty())
    add(Event::enclosure, part.begin).saying.value = part.text;
  else
    ask("value", written(part), "words that a note knows", "write 'enclosure " + part.text + "' if it was moved there");
}

void NoteGatherer::read_prey(const NotePart& part) {
  const bool plain = part.text == "food" || part.text == "prey" || part.text == "meal";
  if (last() == nullptr || !is_meal(last()->event))
    ask("value", written(part), "what became of the food", "write ate, refused, or fed where nobody looked");
  else if (!plain)
    last()->note += (last()->note.empty() ? "" : ", ") + part.text;
}

void NoteGatherer::read_on(const NotePart& part, std::string on) {
  if (last() != nullptr && is_length(last()->event) && last()->on.empty())
    last()->on = std::move(on);
  else if (drafts_.empty() && pending_on_.empty() && on == "skin" && parts_.back().begin == part.begin)
    ask("event", written(part), "what is said of the skin", "write " + first_animal() + " skin_found if one was found");
  else
    pending_on_ = std::move(on);
}

void NoteGatherer::read_event(std::size_t i) {
  const NotePart& part = parts_[i];
  const NotePart* next = next_part(i);
  const bool title = i == 0 && part.event == Event::fed && context_.words[0].raw.ends_with(':');  // "feeding: all ate"
  const auto names_between = [&](const NoteGroup& g) { return g.begin > last()->at && g.begin < part.begin; };
  const bool again = last() != nullptr && last()->event == part.event && part.event == Event::checked &&
                     !drafts_.back().premolt &&
                     std::none_of(groups_.begin(), groups_.end(), names_between);  // "seen, no molt"
  if (again || (title && next != nullptr)) return;
  if (!part.text.empty() && (next == nullptr || next->part != Part::prey)) {
    ask("event", written(part), "what it took", "write 'ate' if it was seen to eat");
    return;
  }
  add(part.event, part.begin);
  for (const Event also : part.also) add(also, part.begin);
}

void NoteGatherer::read_part(std::size_t i) {
  const NotePart& part = parts_[i];
  switch (part.part) {
    case Part::event:
      return read_event(i);
    case Part::remark:
      if (last() == nullptr)
        ask("event", written(part), "what was seen", "write 'checked' if it was seen and had not molted");
      else
        last()->note += (last()->note.empty() ? "" : ", ") + written(part);
      return;
    case Part::value:
      return read_value(part);
    case Part::premolt:
      add(Event::checked, part.begin).premolt = true;
      drafts_.back().saying.note = written(part);
      return;
    case Part::mass:
      return read_measure(i, Event::mass);
    case Part::temperature:
      read_measure(i, Event::temperature);
      if (part.unit.empty() && context_.collection.raw.rules.temperature_unit.empty())
        ask("value", written(part), "C or F behind a temperature", "write for example " + part.text + "C");
      return;
    case Part::length:
      return read_length(i);
    case Part::number:
      return read_number(i);
    case Part::instar:
      if (last() == nullptr || !is_new_skin(last()->event))
        ask("value", written(part), "a molt that the instar was reached with",
            "write " + first_animal() + " molt " + part.text);
      else
        last()->value = part.text;
      return;
    case Part::box:
      return read_box(part);
    case Part::prey:
      return read_prey(part);
    case Part::skin:
    case Part::animal_itself:
      return read_on(part, part.part == Part::skin ? "skin" : "animal");
    default:
      return;
  }
}

namespace {

/// Words that need no meaning: the label behind `setup`, the taker behind `sold to`; up to a day.
std::string free_words(const NoteContext& context, const std::vector<NotePart>& parts, std::size_t& i,
                       std::set<std::size_t>& free) {
  const std::size_t begin = i + 1;
  while (i + 1 < parts.size() && parts[i + 1].part != Part::days) free.insert(parts[++i].begin);
  return begin <= i ? as_written(context.words, parts[begin].begin, parts[i].end) : std::string();
}

}  // namespace

void NoteGatherer::find_drafts() {
  for (std::size_t i = 0; i < parts_.size(); ++i) {
    read_part(i);
    if (last() != nullptr && last()->event == Event::setup && last()->value.empty())
      last()->value = free_words(context_, parts_, i, free_);
    else if (last() != nullptr && last()->event == Event::left && context_.folded(parts_[i].begin) == "to")
      last()->note = "to " + free_words(context_, parts_, i, free_);
  }
  if (!pending_on_.empty())
    ask("value", pending_on_, "a size that was taken on it", "write for example leg_span 5cm on " + pending_on_);
  if (drafts_.size() > 1)  // "mold in its enclosure": the word is no event there
    std::erase_if(drafts_,
                  [](const SayingDraft& d) { return d.saying.event == Event::enclosure && d.saying.value.empty(); });
}

}  // namespace moltspan
