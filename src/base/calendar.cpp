#include "moltspan/base/calendar.hpp"

#include <array>
#include <chrono>
#include <cstdio>
#include <vector>

namespace moltspan {
namespace {

bool is_digit(char c) { return c >= '0' && c <= '9'; }
bool is_letter(char c) { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z'); }
bool is_blank(char c) { return c == ' ' || c == '\t' || c == '\r' || c == '\n'; }

std::string_view trim(std::string_view text) {
  while (!text.empty() && is_blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && is_blank(text.back())) text.remove_suffix(1);
  return text;
}

/// One run of digits or of letters, and what separates it from the one before.
struct Piece {
  std::string_view text;
  char separator = 0;  ///< first character that is no blank, a blank where there is nothing else, 0 for none
  bool number() const { return is_digit(text.front()); }
};

/// Splits into runs of digits and runs of letters; nothing where a separator is none of `-/.,` and blanks.
std::optional<std::vector<Piece>> split(std::string_view text) {
  std::vector<Piece> pieces;
  for (std::size_t i = 0; i < text.size();) {
    Piece piece;
    for (; i < text.size() && !is_digit(text[i]) && !is_letter(text[i]); ++i) {
      if (!is_blank(text[i]) && std::string_view("-/.,").find(text[i]) == std::string_view::npos) return {};
      if (piece.separator == 0 || is_blank(piece.separator)) piece.separator = text[i];
    }
    const std::size_t begin = i;
    const auto same = [&](char c) { return is_digit(text[begin]) ? is_digit(c) : is_letter(c); };
    while (i < text.size() && same(text[i])) ++i;
    piece.text = text.substr(begin, i - begin);
    if (piece.text.empty()) return {};
    pieces.push_back(piece);
    if (pieces.size() > 4) return {};
  }
  return pieces;
}

/// 1 to 12 for an English month name of at least three letters, else 0.
int month_of(std::string_view word) {
  static constexpr std::array<std::string_view, 12> names = {"january",   "february", "march",    "april",
                                                             "may",       "june",     "july",     "august",
                                                             "september", "october",  "november", "december"};
  std::string folded;
  for (const char c : word) folded += static_cast<char>(c | 0x20);
  if (folded == "sept") return 9;
  for (std::size_t i = 0; folded.size() >= 3 && i < names.size(); ++i)
    if (folded == names[i] || folded == names[i].substr(0, 3)) return static_cast<int>(i) + 1;
  return 0;
}

bool is_ordinal_suffix(std::string_view word) {
  std::string folded;
  for (const char c : word) folded += static_cast<char>(c | 0x20);
  return folded == "st" || folded == "nd" || folded == "rd" || folded == "th";
}

int number_of(std::string_view digits) {
  int value = 0;
  for (const char c : digits) value = 10 * value + (c - '0');
  return value;
}

DateReading civil(int year, int month, int day) {
  if (year < first_year || year > last_year) return {DateState::impossible};
  const auto result = day_from_civil(year, month, day);
  return result ? DateReading{DateState::ok, *result} : DateReading{DateState::impossible};
}

/// Day and month in an order that is not known: fine where only one reading is a date, or both are the same.
DateReading either_order(int first, int second, int year) {
  const DateReading day_first = civil(year, second, first), month_first = civil(year, first, second);
  if (day_first.state != DateState::ok) return month_first;
  if (month_first.state != DateState::ok || first == second) return day_first;
  return {DateState::ambiguous};
}

DateReading three_numbers(const std::vector<Piece>& pieces, DateOrder order) {
  const std::string_view a = pieces[0].text, b = pieces[1].text, c = pieces[2].text;
  const char separator = pieces[1].separator;
  if (separator != pieces[2].separator || separator == ',') return {DateState::unreadable};
  if (b.size() > 2) return {DateState::unreadable};
  if (a.size() == 4 && c.size() <= 2) return civil(number_of(a), number_of(b), number_of(c));
  if (a.size() > 2) return {DateState::unreadable};
  if (c.size() <= 2) return {DateState::two_digit_year};
  if (c.size() != 4) return {DateState::unreadable};
  const int first = number_of(a), second = number_of(b), year = number_of(c);
  if (order == DateOrder::month_first) return civil(year, first, second);
  if (order == DateOrder::day_first || separator == '.') return civil(year, second, first);
  return either_order(first, second, year);
}

/// `3 April 2026`, `April 3 2026`, `2026 April 3`.
DateReading with_month_name(const std::vector<Piece>& pieces) {
  int month = 0;
  std::vector<std::string_view> numbers;
  for (const Piece& piece : pieces) {
    if (piece.number())
      numbers.push_back(piece.text);
    else if (month == 0)
      month = month_of(piece.text);
    else
      return {DateState::unreadable};
  }
  if (month == 0 || numbers.size() != 2) return {DateState::unreadable};
  if (numbers[0].size() == 4) std::swap(numbers[0], numbers[1]);
  if (numbers[0].size() > 2) return {DateState::unreadable};
  if (numbers[1].size() <= 2) return {DateState::two_digit_year};
  if (numbers[1].size() != 4) return {DateState::unreadable};
  return civil(number_of(numbers[1]), month, number_of(numbers[0]));
}

/// Drops `T12:30:00Z`, ` 12:30 PM` and the like from the end; leaves a text whose time is no time as it is.
std::string_view without_time(std::string_view text) {
  const std::size_t colon = text.find(':');
  if (colon == std::string_view::npos) return text;
  std::size_t begin = colon;
  while (begin > 0 && is_digit(text[begin - 1])) --begin;
  const bool hour = colon > begin && colon - begin <= 2 && number_of(text.substr(begin, colon - begin)) <= 24;
  if (!hour || begin == 0 || colon + 1 >= text.size() || !is_digit(text[colon + 1])) return text;
  const char before = text[begin - 1];
  if (before != ' ' && before != 'T' && before != 't') return text;
  return trim(text.substr(0, begin - 1));
}

bool is_plain_iso(std::string_view text) {
  if (text.size() != 10 || text[4] != '-' || text[7] != '-') return false;
  for (const int i : {0, 1, 2, 3, 5, 6, 8, 9})
    if (!is_digit(text[i])) return false;
  return true;
}

}  // namespace

DateReading read_date(std::string_view text, DateOrder order) {
  text = trim(text);
  if (text.empty()) return {DateState::blank};
  if (is_plain_iso(text))
    return civil(number_of(text.substr(0, 4)), number_of(text.substr(5, 2)), number_of(text.substr(8)));
  text = without_time(text);
  auto pieces = split(text);
  if (!pieces) return {DateState::unreadable};
  std::erase_if(*pieces, [](const Piece& p) { return p.separator == 0 && is_ordinal_suffix(p.text); });
  for (const Piece& piece : *pieces)
    if (piece.number() && piece.text.size() > 8) return {DateState::unreadable};
  if (pieces->size() == 1 && pieces->front().text.size() == 8 && pieces->front().number()) {
    const std::string_view digits = pieces->front().text;
    return civil(number_of(digits.substr(0, 4)), number_of(digits.substr(4, 2)), number_of(digits.substr(6)));
  }
  if (pieces->size() != 3) return {DateState::unreadable};
  for (const Piece& piece : *pieces)
    if (!piece.number()) return with_month_name(*pieces);
  return three_numbers(*pieces, order);
}

std::optional<Day> day_from_civil(int year, int month, int day) {
  if (year < -9999 || year > 9999 || month < 1 || month > 12 || day < 1 || day > 31) return {};
  const std::chrono::year_month_day date{std::chrono::year(year), std::chrono::month(static_cast<unsigned>(month)),
                                         std::chrono::day(static_cast<unsigned>(day))};
  if (!date.ok()) return {};
  return static_cast<Day>(std::chrono::sys_days(date).time_since_epoch().count());
}

std::string to_iso(Day day) {
  const std::chrono::year_month_day date{std::chrono::sys_days(std::chrono::days(day))};
  std::array<char, 40> buffer;
  const int length = std::snprintf(buffer.data(), buffer.size(), "%04d-%02u-%02u", static_cast<int>(date.year()),
                                   static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()));
  return std::string(buffer.data(), static_cast<std::size_t>(length));
}

}  // namespace moltspan
