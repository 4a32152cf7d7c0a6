#include "records/words.hpp"

#include <algorithm>
#include <array>

namespace moltspan {
namespace {

using Names = std::span<const std::string_view>;

constexpr std::array<std::string_view, 30> events = {
    "molt",           "skin_found", "on_back",     "leg_span",    "body_length", "carapace_length",
    "carapace_width", "mass",       "ate",         "refused",     "fed",         "darkened",
    "sealed_in",      "sluggish",   "molt_mat",    "fangs_black", "checked",     "enclosure",
    "unfit",          "setup",      "temperature", "habit",       "sex",         "limb_lost",
    "egg_sac",        "mated",      "matured",     "died",        "left",        "escaped"};
static_assert(events.size() == static_cast<std::size_t>(Event::escaped) + 1);

/// Other spellings that can mean nothing else; folded.
constexpr std::array<std::pair<std::string_view, Event>, 22> aliases = {{
    {"molted", Event::molt},
    {"shed", Event::molt},
    {"molting", Event::on_back},
    {"exuviafound", Event::skin_found},
    {"diagonallegspan", Event::leg_span},
    {"weight", Event::mass},
    {"eaten", Event::ate},
    {"refusal", Event::refused},
    {"dark", Event::darkened},
    {"webbedup", Event::sealed_in},
    {"sealed", Event::sealed_in},
    {"moltingmat", Event::molt_mat},
    {"blackfangs", Event::fangs_black},
    {"check", Event::checked},
    {"seen", Event::checked},
    {"limbloss", Event::limb_lost},
    {"sac", Event::egg_sac},
    {"mature", Event::matured},
    {"dead", Event::died},
    {"sold", Event::left},
    {"given", Event::left},
    {"givenaway", Event::left},
}};

constexpr std::array<std::string_view, 40> columns = {"animal",
                                                      "taxon",
                                                      "sex",
                                                      "cohort",
                                                      "hatched",
                                                      "acquired",
                                                      "matured",
                                                      "died",
                                                      "habit",
                                                      "kept_as",
                                                      "note",
                                                      "world",
                                                      "hazard",
                                                      "adult_leg_span_mm",
                                                      "pace",
                                                      "after_maturity",
                                                      "after_maturity_female",
                                                      "after_maturity_male",
                                                      "temperature_c",
                                                      "group",
                                                      "name",
                                                      "w",
                                                      "d",
                                                      "h",
                                                      "diameter",
                                                      "unit",
                                                      "count",
                                                      "date",
                                                      "until",
                                                      "event",
                                                      "value",
                                                      "on"};

template <class Value, std::size_t n>
std::optional<Value> look_up(const std::array<std::pair<std::string_view, Value>, n>& table, std::string_view word) {
  const std::string folded = fold(word);
  for (const auto& [name, value] : table)
    if (folded == name) return value;
  return {};
}

char lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c | 0x20) : c; }

}  // namespace

std::string_view trim(std::string_view text) {
  constexpr std::string_view blanks = " \t\r\n\v\f";
  const std::size_t begin = text.find_first_not_of(blanks);
  if (begin == std::string_view::npos) return {};
  return text.substr(begin, text.find_last_not_of(blanks) - begin + 1);
}

bool has_control_character(std::string_view text) {
  return std::any_of(text.begin(), text.end(), [](unsigned char c) { return c < 0x20 || c == 0x7f; });
}

std::string in_quotes(std::string_view word) { return std::string(1, '\'').append(word).append(1, '\''); }

/// `moult` as `molt`.
static std::string with_molt(std::string_view word) {
  if (word.find("moult") == std::string_view::npos) return std::string(word);
  std::string result;
  for (const char c : word) {
    result += c;
    if (result.ends_with("moult")) result.erase(result.size() - 3, 1);
  }
  return result;
}

std::string fold(std::string_view word) {
  std::string result;
  result.reserve(word.size());
  for (const char c : trim(word))
    if (c != ' ' && c != '-' && c != '_') result += lower(c);
  return with_molt(result);
}

std::string fold_column(std::string_view heading) {
  std::string result(trim(heading));
  for (char& c : result) c = c == ' ' || c == '-' ? '_' : lower(c);
  return result;
}

ColumnWords::ColumnWords(const FolderRules& rules) {
  for (const auto& [theirs, ours] : rules.columns) ours_.try_emplace(fold_column(theirs), ours);
}

std::string ColumnWords::ours(std::string_view heading) const {
  std::string name = fold_column(heading);
  const auto found = ours_.find(name);
  return found == ours_.end() ? name : found->second;
}

std::string our_column(std::string_view heading, const FolderRules& rules) { return ColumnWords(rules).ours(heading); }

std::size_t edit_distance(std::string_view a, std::string_view b, std::size_t most) {
  if (std::max(a.size(), b.size()) - std::min(a.size(), b.size()) > most) return most + 1;
  std::vector<std::size_t> row(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) row[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    std::size_t diagonal = row[0];
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t changed = diagonal + (a[i - 1] != b[j - 1]);
      diagonal = row[j];
      row[j] = std::min({row[j] + 1, row[j - 1] + 1, changed});
    }
    if (*std::min_element(row.begin(), row.end()) > most) return most + 1;
  }
  return row.back();
}

bool differ_by_one(std::string_view a, std::string_view b) {
  if (a.size() < b.size()) std::swap(a, b);
  if (a.size() - b.size() > 1) return false;
  const std::size_t same = static_cast<std::size_t>(std::mismatch(b.begin(), b.end(), a.begin()).first - b.begin());
  if (same == a.size()) return false;
  return a.substr(same + 1) == b.substr(same + (a.size() == b.size()));
}

std::string nearest_word(std::string_view word, Names candidates, std::size_t most) {
  const std::string folded = fold(word.substr(0, 60));
  std::string best;
  std::size_t least = most + 1;
  for (const std::string_view candidate : candidates) {
    if (candidate.size() > longest_name) continue;  // nobody mistypes that, and the work grows with the length
    const std::size_t distance = edit_distance(folded, fold(candidate), least - 1);
    if (distance < least) {
      least = distance;
      best = candidate;
    }
  }
  return best;
}

std::string nearest_id(std::string_view text, Names ids) {
  const std::string folded = fold(text.substr(0, 60));
  for (const std::string_view id : ids)
    if (id.size() <= longest_name && fold(id) == folded) return std::string(id);
  for (const std::string_view id : ids) {
    if (id.size() > longest_name) continue;
    const std::string other = fold(id);
    if (folded.size() > 1 && other.size() > 1 && (other.starts_with(folded) || folded.starts_with(other)))
      return std::string(id);
  }
  return nearest_word(text, ids, std::max<std::size_t>(folded.size(), 3) / 3);
}

Names event_names() { return events; }
Names column_names() { return Names(columns.begin(), std::find(columns.begin(), columns.end(), std::string_view{})); }
std::string_view event_name(Event event) { return events[static_cast<std::size_t>(event)]; }

std::optional<Event> find_event(std::string_view word) {
  const std::string folded = fold(word);
  for (std::size_t i = 0; i < events.size(); ++i)
    if (folded == fold(events[i])) return static_cast<Event>(i);
  return look_up(aliases, word);
}

EventWords::EventWords(const FolderRules& rules) {
  for (std::size_t i = 0; i < events.size(); ++i) by_fold_[fold(events[i])] = static_cast<Event>(i);
  for (const auto& [word, event] : aliases) by_fold_.try_emplace(std::string(word), event);
  for (const auto& [theirs, ours] : rules.events)
    if (const auto event = find_event(ours)) by_fold_[fold(theirs)] = *event;
}

std::optional<Event> EventWords::find(std::string_view word) const {
  const auto found = by_fold_.find(fold(word));
  if (found == by_fold_.end()) return {};
  return found->second;
}

std::optional<double> find_sex(std::string_view word) {
  static constexpr std::array<std::pair<std::string_view, double>, 8> table = {{{"female", 0},
                                                                                {"f", 0},
                                                                                {"male", 1},
                                                                                {"m", 1},
                                                                                {"unknown", .5},
                                                                                {"?", .5},
                                                                                {"probablefemale", .2},
                                                                                {"probablemale", .8}}};
  return look_up(table, word);
}

std::optional<Habit> find_habit(std::string_view word) {
  static constexpr std::array<std::pair<std::string_view, Habit>, 5> table = {{{"arboreal", Habit::arboreal},
                                                                               {"semiarboreal", Habit::semi_arboreal},
                                                                               {"terrestrial", Habit::terrestrial},
                                                                               {"fossorial", Habit::fossorial},
                                                                               {"unknown", Habit::unknown}}};
  return look_up(table, word);
}

std::string_view habit_name(Habit habit) {
  static constexpr std::array<std::string_view, 5> names = {"unknown", "arboreal", "semi_arboreal", "terrestrial",
                                                            "fossorial"};
  return names[static_cast<std::size_t>(habit)];
}

std::optional<Pace> find_pace(std::string_view word) {
  static constexpr std::array<std::pair<std::string_view, Pace>, 4> table = {
      {{"slow", Pace::slow}, {"medium", Pace::medium}, {"fast", Pace::fast}, {"unknown", Pace::unknown}}};
  return look_up(table, word);
}

std::optional<World> find_world(std::string_view word) {
  static constexpr std::array<std::pair<std::string_view, World>, 5> table = {{{"old", World::old_world},
                                                                               {"new", World::new_world},
                                                                               {"oldworld", World::old_world},
                                                                               {"newworld", World::new_world},
                                                                               {"unknown", World::unknown}}};
  return look_up(table, word);
}

std::optional<AfterMaturity> find_after_maturity(std::string_view word) {
  static constexpr std::array<std::pair<std::string_view, AfterMaturity>, 3> table = {
      {{"goeson", AfterMaturity::goes_on}, {"stops", AfterMaturity::stops}, {"unknown", AfterMaturity::unknown}}};
  return look_up(table, word);
}

bool add_hazard(std::string_view word, Hazards& hazards) {
  static constexpr std::array<std::pair<std::string_view, bool Hazards::*>, 4> names = {{
      {"urticatingsetae", &Hazards::urticating_setae},
      {"systemicvenom", &Hazards::systemic_venom},
      {"irritantspray", &Hazards::irritant_spray},
      {"fast", &Hazards::fast},
  }};
  const auto found = look_up(names, word);
  if (found) hazards.*(*found) = true;
  return found || fold(word) == "none" || fold(word).empty();
}

void join_hazards(Hazards& hazards, const Hazards& more) {
  hazards.stated |= more.stated;
  hazards.urticating_setae |= more.urticating_setae;
  hazards.systemic_venom |= more.systemic_venom;
  hazards.irritant_spray |= more.irritant_spray;
  hazards.fast |= more.fast;
}

std::string_view find_unfit(std::string_view word) {
  static constexpr std::array<std::pair<std::string_view, std::string_view>, 6> table = {{{"wet", "wet"},
                                                                                          {"staleair", "stale_air"},
                                                                                          {"mold", "mold"},
                                                                                          {"mould", "mold"},
                                                                                          {"pests", "pests"},
                                                                                          {"broken", "broken"}}};
  return look_up(table, word).value_or("");
}

}  // namespace moltspan
