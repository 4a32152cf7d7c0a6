#include <algorithm>
#include <utility>

#include "journal/note_gather.hpp"

/// Whose the things are that a note says, and of which day.
namespace moltspan {

bool NoteGatherer::assign_group(SayingDraft& draft, bool event_first) {
  const std::size_t at = draft.saying.at;
  int before = -1, behind = -1;
  for (std::size_t g = 0; g < groups_.size(); ++g) {
    if (groups_[g].except && !event_first && groups_[g].begin < at) before = static_cast<int>(g);
    if (groups_[g].except) continue;
    if (groups_[g].begin < at) before = static_cast<int>(g);
    if (groups_[g].begin > at && behind < 0) behind = static_cast<int>(g);
  }
  draft.group = event_first && behind >= 0 ? behind : before >= 0 ? before : behind;
  const NoteGroup& group = groups_[static_cast<std::size_t>(draft.group)];
  const bool several = group.all || group.rest || group.ids.size() > 1;
  const bool others = std::count_if(groups_.begin(), groups_.end(), [](const NoteGroup& g) { return !g.except; }) > 1;
  if (event_first && behind < 0 && (several || others) && !comes_with_the_last(draft.saying.event))
    return ask("event", std::string(event_name(draft.saying.event)), "which of the animals it is said of",
               "write the animals first: " + first_animal() + " " + std::string(event_name(draft.saying.event)));
  return true;
}

/// Animals behind the last event: partners, or animals of which the same is said.
bool NoteGatherer::assign_unused_groups() {
  const auto has = [&](Part wanted) {
    return std::any_of(parts_.begin(), parts_.end(), [&](const NotePart& p) { return p.part == wanted; });
  };
  for (std::size_t g = 0; g < groups_.size(); ++g) {
    const NoteGroup& group = groups_[g];
    const auto uses = [&](const SayingDraft& d) { return d.group == static_cast<int>(g); };
    if (group.except || std::any_of(drafts_.begin(), drafts_.end(), uses)) continue;
    const bool paired = has(Part::with) && drafts_.back().saying.event == Event::mated;
    const bool joins = !group.all && !group.rest && (g == 0 || !groups_[g - 1].except);
    if (!joins || (!paired && !has(Part::too)))
      return ask("animal", group.ids.empty() ? "all" : group.ids.front(), "what happened to it",
                 "name all animals before what happened to them, or add 'too'");
    if (g == 0) return ask("event", "", "an event behind the animal", "say what happened, such as molt or ate");
    NoteGroup& first = groups_[g - 1];
    first.ids.insert(first.ids.end(), group.ids.begin(), group.ids.end());
  }
  return true;
}

bool NoteGatherer::assign_groups() {
  if (drafts_.empty()) return ask("event", "", "an event behind the animal", "say what happened, such as molt or ate");
  if (std::all_of(groups_.begin(), groups_.end(), [](const NoteGroup& g) { return g.except; }))
    return ask("animal", first_animal(), "animals that it is left out of",
               "write for example: all but " + first_animal() + " ate");
  std::size_t first_group = context_.words.size();
  for (const NoteGroup& group : groups_)
    if (!group.except) first_group = std::min(first_group, group.begin);
  const bool event_first = drafts_.front().saying.at < first_group;
  for (SayingDraft& draft : drafts_)
    if (!assign_group(draft, event_first)) return false;
  return assign_unused_groups();
}

/// The saying that a day belongs to; null where it stands before all of them and holds for all.
SayingDraft* NoteGatherer::draft_of(const NotePart& part) {
  SayingDraft *before = nullptr, *behind = nullptr;
  for (SayingDraft& draft : drafts_) {
    if (draft.saying.at < part.begin) before = &draft;
    if (draft.saying.at > part.begin && behind == nullptr) behind = &draft;
  }
  if (before == nullptr) return nullptr;
  if (behind == nullptr) return before;
  const bool new_animals = std::any_of(groups_.begin(), groups_.end(), [&](const NoteGroup& group) {
    return !group.except && group.begin > before->saying.at && group.begin < part.begin &&
           before->group != &group - groups_.data();
  });
  const NoteWord& word_before = context_.words[part.begin - 1];
  const bool breaks = word_before.comma || word_before.ends_clause || word_before.folded == "and";
  const auto here =
      std::find_if(parts_.begin(), parts_.end(), [&](const NotePart& p) { return p.begin == part.begin; });
  const NotePart* next = next_part(static_cast<std::size_t>(here - parts_.begin()));
  const bool leads = next != nullptr && (next->part == Part::event || next->part == Part::animals);
  return new_animals || (breaks && leads) ? behind : before;
}

/// The molt that a size was written behind: "A12 molt 5cm Nov 20" dates the molt.
SayingDraft* NoteGatherer::head_of(SayingDraft* draft) {
  while (draft != drafts_.data() && comes_with_the_last(draft->saying.event) && draft[-1].group == draft->group &&
         draft[-1].saying.days.empty())
    --draft;
  return draft;
}

bool NoteGatherer::days_of(const NotePart& part) {
  SayingDraft* draft = draft_of(part);
  if (draft == nullptr) return true;
  draft = head_of(draft);
  Saying& saying = draft->saying;
  if (!saying.days.empty())
    return ask("date", written(part), "one day, or one range, for each thing",
               "write a range as 2026-11-20..2026-11-25, and a note for each thing");
  if (part.listed.size() > 1 && !is_meal(saying.event) && saying.event != Event::checked)
    return ask("date", written(part), "one day, or a range",
               "write 'between ... and ...' for a range, or a note for each day");
  saying.days = part.listed;
  if (part.text == "night" && is_meal(saying.event)) saying.days = {{part.when.earliest, part.when.earliest}};
  return true;
}

bool NoteGatherer::date_draft(std::size_t i, const std::vector<DayRange>& usual, std::size_t n_dates) {
  Saying& saying = drafts_[i].saying;
  if (!saying.days.empty()) return true;
  const bool follows = i > 0 && drafts_[i - 1].group == drafts_[i].group && comes_with_the_last(saying.event);
  const auto same_group = [&](const SayingDraft& d) { return d.group == drafts_[i].group; };
  if (!usual.empty()) {
    saying.days = usual;
  } else if (follows) {
    saying.days = drafts_[i - 1].saying.days;
  } else if (n_dates == 0) {
    saying.days = {{context_.today, context_.today}};
  } else if (n_dates == 1 && !drafts_.back().saying.days.empty() &&
             std::all_of(drafts_.begin(), drafts_.end(), same_group)) {
    saying.days = drafts_.back().saying.days;
  } else {
    return ask("date", std::string(event_name(saying.event)), "a day that is clear for each thing",
               "put the day first where it holds for all, or behind each thing that happened");
  }
  // A size is read on the last day that the molt may have been.
  if (is_measure(saying.event) && follows) saying.days = {{saying.days.back().latest, saying.days.back().latest}};
  return true;
}

bool NoteGatherer::assign_days() {
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
void NoteGatherer::merge_meals() {
  for (std::size_t i = 0; i < drafts_.size(); ++i) {
    Saying& fed = drafts_[i].saying;
    if (fed.event != Event::fed) continue;
    for (SayingDraft& other : drafts_) {
      Saying& meal = other.saying;
      if (other.group != drafts_[i].group || meal.event == Event::fed || !is_meal(meal.event) || meal.days != fed.days)
        continue;
      if (meal.note.empty()) meal.note = fed.note;
      drafts_.erase(drafts_.begin() + static_cast<std::ptrdiff_t>(i));
      return;
    }
  }
}

/// Premolt is read from a sign. With the sign beside it the word goes into its note; alone it is asked about.
bool NoteGatherer::settle_premolt() {
  for (std::size_t i = 0; i < drafts_.size(); ++i) {
    if (!drafts_[i].premolt) continue;
    const auto sign = std::find_if(drafts_.begin(), drafts_.end(), [&](const SayingDraft& d) {
      return !d.premolt && d.group == drafts_[i].group && is_sign(d.saying.event);
    });
    const std::string who = first_animal();
    if (sign == drafts_.end())
      return ask("event", "premolt", "the sign that was seen",
                 "write " + who + " darkened, " + who + " sealed_in, " + who + " refused, " + who + " sluggish or " +
                     who + " molt_mat");
    sign->saying.note += (sign->saying.note.empty() ? "" : ", ") + drafts_[i].saying.note;
    drafts_.erase(drafts_.begin() + static_cast<std::ptrdiff_t>(i));
    return settle_premolt();
  }
  return true;
}

bool NoteGatherer::complete(const Saying& saying) {
  const std::string who = first_animal(), what(event_name(saying.event));
  if (!saying.value.empty()) return true;
  if (saying.event == Event::enclosure)
    return ask("value", "", "the inner size of the new enclosure, or the name of one in enclosures.csv",
               "write for example " + who + " enclosure 20x20x30cm");
  if (is_measure(saying.event))
    return ask("value", "", "the reading with its unit",
               "write for example " + who + " " + what +
                   (saying.event == Event::mass          ? " 12g"
                    : saying.event == Event::temperature ? " 24C"
                                                         : " 5cm"));
  if (saying.event == Event::sex || saying.event == Event::habit || saying.event == Event::unfit ||
      saying.event == Event::setup)
    return ask("value", "", "a value behind '" + what + "'",
               saying.event == Event::sex     ? "write female or male"
               : saying.event == Event::habit ? "write " + std::string(habit_words)
               : saying.event == Event::unfit ? "write wet, stale_air, mold, pests or broken"
                                              : "write a label for how it is kept");
  return true;
}

void NoteGatherer::write(Sayings& result) const {
  std::vector<std::string> named, left_out;
  for (const NoteGroup& group : groups_) {
    named.insert(named.end(), group.ids.begin(), group.ids.end());
    if (group.except) left_out.insert(left_out.end(), group.ids.begin(), group.ids.end());
  }
  for (const SayingDraft& draft : drafts_) {
    result.list.push_back(draft.saying);
    const NoteGroup& group = groups_[static_cast<std::size_t>(draft.group)];
    result.list.back().of_all = group.all || group.rest;
    result.list.back().animals = group.rest ? named : group.all ? left_out : group.ids;
  }
  for (const std::string& id : left_out) {
    const auto said_of = [&](const SayingDraft& d) {
      const auto& ids = groups_[static_cast<std::size_t>(d.group)].ids;
      return std::find(ids.begin(), ids.end(), id) != ids.end();
    };
    if (std::none_of(drafts_.begin(), drafts_.end(), said_of)) result.left_out.push_back(id);
  }
}

Sayings NoteGatherer::gather() {
  find_groups();
  find_drafts();
  const std::optional<Problem> of_values = std::exchange(problem_, std::nullopt);
  Sayings result;
  const bool found = std::any_of(parts_.begin(), parts_.end(), [](const NotePart& p) { return p.part == Part::found; });
  const auto escaped = [](const SayingDraft& d) { return d.saying.event == Event::escaped; };
  bool good = readable();
  if (good && of_values) problem_ = of_values, good = false;
  if (good && !groups_.empty() && found && std::any_of(drafts_.begin(), drafts_.end(), escaped))
    good = ask("event", "escaped", "whether it is gone or back",
               "write 'escaped' only while it is gone; its record ends with that row");
  good = good && (groups_.empty() || (assign_groups() && assign_days()));
  if (good && !groups_.empty()) {
    merge_meals();
    good = settle_premolt();
    for (const SayingDraft& draft : drafts_) good = good && complete(draft.saying);
  }
  result.problem = problem_;
  if (good && !groups_.empty()) write(result);
  return result;
}

Sayings gather_sayings(const NoteContext& context, const std::vector<NotePart>& parts) {
  return NoteGatherer(context, parts).gather();
}

}  // namespace moltspan
