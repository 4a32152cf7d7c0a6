#include <algorithm>
#include <array>
#include <chrono>
#include <functional>

#include "journal/note.hpp"
#include "records/fields.hpp"

/// Days as people write them in a note, relative to the day that the note is written.
namespace moltspan {
namespace {

/// A day without a year this long ago is rather a slip than meant.
constexpr Day longest_without_year_days = 200;

constexpr std::array<std::string_view, 7> weekdays = {"monday", "tuesday",  "wednesday", "thursday",
                                                      "friday", "saturday", "sunday"};
constexpr std::array<std::string_view, 12> months = {"january",   "february", "march",    "april",
                                                     "may",       "june",     "july",     "august",
                                                     "september", "october",  "november", "december"};
constexpr std::array<std::string_view, 13> counts = {"",      "one",   "two",  "three", "four",   "five",  "six",
                                                     "seven", "eight", "nine", "ten",   "eleven", "twelve"};

/// Some words that name a day or a range, or cannot be taken as they stand.
struct Days {
  std::size_t end = 0;  ///< word behind them
  DayRange when;
  std::string rule, next_step;
  bool bare = false;  ///< a number alone, which is a day only beside another one with a month
  bool night = false;
};

constexpr const char* write_iso = "write it as YYYY-MM-DD";

/// Index of the name that `word` is or begins with three letters of, -1 for none.
template <std::size_t n>
int named(const std::array<std::string_view, n>& names, std::string_view word, std::size_t least = 3) {
  for (std::size_t i = 0; i < n; ++i)
    if (word == names[i] || (word.size() >= least && word.size() <= 5 && names[i].starts_with(word)))
      return static_cast<int>(i);
  return -1;
}

int month_of(std::string_view word) { return named(months, word) + 1; }

int weekday_of(std::string_view word) { return named(weekdays, word); }

/// 0 for Monday.
int weekday_on(Day day) { return ((day % 7) + 7 + 3) % 7; }

bool all_digits(std::string_view text) {
  return !text.empty() && std::all_of(text.begin(), text.end(), [](char c) { return c >= '0' && c <= '9'; });
}

/// 1 to 9999 for digits, 0 for anything else.
int whole_number(std::string_view text) {
  if (!all_digits(text) || text.size() > 4) return 0;
  int value = 0;
  for (const char c : text) value = 10 * value + (c - '0');
  return value;
}

/// The number in `5th`, 0 where it is none.
int ordinal(std::string_view word) {
  if (word.size() < 3 || word.size() > 4) return 0;
  const std::string_view suffix = word.substr(word.size() - 2);
  if (suffix != "st" && suffix != "nd" && suffix != "rd" && suffix != "th") return 0;
  const int day = whole_number(word.substr(0, word.size() - 2));
  return day <= 31 ? day : 0;
}

int day_number(std::string_view word) {
  const int day = whole_number(word);
  return day > 0 && day <= 31 && word.size() <= 2 ? day : ordinal(word);
}

int count_of(std::string_view word) {
  if (word == "a" || word == "an") return 1;
  for (std::size_t i = 1; i < counts.size(); ++i)
    if (word == counts[i]) return static_cast<int>(i);
  return word.size() <= 3 ? whole_number(word) : 0;
}

int year_of(Day day) {
  return static_cast<int>(std::chrono::year_month_day{std::chrono::sys_days(std::chrono::days(day))}.year());
}

int month_on(Day day) {
  return static_cast<int>(
      static_cast<unsigned>(std::chrono::year_month_day{std::chrono::sys_days(std::chrono::days(day))}.month()));
}

class DayMatcher {
 public:
  DayMatcher(const NoteContext& context, std::size_t at) : context_(context), at_(at) {}

  std::optional<Days> one(std::size_t at) const;
  std::optional<NotePart> match() const;

 private:
  std::string_view word(std::size_t at) const { return context_.folded(at); }
  std::size_t skip(std::size_t at, std::initializer_list<std::string_view> words) const {
    return std::find(words.begin(), words.end(), word(at)) != words.end() ? at + 1 : at;
  }
  Days found(std::size_t end, Day first, Day last) const { return {end, {first, last}, "", "", false, false}; }
  Days doubtful(std::size_t end, std::string rule, std::string step) const {
    return {end, {context_.today, context_.today}, std::move(rule), std::move(step), false, false};
  }

  std::optional<Days> relative(std::size_t at) const;
  std::optional<Days> ago(std::size_t at) const;
  std::optional<Days> span(std::size_t at) const;
  std::optional<Days> weekday(std::size_t at) const;
  std::optional<Days> with_month(std::size_t at) const;
  std::optional<Days> month_alone(std::size_t at) const;
  std::optional<Days> of_month(std::size_t at) const;
  std::optional<Days> written(std::size_t at) const;
  std::optional<Days> short_numeric(std::size_t at) const;
  std::optional<Days> in_one_word(std::size_t at) const;
  std::optional<Days> hyphenated(std::size_t end, int month, std::string_view days) const;
  std::optional<Days> first_of_two(std::size_t at) const;
  std::optional<Days> second_of_two(std::size_t at, const Days& first) const;
  Days dated(std::size_t end, int year, int month, int day) const;
  Days recent(std::size_t end, int month, int day) const;
  int connector(std::size_t& at) const;

  const NoteContext& context_;
  std::size_t at_;
};

Days DayMatcher::dated(std::size_t end, int year, int month, int day) const {
  const auto result = day_from_civil(year, month, day);
  if (!result || year < first_year || year > last_year) return doubtful(end, "a day that exists", write_iso);
  return found(end, *result, *result);
}

/// The last such day up to today; asked about where that is long ago.
Days DayMatcher::recent(std::size_t end, int month, int day) const {
  const int year = year_of(context_.today);
  const Days now = dated(end, year, month, day);
  const Days result = !now.rule.empty() || now.when.latest > context_.today ? dated(end, year - 1, month, day) : now;
  if (!result.rule.empty()) return result;
  return context_.today - result.when.latest > longest_without_year_days
             ? doubtful(end, "a year where the day is long ago or still to come", write_iso)
             : result;
}

std::optional<Days> DayMatcher::relative(std::size_t at) const {
  const Day today = context_.today;
  const auto part_of_day = [&](std::size_t i) { return skip(i, {"morning", "afternoon", "evening", "noon"}); };
  if (word(at) == "earlier" && word(at + 1) == "today") return found(at + 2, today, today);
  if (word(at) == "today" || word(at) == "tonight") return found(at + 1, today, today);
  if (word(at) == "tomorrow") return found(at + 1, today + 1, today + 1);
  if (word(at) == "this" && part_of_day(at + 1) != at + 1) return found(at + 2, today, today);
  if (word(at) == "yesterday") return found(skip(part_of_day(at + 1), {"night"}), today - 1, today - 1);
  const std::size_t behind = skip(at, {"the"});
  if (word(behind) == "day" && word(behind + 1) == "before" && word(behind + 2) == "yesterday")
    return found(behind + 3, today - 2, today - 2);
  if (word(at) == "overnight" || (word(at) == "last" && word(at + 1) == "night")) {
    Days night = found(word(at) == "last" ? at + 2 : at + 1, today - 1, today);
    night.night = true;
    return night;
  }
  return {};
}

/// `3 days ago`, `a week ago`, `two weeks ago`.
std::optional<Days> DayMatcher::ago(std::size_t at) const {
  int n = count_of(word(at));
  std::size_t i = at + 1;
  if (word(at) == "a" && word(at + 1) == "couple") n = 2, i = skip(at + 2, {"of"});
  const std::size_t few = skip(at, {"a"});
  if ((word(few) == "few" || word(few) == "some" || word(few) == "several") && word(few + 2) == "ago")
    return doubtful(few + 3, "a day, or the first and the last day that it may have been",
                    "write for example between 20 and 25 November");
  const bool weeks = word(i) == "week" || word(i) == "weeks";
  if (n == 0 || !(weeks || word(i) == "day" || word(i) == "days") || word(i + 1) != "ago") return {};
  const Day day = context_.today - n * (weeks ? 7 : 1);
  return found(i + 2, day, day);
}

/// `last week`, `over the weekend`, `in the last 3 days`.
std::optional<Days> DayMatcher::span(std::size_t at) const {
  const Day today = context_.today, monday = today - weekday_on(today);
  std::size_t i = skip(skip(at, {"in", "over", "during", "within", "on", "at", "this"}), {"the"});
  const bool led = i != at;
  if (word(at) == "this" && word(at + 1) == "week") return found(at + 2, monday, today);
  if (word(i) == "weekend" && led) return found(i + 1, monday - 2, monday - 1);
  if (word(i) != "last" && word(i) != "past") return {};
  ++i;
  if (word(i) == "weekend") return found(i + 1, monday - 2, monday - 1);
  if (word(i) == "week" && !led) return found(i + 1, monday - 7, monday - 1);
  const std::size_t behind_count = count_of(word(i)) > 0 ? i + 1 : i;
  const int n = behind_count > i ? count_of(word(i)) : 1;
  const std::string_view unit = word(behind_count);
  const bool weeks = unit == "week" || unit == "weeks";
  if ((behind_count == i && !led) || !(weeks || unit == "days" || unit == "day")) return {};
  return found(behind_count + 1, today - n * (weeks ? 7 : 1), today);
}

std::optional<Days> DayMatcher::weekday(std::size_t at) const {
  std::size_t i = skip(skip(at, {"on"}), {"last", "this", "past"});
  const bool last = i > at && (word(i - 1) == "last" || word(i - 1) == "past");
  const int wanted = weekday_of(word(i));
  if (wanted < 0) return {};
  i = skip(i + 1, {"morning", "afternoon", "evening", "night"});
  const int back = (weekday_on(context_.today) - wanted + 7) % 7;
  if (back == 0 && !last)
    return doubtful(
        i,
        "a day that can be read in one way only: today is a " + std::string(weekdays[static_cast<std::size_t>(wanted)]),
        "write today or 7 days ago");
  const Day day = context_.today - (back == 0 ? 7 : back);
  return found(i, day, day);
}

/// `Nov 20`, `20 Nov 2026`, `the 20th of November`, `Nov 20, 2026`.
std::optional<Days> DayMatcher::with_month(std::size_t at) const {
  const std::size_t begin = skip(skip(at, {"on"}), {"the"});
  std::size_t i = begin;
  int month = month_of(word(i)), day = 0;
  if (month > 0) {
    i = skip(i + 1, {"the"});
    day = day_number(word(i));
  } else {
    day = day_number(word(i));
    i = skip(i + 1, {"of"});
    month = month_of(word(i));
  }
  if (month == 0 || day == 0) return {};
  const int year = word(i + 1).size() == 4 ? whole_number(word(i + 1)) : 0;
  return year >= first_year ? dated(i + 2, year, month, day) : recent(i + 1, month, day);
}

/// `in November`: some day of it, up to today.
std::optional<Days> DayMatcher::month_alone(std::size_t at) const {
  const Day today = context_.today;
  const bool last = word(at) == "last" && word(at + 1) == "month";
  const int month = last ? (month_on(today) + 10) % 12 + 1 : word(at) == "in" ? month_of(word(at + 1)) : 0;
  if (month == 0) return {};
  const int stated = word(at + 2).size() == 4 ? whole_number(word(at + 2)) : 0;
  const int year = stated >= first_year ? stated : year_of(today) - (month > month_on(today) ? 1 : 0);
  const auto first = day_from_civil(year, month, 1);
  const auto next = month == 12 ? day_from_civil(year + 1, 1, 1) : day_from_civil(year, month + 1, 1);
  if (!first || !next) return {};
  return found(at + (stated >= first_year ? 3 : 2), *first, std::max(*first, std::min(*next - 1, today)));
}

/// `on the 5th`: the last one.
std::optional<Days> DayMatcher::of_month(std::size_t at) const {
  const std::size_t i = skip(skip(at, {"on"}), {"the"});
  const int day = ordinal(word(i));
  if (day == 0 || word(i + 1) == "instar") return {};
  int year = year_of(context_.today), month = month_on(context_.today);
  for (int tries = 0; tries < 12; ++tries) {
    const auto result = day_from_civil(year, month, day);
    if (result && *result <= context_.today) return found(i + 1, *result, *result);
    if (--month == 0) month = 12, --year;
  }
  return {};
}

/// A date in figures: `2026-11-20`, `20/11/2026`.
std::optional<Days> DayMatcher::written(std::size_t at) const {
  const std::size_t i = skip(at, {"on"});
  if (!context_.has(i)) return {};
  const std::string& text = context_.words[i].text;
  // A bare number is a value: eight digits would pass for a date of ISO 8601 otherwise.
  if (text.find_first_of("-/.") == std::string::npos) return {};
  const DateReading reading = read_date(text, context_.collection.raw.rules.date_order);
  if (reading.state == DateState::ok) return found(i + 1, reading.day, reading.day);
  if (reading.state == DateState::unreadable || reading.state == DateState::blank) return {};
  return doubtful(i + 1, "a day that exists and can be read in one way only", write_iso);
}

/// `20.11.` or `20/11`: without a year. `3/4` before a unit is a fraction and comes as an amount, which is longer.
std::optional<Days> DayMatcher::short_numeric(std::size_t at) const {
  const std::size_t i = skip(at, {"on"});
  if (!context_.has(i)) return {};
  const std::string& raw = context_.words[i].raw;
  const std::size_t mark = raw.find_first_of("./");
  if (mark == std::string::npos || raw.find_first_of("./", mark + 1) < raw.size() - 1) return {};
  std::string_view rest = std::string_view(raw).substr(mark + 1);
  const bool dotted = raw[mark] == '.';
  if (dotted && !rest.ends_with('.')) return {};
  while (!rest.empty() && (rest.back() == '.' || rest.back() == ',')) rest.remove_suffix(1);
  const int a = day_number(std::string_view(raw).substr(0, mark)), b = day_number(rest);
  if (a == 0 || b == 0) return {};
  const DateOrder order = dotted ? DateOrder::day_first : context_.collection.raw.rules.date_order;
  if (order == DateOrder::day_first || a > 12) return b <= 12 ? std::optional(recent(i + 1, b, a)) : std::nullopt;
  if (order == DateOrder::month_first || b > 12 || a == b) return recent(i + 1, a, b);
  return doubtful(i + 1, "a day that can be read in one way only", write_iso);
}

/// Two dates in one word: `2026-11-20..2026-11-25`, `today..`.
std::optional<Days> DayMatcher::in_one_word(std::size_t at) const {
  const std::size_t i = skip(at, {"on"});
  if (!context_.has(i)) return {};
  const std::string& text = context_.words[i].text;
  std::size_t mark = text.find(".."), length = 2;
  if (mark == std::string::npos) mark = text.find("\u2013"), length = 3;
  if (mark == std::string::npos || mark == 0 || mark + length >= text.size()) return {};
  const NoteWords halves = split_note(text.substr(0, mark) + " " + text.substr(mark + length));
  if (halves.words.size() != 2) return {};
  const NoteContext inner(context_.collection, halves.words, context_.today);
  const DayMatcher matcher(inner, 0);
  const auto first = matcher.one(0), last = matcher.one(1);
  if (!first || !last) return {};
  Days both = found(i + 1, first->when.earliest, last->when.latest);
  both.rule = first->rule.empty() ? last->rule : first->rule;
  both.next_step = first->rule.empty() ? last->next_step : first->next_step;
  return both;
}

std::optional<Days> DayMatcher::one(std::size_t at) const {
  std::optional<Days> best;
  for (const auto rule : {&DayMatcher::relative, &DayMatcher::ago, &DayMatcher::span, &DayMatcher::weekday,
                          &DayMatcher::with_month, &DayMatcher::month_alone, &DayMatcher::of_month,
                          &DayMatcher::written, &DayMatcher::short_numeric, &DayMatcher::in_one_word}) {
    const auto days = std::invoke(rule, this, at);
    if (days && (!best || days->end > best->end)) best = days;
  }
  return best;
}

/// What joins two days: 1 a range, 2 `and` or a comma, 3 nothing at all; 0 where there is no second day to be joined.
int DayMatcher::connector(std::size_t& at) const {
  const std::size_t begin = at;
  at = skip(at, {"to", "until", "till", "through", "or", "and"});
  if (at == begin && context_.has(at) &&
      (context_.words[at].raw == "-" || context_.words[at].raw == "\u2013" || context_.words[at].raw == ".."))
    ++at;
  if (at == begin) return context_.words[at - 1].comma ? 2 : 3;
  return word(begin) == "and" ? 2 : 1;
}

/// Both days of `3-5 Nov` or `Nov 3-5`.
std::optional<Days> DayMatcher::hyphenated(std::size_t end, int month, std::string_view days) const {
  const std::size_t hyphen = days.find('-');
  const int first = day_number(days.substr(0, hyphen));
  const int last = hyphen == std::string_view::npos ? 0 : day_number(days.substr(hyphen + 1));
  if (first == 0 || last == 0) return {};
  const Days from = recent(end, month, first), to = recent(end, month, last);
  if (!from.rule.empty() || !to.rule.empty()) return from.rule.empty() ? to : from;
  return found(end, from.when.earliest, to.when.latest);
}

/// `3` of `3 and 5 Nov` or of `3-5 Nov`: its month stands behind the second day.
std::optional<Days> DayMatcher::first_of_two(std::size_t at) const {
  const std::size_t begin = skip(skip(at, {"on"}), {"the"});
  if (!context_.has(begin)) return {};
  if (const int month = month_of(word(begin)); month > 0 && context_.has(begin + 1))
    return hyphenated(begin + 2, month, context_.words[begin + 1].text);
  const std::string& text = context_.words[begin].text;
  const std::size_t hyphen = text.find('-');
  const int a = day_number(word(begin));
  if (const int month = month_of(word(begin + 1)); month > 0 && hyphen != std::string::npos)
    return hyphenated(begin + 2, month, text);
  std::size_t i = begin + 1;
  if (a == 0 || !context_.has(i) || connector(i) == 3) return {};
  const auto second = with_month(i);
  if (!second || !second->rule.empty()) return {};
  const std::chrono::year_month_day last{std::chrono::sys_days(std::chrono::days(second->when.latest))};
  Days first =
      dated(begin + 1, static_cast<int>(last.year()), static_cast<int>(static_cast<unsigned>(last.month())), a);
  return first;
}

/// `5` of `Nov 3 to 5` or `Nov 3-5`.
std::optional<Days> DayMatcher::second_of_two(std::size_t at, const Days& first) const {
  const std::size_t i = skip(at, {"the"});
  const int day = day_number(word(i));
  const bool instead = month_of(word(i + 1)) > 0;
  if (day == 0 || instead) return {};
  const std::chrono::year_month_day from{std::chrono::sys_days(std::chrono::days(first.when.earliest))};
  return dated(i + 1, static_cast<int>(from.year()), static_cast<int>(static_cast<unsigned>(from.month())), day);
}

std::optional<NotePart> DayMatcher::match() const {
  const bool between = word(at_) == "between", from = word(at_) == "from";
  const std::size_t begin = between || from ? at_ + 1 : at_;
  auto first = first_of_two(begin);
  if (!first) first = one(begin);
  if (!first) return {};
  NotePart part;
  part.part = Part::days;
  part.begin = at_;
  part.end = first->end;
  part.when = first->when;
  part.listed = {first->when};
  part.rule = first->rule;
  part.next_step = first->next_step;
  if (first->night) part.text = "night";
  std::size_t i = first->end;
  if (!context_.has(i)) return part;
  const int joined = connector(i);
  auto second = one(i);
  const bool named_month = with_month(begin).has_value();
  if (!second && joined != 3 && named_month && (joined == 1 || between)) second = second_of_two(i, *first);
  if (!second) return part;
  if (joined == 2 && !between) {
    if (!second->rule.empty()) return part;
    part.listed.push_back(second->when);
    part.end = second->end;
    return part;
  }
  part.end = second->end;
  part.when.latest = second->when.latest;
  part.listed = {part.when};
  if (part.rule.empty()) part.rule = second->rule, part.next_step = second->next_step;
  if (part.rule.empty() && part.when.latest < part.when.earliest)
    part.rule = "a last day not before the first, " + to_iso(part.when.earliest),
    part.next_step = "swap the two, or correct one";
  return part;
}

}  // namespace

std::optional<NotePart> match_days(const NoteContext& context, std::size_t at) {
  return DayMatcher(context, at).match();
}

const std::vector<std::string_view>& day_words() {
  static const std::vector<std::string_view> words = [] {
    std::vector<std::string_view> list = {"today", "yesterday", "tonight", "overnight", "morning", "weekend"};
    list.insert(list.end(), weekdays.begin(), weekdays.end());
    list.insert(list.end(), months.begin(), months.end());
    return list;
  }();
  return words;
}

}  // namespace moltspan
