#pragma once

#include <optional>
#include <set>
#include <string>
#include <vector>

#include "journal/note.hpp"

namespace moltspan {

bool is_measure(Event event);
bool is_new_skin(Event event);  ///< a molt, seen or found
bool is_sign(Event event);      ///< of a molt to come
/// Learned or read when the thing before it was: a size behind a molt is of its day.
bool comes_with_the_last(Event event);

/// Animals that are named together.
struct NoteGroup {
  std::vector<std::string> ids;
  bool all = false, rest = false, except = false;
  std::size_t begin = 0;
};

struct SayingDraft {
  Saying saying;
  int group = -1;
  bool premolt = false;
};

/// From parts to sayings: which event belongs to which animals, values and days. What could belong to two is asked
/// about, never guessed.
class NoteGatherer {
 public:
  NoteGatherer(const NoteContext& context, const std::vector<NotePart>& parts) : context_(context), parts_(parts) {}
  Sayings gather();

 private:
  bool readable();
  void find_groups();
  void add_to_group(const NotePart& part, bool& open, bool& excepting);
  void find_drafts();
  void read_part(std::size_t i);
  void read_event(std::size_t i);
  void read_value(const NotePart& part);
  void read_measure(std::size_t i, Event implied);
  void read_length(std::size_t i);
  void read_number(std::size_t i);
  void read_box(const NotePart& part);
  void read_prey(const NotePart& part);
  void read_on(const NotePart& part, std::string on);
  bool assign_groups();
  bool assign_group(SayingDraft& draft, bool event_first);
  bool assign_unused_groups();
  bool assign_days();
  SayingDraft* head_of(SayingDraft* draft);
  bool days_of(const NotePart& part);
  SayingDraft* draft_of(const NotePart& part);
  bool date_draft(std::size_t i, const std::vector<DayRange>& usual, std::size_t n_dates);
  void merge_meals();
  bool settle_premolt();
  bool complete(const Saying& saying);
  void write(Sayings& result) const;

  SayingDraft& add(Event event, std::size_t at);
  Saying* last() { return drafts_.empty() ? nullptr : &drafts_.back().saying; }
  const NotePart* next_part(std::size_t i) const;
  bool ask(std::string column, std::string value, std::string rule, std::string next_step);
  std::string written(const NotePart& part) const { return as_written(context_.words, part.begin, part.end); }
  std::string first_animal() const;

  const NoteContext& context_;
  const std::vector<NotePart>& parts_;
  std::vector<NoteGroup> groups_;
  std::vector<SayingDraft> drafts_;
  std::string pending_on_, pending_value_, pending_unit_;
  std::set<std::size_t> free_;  ///< words that need no meaning
  std::optional<Problem> problem_;
};

}  // namespace moltspan
