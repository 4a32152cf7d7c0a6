#include <algorithm>

#include "journal_note.hpp"

/// From parts to sayings: which event belongs to which animals, values and days. What could belong to two is asked
/// about, never guessed.
namespace moltspan {

bool is_length(Event event) {
  return event == Event::leg_span || event == Event::body_length || event == Event::carapace_length ||
         event == Event::carapace_width;
}

bool is_meal(Event event) { return event == Event::ate || event == Event::refused || event == Event::fed; }

namespace {

bool is_measure(Event event) { return is_length(event) || event == Event::mass || event == Event::temperature; }
bool is_new_skin(Event event) { return event == Event::molt || event == Event::skin_found; }

bool is_sign(Event event) {
  return event == Event::refused || event == Event::darkened || event == Event::sealed_in ||
         event == Event::sluggish || event == Event::molt_mat;
}

/// Learned or read when the thing before it was: a size behind a molt is of its day.
bool comes_with_the_last(Event event) {
  return is_measure(event) || event == Event::sex || event == Event::matured || event == Event::limb_lost;
}

/// Animals that are named together.
struct Group {
  std::vector<std::string> ids;
  bool all = false, rest = false, except = false;
  std::size_t begin = 0;
};

struct Draft {
  Saying saying;
  int group = -1;
  bool premolt = false;
};

class Gatherer {
 public:
  Gatherer(const NoteContext& context, const std::vector<NotePart>& parts) : context_(context), parts_(parts) {}
  Sayings gather();

 private:
  bool readable();
  void find_groups();
  void add_to_group(const NotePart& part, bool& open, bool& excepting);
  void find_drafts();
  void read_part(std::size_t i);
  void read_value(const NotePart& part);
  void read_measure(std::size_t i, Event implied);
  void read_length(std::size_t i);
  void read_number(std::size_t i);
  void read_box(const NotePart& part);
  void read_prey(const NotePart& part);
  void read_on(const NotePart& part, std::string on);
  bool assign_groups();
  bool assign_group(Draft& draft, bool event_first);
  bool assign_unused_groups();
  bool assign_days();
  Draft* head_of(Draft* draft);
  bool days_of(const NotePart& part);
  Draft* draft_of(const NotePart& part);
  bool date_draft(std::size_t i, const std::vector<DayRange>& usual, std::size_t n_dates);
  void merge_meals();
  bool settle_premolt();
  bool complete(const Saying& saying);
  void write(Sayings& result) const;

  Draft& add(Event event, std::size_t at);
  Saying* last() { return drafts_.empty() ? nullptr : &drafts_.back().saying; }
  const NotePart* next_part(std::size_t i) const;
  bool ask(std::string column, std::string value, std::string rule, std::string next_step);
  std::string written(const NotePart& part) const { return as_written(context_.words, part.begin, part.end); }
  std::string first_animal() const;

  const NoteContext& context_;
  const std::vector<NotePart>& parts_;
  std::vector<Group> groups_;
  std::vector<Draft> drafts_;
  std::string pending_on_, pending_value_, pending_unit_;
  std::optional<Problem> problem_;
};

bool Gatherer::ask(std::string column, std::string value, std::string rule, std::string next_step) {
  if (!problem_) {
    std::string animals;
    for (const Group& group : groups_)
      for (const std::string& id : group.ids) animals += (animals.empty() ? "" : " ") + id;
    problem_ = note_problem(animals, std::move(column), std::move(value), std::move(rule), std::move(next_step));
  }
  return false;
}

/// For examples: an animal that the note names.
std::string Gatherer::first_animal() const {
  for (const Group& group : groups_)
    if (!group.ids.empty()) return group.ids.front();
  return context_.collection.animals.empty() ? "A12" : context_.collection.animals.front().id;
}

/// Asks about the first words that are not understood, with the nearest reading.
bool Gatherer::readable() {
  const auto says = [](const NotePart& p) { return p.part == Part::event || p.part == Part::value; };
  const bool has_event = std::any_of(parts_.begin(), parts_.end(), says), has_animal = !groups_.empty();
  for (const NotePart& part : parts_) {
    if (!part.rule.empty()) return ask(part.part == Part::days ? "date" : "value", written(part), part.rule, part.next_step);
    if (part.part != Part::unread) continue;
    const NoteWord& word = context_.words[part.begin];
    if (!has_animal) return true;  // find_animals asks
    if (word.question) return ask("event", written(part), "what was seen, not a question", "write 'checked', or nothing yet");
    const std::string nearest = nearest_note_word(word.folded);
    const std::string mended = as_written(context_.words, 0, part.begin) + (part.begin > 0 ? " " : "") + nearest +
                               (part.end < context_.words.size() ? " " : "") +
                               as_written(context_.words, part.end, context_.words.size());
    if (!nearest.empty()) return ask(has_event ? "value" : "event", written(part), "words that a note knows", "did you mean: " + mended);
    if (!has_event)
      return ask("event", written(part), "an event that is known, or another id",
                 event_advice(as_written(context_.words, part.begin, context_.words.size())));
    return ask("value", written(part), "words that a note knows",
               "put words of your own in quotes behind the rest: \"" + written(part) + "\"");
  }
  return true;
}

void Gatherer::add_to_group(const NotePart& part, bool& open, bool& excepting) {
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

void Gatherer::find_groups() {
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

Draft& Gatherer::add(Event event, std::size_t at) {
  Draft draft;
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

const NotePart* Gatherer::next_part(std::size_t i) const {
  for (++i; i < parts_.size(); ++i)
    if (parts_[i].part != Part::filler) return &parts_[i];
  return nullptr;
}

void Gatherer::read_value(const NotePart& part) {
  if (last() != nullptr && last()->event == part.event && last()->value.empty())
    last()->value = part.text;
  else
    add(part.event, part.begin).saying.value = part.text;
}

/// A reading belongs to the measure before it, else to the one right behind it, else it is one of its own.
void Gatherer::read_measure(std::size_t i, Event implied) {
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

void Gatherer::read_length(std::size_t i) {
  const std::size_t had = drafts_.size();
  const bool of_molt = std::any_of(drafts_.begin(), drafts_.end(), [](const Draft& d) { return d.saying.event == Event::molt; });
  const bool of_skin = had > 0 && drafts_.back().saying.event == Event::skin_found;
  const std::size_t before = pending_value_.size();
  read_measure(i, Event::leg_span);
  if (drafts_.size() == had || before != pending_value_.size()) return;
  Saying& own = drafts_.back().saying;
  const NotePart* next = next_part(i);
  const bool said = !own.on.empty() || (next != nullptr && (next->part == Part::skin || next->part == Part::animal_itself));
  if (of_skin && !said)
    ask("value", written(parts_[i]), "what the size was taken on", "add 'on skin', or 'on animal' for its size now");
  else if (!of_molt && !said)
    ask("value", written(parts_[i]), "what was measured",
        "write " + first_animal() + " leg_span " + written(parts_[i]) + " if that is meant; else body_length, carapace_length or carapace_width");
  else if (of_molt && own.on.empty() && !(next != nullptr && next->part == Part::skin))
    own.on = "animal";
}

/// A bare number: the value of a measure before it, or the instar behind a molt.
void Gatherer::read_number(std::size_t i) {
  const NotePart& part = parts_[i];
  const FolderRules& rules = context_.collection.raw.rules;
  Saying* before = last();
  if (before != nullptr && is_measure(before->event) && before->value.empty()) {
    const std::string& usual = is_length(before->event)            ? rules.length_unit
                               : before->event == Event::mass ? rules.mass_unit
                                                                   : rules.temperature_unit;
    before->value = part.text;
    if (usual.empty()) ask("value", part.text, "a unit behind the number", "write for example " + part.text + (is_length(before->event) ? "cm" : before->event == Event::mass ? "g" : "C"));
    return;
  }
  if (before == nullptr || !is_new_skin(before->event) || !before->value.empty()) {
    ask("value", written(part), "a unit, or what the number counts", "write for example " + part.text + "cm, or put it in quotes");
    return;
  }
  if (!rules.length_unit.empty() || part.text.find_first_not_of("0123456789") != std::string::npos)
    ask("value", written(part), "the number of an instar, or a size with its unit",
        "write 'instar " + part.text + "' or " + part.text + (rules.length_unit.empty() ? "cm" : rules.length_unit));
  before->value = part.text;
}

void Gatherer::read_box(const NotePart& part) {
  const bool sized = part.text.find_first_of("0123456789") == 0;
  if (last() != nullptr && last()->event == Event::enclosure && last()->value.empty())
    last()->value = part.text;
  else if (sized || drafts_.empty())
    add(Event::enclosure, part.begin).saying.value = part.text;
  else
    ask("value", written(part), "words that a note knows", "write 'enclosure " + part.text + "' if it was moved there");
}

void Gatherer::read_prey(const NotePart& part) {
  const bool plain = part.text == "food" || part.text == "prey" || part.text == "meal";
  if (last() == nullptr || !is_meal(last()->event))
    ask("value", written(part), "what became of the food", "write ate, refused, or fed where nobody looked");
  else if (!plain)
    last()->note += (last()->note.empty() ? "" : ", ") + part.text;
}

void Gatherer::read_on(const NotePart& part, std::string on) {
  if (last() != nullptr && is_length(last()->event) && last()->on.empty())
    last()->on = std::move(on);
  else if (drafts_.empty() && pending_on_.empty() && on == "skin" && parts_.back().begin == part.begin)
    ask("event", written(part), "what is said of the skin", "write " + first_animal() + " skin_found if one was found");
  else
    pending_on_ = std::move(on);
}

void Gatherer::read_part(std::size_t i) {
  const NotePart& part = parts_[i];
  switch (part.part) {
    case Part::event:
      add(part.event, part.begin);
      for (const Event also : part.also) add(also, part.begin);
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
        ask("value", written(part), "a molt that the instar was reached with", "write " + first_animal() + " molt " + part.text);
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

/// The label of `setup`: the words behind it as they stand, up to a day.
std::string setup_label(const NoteContext& context, const std::vector<NotePart>& parts, std::size_t& i) {
  const std::size_t begin = i + 1;
  while (i + 1 < parts.size() && parts[i + 1].part != Part::days) ++i;
  return begin <= i ? as_written(context.words, parts[begin].begin, parts[i].end) : std::string();
}

void Gatherer::find_drafts() {
  for (std::size_t i = 0; i < parts_.size(); ++i) {
    read_part(i);
    if (parts_[i].part == Part::event && parts_[i].event == Event::setup) {
      std::size_t end = i;
      drafts_.back().saying.value = setup_label(context_, parts_, end);
      i = end;
    }
  }
  if (!pending_on_.empty()) ask("value", pending_on_, "a size that was taken on it", "write for example leg_span 5cm on " + pending_on_);
  if (drafts_.size() > 1)  // "mold in its enclosure": the word is no event there
    std::erase_if(drafts_, [](const Draft& d) { return d.saying.event == Event::enclosure && d.saying.value.empty(); });
}

bool Gatherer::assign_group(Draft& draft, bool event_first) {
  const std::size_t at = draft.saying.at;
  int before = -1, behind = -1;
  for (std::size_t g = 0; g < groups_.size(); ++g) {
    if (groups_[g].except && !event_first && groups_[g].begin < at) before = static_cast<int>(g);
    if (groups_[g].except) continue;
    if (groups_[g].begin < at) before = static_cast<int>(g);
    if (groups_[g].begin > at && behind < 0) behind = static_cast<int>(g);
  }
  draft.group = event_first && behind >= 0 ? behind : before >= 0 ? before : behind;
  const Group& group = groups_[static_cast<std::size_t>(draft.group)];
  const bool several = group.all || group.rest || group.ids.size() > 1;
  if (event_first && behind < 0 && several && !comes_with_the_last(draft.saying.event))
    return ask("event", std::string(event_name(draft.saying.event)), "which of the animals it is said of",
               "write the animals first: " + first_animal() + " " + std::string(event_name(draft.saying.event)));
  return true;
}

/// Animals behind the last event: partners, or animals of which the same is said.
bool Gatherer::assign_unused_groups() {
  const auto has = [&](Part wanted) { return std::any_of(parts_.begin(), parts_.end(), [&](const NotePart& p) { return p.part == wanted; }); };
  for (std::size_t g = 0; g < groups_.size(); ++g) {
    const Group& group = groups_[g];
    const auto uses = [&](const Draft& d) { return d.group == static_cast<int>(g); };
    if (group.except || std::any_of(drafts_.begin(), drafts_.end(), uses)) continue;
    const bool paired = has(Part::with) && drafts_.back().saying.event == Event::mated;
    if (!paired && !has(Part::too))
      return ask("animal", group.ids.empty() ? "all" : group.ids.front(), "what happened to it",
                 "name all animals before what happened to them, or add 'too'");
    if (g == 0) return ask("event", "", "an event behind the animal", "say what happened, such as molt or ate");
    Group& first = groups_[g - 1];
    first.ids.insert(first.ids.end(), group.ids.begin(), group.ids.end());
  }
  return true;
}

bool Gatherer::assign_groups() {
  if (drafts_.empty()) return ask("event", "", "an event behind the animal", "say what happened, such as molt or ate");
  std::size_t first_group = context_.words.size();
  for (const Group& group : groups_)
    if (!group.except) first_group = std::min(first_group, group.begin);
  const bool event_first = drafts_.front().saying.at < first_group;
  for (Draft& draft : drafts_)
    if (!assign_group(draft, event_first)) return false;
  return assign_unused_groups();
}

/// The saying that a day belongs to; null where it stands before all of them and holds for all.
Draft* Gatherer::draft_of(const NotePart& part) {
  Draft *before = nullptr, *behind = nullptr;
  for (Draft& draft : drafts_) {
    if (draft.saying.at < part.begin) before = &draft;
    if (draft.saying.at > part.begin && behind == nullptr) behind = &draft;
  }
  if (before == nullptr) return nullptr;
  if (behind == nullptr) return before;
  const bool new_animals = std::any_of(groups_.begin(), groups_.end(), [&](const Group& group) {
    return !group.except && group.begin > before->saying.at && group.begin < part.begin && before->group != &group - groups_.data();
  });
  const NoteWord& word_before = context_.words[part.begin - 1];
  const bool breaks = word_before.comma || word_before.ends_clause || word_before.folded == "and";
  const auto here = std::find_if(parts_.begin(), parts_.end(), [&](const NotePart& p) { return p.begin == part.begin; });
  const NotePart* next = next_part(static_cast<std::size_t>(here - parts_.begin()));
  const bool leads = next != nullptr && (next->part == Part::event || next->part == Part::animals);
  return new_animals || (breaks && leads) ? behind : before;
}

/// The molt that a size was written behind: "A12 molt 5cm Nov 20" dates the molt.
Draft* Gatherer::head_of(Draft* draft) {
  while (draft != drafts_.data() && comes_with_the_last(draft->saying.event) && draft[-1].group == draft->group &&
         draft[-1].saying.days.empty())
    --draft;
  return draft;
}

bool Gatherer::days_of(const NotePart& part) {
  Draft* draft = draft_of(part);
  if (draft == nullptr) return true;
  draft = head_of(draft);
  Saying& saying = draft->saying;
  if (!saying.days.empty())
    return ask("date", written(part), "one day, or one range, for each thing", "write a range as 2026-11-20..2026-11-25, and a note for each thing");
  if (part.listed.size() > 1 && !is_meal(saying.event) && saying.event != Event::checked)
    return ask("date", written(part), "one day, or a range", "write 'between ... and ...' for a range, or a note for each day");
  saying.days = part.listed;
  if (part.text == "night" && is_meal(saying.event)) saying.days = {{part.when.earliest, part.when.earliest}};
  return true;
}

bool Gatherer::date_draft(std::size_t i, const std::vector<DayRange>& usual, std::size_t n_dates) {
  Saying& saying = drafts_[i].saying;
  if (!saying.days.empty()) return true;
  const bool follows = i > 0 && drafts_[i - 1].group == drafts_[i].group && comes_with_the_last(saying.event);
  const auto same_group = [&](const Draft& d) { return d.group == drafts_[i].group; };
  if (!usual.empty()) {
    saying.days = usual;
  } else if (follows) {
    saying.days = drafts_[i - 1].saying.days;
  } else if (n_dates == 0) {
    saying.days = {{context_.today, context_.today}};
  } else if (n_dates == 1 && !drafts_.back().saying.days.empty() && std::all_of(drafts_.begin(), drafts_.end(), same_group)) {
    saying.days = drafts_.back().saying.days;
  } else {
    return ask("date", std::string(event_name(saying.event)), "a day that is clear for each thing",
               "put the day first where it holds for all, or behind each thing that happened");
  }
  // A size is read on the last day that the molt may have been.
  if (is_measure(saying.event) && follows) saying.days = {{saying.days.back().latest, saying.days.back().latest}};
  return true;
}

bool Gatherer::assign_days() {
  std::vector<DayRange> usual;
  std::size_t n_dates = 0;
  for (const NotePart& part : parts_) {
    if (part.part != Part::days) continue;
    ++n_dates;
    if (!days_of(part)) return false;
    if (draft_of(part) == nullptr && usual.empty()) usual = part.listed;
  }
  if (usual.size() > 1) usual.clear();
  for (std::size_t i = 0; i < drafts_.size(); ++i)
    if (!date_draft(i, usual, n_dates)) return false;
  return true;
}

/// `fed` beside `ate` or `refused` of the same animals says nothing more.
void Gatherer::merge_meals() {
  for (std::size_t i = 0; i < drafts_.size(); ++i) {
    Saying& fed = drafts_[i].saying;
    if (fed.event != Event::fed) continue;
    for (Draft& other : drafts_) {
      Saying& meal = other.saying;
      if (other.group != drafts_[i].group || meal.event == Event::fed || !is_meal(meal.event) || meal.days != fed.days) continue;
      if (meal.note.empty()) meal.note = fed.note;
      drafts_.erase(drafts_.begin() + static_cast<std::ptrdiff_t>(i));
      return;
    }
  }
}

/// Premolt is read from a sign. With the sign beside it the word goes into its note; alone it is asked about.
bool Gatherer::settle_premolt() {
  for (std::size_t i = 0; i < drafts_.size(); ++i) {
    if (!drafts_[i].premolt) continue;
    const auto sign = std::find_if(drafts_.begin(), drafts_.end(), [&](const Draft& d) {
      return !d.premolt && d.group == drafts_[i].group && is_sign(d.saying.event);
    });
    const std::string who = first_animal();
    if (sign == drafts_.end())
      return ask("event", "premolt", "the sign that was seen",
                 "write " + who + " darkened, " + who + " sealed_in, " + who + " refused, " + who + " sluggish or " + who + " molt_mat");
    sign->saying.note += (sign->saying.note.empty() ? "" : ", ") + drafts_[i].saying.note;
    drafts_.erase(drafts_.begin() + static_cast<std::ptrdiff_t>(i));
    return settle_premolt();
  }
  return true;
}

bool Gatherer::complete(const Saying& saying) {
  const std::string who = first_animal(), what(event_name(saying.event));
  if (!saying.value.empty()) return true;
  if (saying.event == Event::enclosure)
    return ask("value", "", "the inner size of the new enclosure, or the name of one in enclosures.csv", "write for example " + who + " enclosure 20x20x30cm");
  if (is_measure(saying.event))
    return ask("value", "", "the reading with its unit", "write for example " + who + " " + what + (saying.event == Event::mass ? " 12g" : saying.event == Event::temperature ? " 24C" : " 5cm"));
  if (saying.event == Event::sex || saying.event == Event::habit || saying.event == Event::unfit || saying.event == Event::setup)
    return ask("value", "", "a value behind '" + what + "'",
               saying.event == Event::sex ? "write female or male" : saying.event == Event::habit ? "write " + std::string(habit_words) : saying.event == Event::unfit ? "write wet, stale_air, mold, pests or broken" : "write a label for how it is kept");
  return true;
}

void Gatherer::write(Sayings& result) const {
  std::vector<std::string> named, left_out;
  for (const Group& group : groups_) {
    named.insert(named.end(), group.ids.begin(), group.ids.end());
    if (group.except) left_out.insert(left_out.end(), group.ids.begin(), group.ids.end());
  }
  for (const Draft& draft : drafts_) {
    result.list.push_back(draft.saying);
    const Group& group = groups_[static_cast<std::size_t>(draft.group)];
    result.list.back().of_all = group.all || group.rest;
    result.list.back().animals = group.rest ? named : group.all ? left_out : group.ids;
  }
  for (const std::string& id : left_out) {
    const auto said_of = [&](const Draft& d) {
      const auto& ids = groups_[static_cast<std::size_t>(d.group)].ids;
      return std::find(ids.begin(), ids.end(), id) != ids.end();
    };
    if (std::none_of(drafts_.begin(), drafts_.end(), said_of)) result.left_out.push_back(id);
  }
}

Sayings Gatherer::gather() {
  find_groups();
  find_drafts();
  const std::optional<Problem> of_values = std::exchange(problem_, std::nullopt);
  Sayings result;
  const bool found = std::any_of(parts_.begin(), parts_.end(), [](const NotePart& p) { return p.part == Part::found; });
  const auto escaped = [](const Draft& d) { return d.saying.event == Event::escaped; };
  bool good = readable();
  if (good && of_values) problem_ = of_values, good = false;
  if (good && !groups_.empty() && found && std::any_of(drafts_.begin(), drafts_.end(), escaped))
    good = ask("event", "escaped", "whether it is gone or back", "write 'escaped' only while it is gone; its record ends with that row");
  good = good && (groups_.empty() || (assign_groups() && assign_days()));
  if (good && !groups_.empty()) {
    merge_meals();
    good = settle_premolt();
    for (const Draft& draft : drafts_) good = good && complete(draft.saying);
  }
  result.problem = problem_;
  if (good && !groups_.empty()) write(result);
  return result;
}

}  // namespace

Sayings gather_sayings(const NoteContext& context, const std::vector<NotePart>& parts) {
  return Gatherer(context, parts).gather();
}

}  // namespace moltspan
