#include "records/fields.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <vector>

#include "records/words.hpp"

namespace moltspan {
namespace {

bool is_digit(char c) { return c >= '0' && c <= '9'; }

std::size_t count_of(std::string_view text, char c) {
  std::size_t n = 0;
  for (const char other : text) n += other == c;
  return n;
}

/// Digits and separators at the beginning; a separator belongs to the number only when a digit follows it.
std::string_view numeral(std::string_view text) {
  std::size_t end = 0;
  while (end < text.size()) {
    const bool separator = text[end] == '.' || text[end] == ',';
    if (!is_digit(text[end]) && !(separator && end + 1 < text.size() && is_digit(text[end + 1]))) break;
    ++end;
  }
  return text.substr(0, end);
}

/// Whether a thousands separator splits off groups of exactly three digits, the first of one to three.
bool well_grouped(std::string_view whole, char separator) {
  std::size_t at = whole.find(separator);
  if (at == 0 || at > 3 || whole.front() == '0') return false;
  while (at != std::string_view::npos) {
    const std::size_t next = whole.find(separator, at + 1);
    if ((next == std::string_view::npos ? whole.size() : next) - at != 4) return false;
    at = next;
  }
  return true;
}

bool parse_plain(const std::string& plain, double& value) {
  const auto result = std::from_chars(plain.data(), plain.data() + plain.size(), value);
  return result.ec == std::errc() && result.ptr == plain.data() + plain.size() && std::isfinite(value);
}

std::string without(std::string_view text, char separator) {
  std::string result;
  for (const char c : text)
    if (c != separator) result += c;
  return result;
}

/// The numeral with a dot as its decimal separator and none for thousands; blank where its separators make no sense.
std::string plain_numeral(std::string_view text, NumberState& state) {
  const std::size_t commas = count_of(text, ','), dots = count_of(text, '.');
  if (commas + dots == 0) return std::string(text);
  const char last = text[text.find_last_of(",.")];
  const char other = last == ',' ? '.' : ',';
  const std::size_t at = text.find(last);
  const bool mixed = commas > 0 && dots > 0;
  if (count_of(text, last) > 1) return !mixed && well_grouped(text, last) ? without(text, last) : std::string();
  const std::string_view whole = text.substr(0, at), decimals = text.substr(at + 1);
  if (mixed && !well_grouped(whole, other)) return {};
  if (!mixed && last == ',' && decimals.size() == 3 && whole.size() <= 3 && whole != "0" && !whole.empty())
    state = NumberState::ambiguous;
  return without(whole, other) + "." + std::string(decimals);
}

/// Length of an exponent such as `e-3`, 0 where there is none.
std::size_t exponent_length(std::string_view text) {
  if (text.empty() || (text[0] != 'e' && text[0] != 'E')) return 0;
  std::size_t end = text.size() > 1 && (text[1] == '-' || text[1] == '+') ? 2 : 1;
  const std::size_t digits = end;
  while (end < text.size() && is_digit(text[end])) ++end;
  return end > digits ? end : 0;
}

/// `a/b` at the beginning; its value is added to `value` and the text behind it returned.
std::optional<std::string_view> fraction(std::string_view text, double& value) {
  const std::string_view top = numeral(text);
  if (top.empty() || top.size() > 2 || top.size() >= text.size() || text[top.size()] != '/') return {};
  const std::string_view bottom = numeral(text.substr(top.size() + 1));
  double a = 0, b = 0;
  if (bottom.empty() || bottom.size() > 2 || !parse_plain(std::string(top), a) || !parse_plain(std::string(bottom), b))
    return {};
  if (b == 0 || a >= b) return {};
  value += a / b;
  return text.substr(top.size() + 1 + bottom.size());
}

}  // namespace

NumberReading read_number(std::string_view text) {
  text = trim(text);
  if (text.empty()) return {NumberState::blank, unknown_number, {}};
  const bool negative = text.front() == '-';
  if (negative || text.front() == '+') text.remove_prefix(1);
  double value = 0;
  const double sign = negative ? -1 : 1;
  if (const auto rest = fraction(text, value)) return {NumberState::ok, sign * value, trim(*rest)};
  const std::string_view digits = numeral(text);
  NumberState state = NumberState::ok;
  std::string plain = digits.empty() ? std::string() : plain_numeral(digits, state);
  std::string_view rest = text.substr(digits.size());
  const std::size_t exponent = exponent_length(rest);
  if (!plain.empty()) plain += without(rest.substr(0, exponent), '+');
  rest.remove_prefix(exponent);
  if (plain.empty() || !parse_plain(plain, value)) return {NumberState::unreadable, unknown_number, text};
  const bool whole = digits.find_first_of(",.") == std::string_view::npos && exponent == 0;
  if (whole && !rest.empty() && rest.front() == ' ')
    if (const auto behind = fraction(trim(rest), value)) rest = *behind;
  return {state, sign * value, trim(rest)};
}

namespace {

constexpr double inch = 25.4, gallon_l = 3.785411784;

constexpr std::array<std::pair<std::string_view, Unit>, 46> units = {{
    {"mm", {Quantity::length, 1}},
    {"millimeter", {Quantity::length, 1}},
    {"millimeters", {Quantity::length, 1}},
    {"millimetre", {Quantity::length, 1}},
    {"millimetres", {Quantity::length, 1}},
    {"cm", {Quantity::length, 10}},
    {"centimeter", {Quantity::length, 10}},
    {"centimeters", {Quantity::length, 10}},
    {"centimetre", {Quantity::length, 10}},
    {"centimetres", {Quantity::length, 10}},
    {"um", {Quantity::length, 1e-3}},
    {"\u00b5m", {Quantity::length, 1e-3}},
    {"\u03bcm", {Quantity::length, 1e-3}},
    {"in", {Quantity::length, inch}},
    {"in.", {Quantity::length, inch}},
    {"inch", {Quantity::length, inch}},
    {"inches", {Quantity::length, inch}},
    {"\"", {Quantity::length, inch}},
    {"''", {Quantity::length, inch}},
    {"\u2033", {Quantity::length, inch}},
    {"\u201d", {Quantity::length, inch}},
    {"g", {Quantity::mass, 1}},
    {"gram", {Quantity::mass, 1}},
    {"grams", {Quantity::mass, 1}},
    {"mg", {Quantity::mass, 1e-3}},
    {"milligram", {Quantity::mass, 1e-3}},
    {"milligrams", {Quantity::mass, 1e-3}},
    {"c", {Quantity::temperature, 1}},
    {"\u00b0c", {Quantity::temperature, 1}},
    {"degc", {Quantity::temperature, 1}},
    {"celsius", {Quantity::temperature, 1}},
    {"f", {Quantity::temperature, 5. / 9, true}},
    {"\u00b0f", {Quantity::temperature, 5. / 9, true}},
    {"degf", {Quantity::temperature, 5. / 9, true}},
    {"fahrenheit", {Quantity::temperature, 5. / 9, true}},
    {"l", {Quantity::volume, 1}},
    {"liter", {Quantity::volume, 1}},
    {"liters", {Quantity::volume, 1}},
    {"litre", {Quantity::volume, 1}},
    {"litres", {Quantity::volume, 1}},
    {"ml", {Quantity::volume, 1e-3}},
    {"gal", {Quantity::volume, gallon_l}},
    {"gal.", {Quantity::volume, gallon_l}},
    {"gallon", {Quantity::volume, gallon_l}},
    {"gallons", {Quantity::volume, gallon_l}},
    {"ltr", {Quantity::volume, 1}},
}};

}  // namespace

std::optional<Unit> find_unit(std::string_view word) {
  const std::string folded = fold(word);
  for (const auto& [name, unit] : units)
    if (folded == name) return unit;
  return {};
}

std::string_view unit_words(Quantity quantity) {
  static constexpr std::array<std::string_view, 4> words = {"mm, cm or in", "g or mg", "C or F", "l or gal"};
  return words[static_cast<std::size_t>(quantity)];
}

double in_base_units(double value, const Unit& unit) { return (unit.fahrenheit ? value - 32 : value) * unit.factor; }

SizeReadingText read_quantity(std::string_view value, std::string_view unit, Quantity quantity,
                              std::string_view usual_unit) {
  const NumberReading number = read_number(value);
  if (number.state == NumberState::ambiguous) return {SizeState::ambiguous};
  if (number.state != NumberState::ok) return {SizeState::unreadable};
  const auto beside = find_unit(unit), behind = find_unit(number.rest);
  if (!trim(unit).empty() && !beside) return {SizeState::unknown_unit};
  if (!number.rest.empty() && !behind) {
    const char first = number.rest.front();
    const bool letters = (first | 0x20) >= 'a' && (first | 0x20) <= 'z';
    return {letters ? SizeState::unknown_unit : SizeState::unreadable};
  }
  if (beside && behind && (beside->quantity != behind->quantity || beside->factor != behind->factor))
    return {SizeState::two_units};
  const auto used = behind ? behind : beside ? beside : find_unit(usual_unit);
  if (!used) return {SizeState::no_unit};
  if (used->quantity != quantity) return {SizeState::wrong_quantity};
  return {SizeState::ok, in_base_units(number.value, *used), used->factor};
}

namespace {

/// Length of a sign for times at the beginning: `x`, `X`, `*`, the real one; 0 for none.
std::size_t times_sign(std::string_view text) {
  if (text.empty()) return 0;
  if (text[0] == 'x' || text[0] == 'X' || text[0] == '*') return 1;
  return text.starts_with("\u00d7") ? 2 : 0;
}

std::vector<std::string_view> split_at_times(std::string_view text) {
  std::vector<std::string_view> parts;
  std::size_t begin = 0;
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t sign = times_sign(text.substr(i));
    if (sign > 0) parts.push_back(text.substr(begin, i - begin));
    i += sign > 0 ? sign : 1;
    if (sign > 0) begin = i;
  }
  parts.push_back(text.substr(begin));
  return parts;
}

/// Numbers as written and the one unit that stands behind some of them.
struct Dimensions {
  EnclosureState state = EnclosureState::ok;
  std::vector<double> numbers;
  std::string_view unit;
};

Dimensions read_dimensions(const std::vector<std::string_view>& parts) {
  Dimensions result;
  for (const std::string_view part : parts) {
    const NumberReading number = read_number(part);
    if (number.state == NumberState::ambiguous) return {EnclosureState::ambiguous, {}, {}};
    if (number.state != NumberState::ok) return {EnclosureState::unreadable, {}, {}};
    if (!number.rest.empty() && !result.unit.empty() && number.rest != result.unit)
      return {EnclosureState::two_units, {}, {}};
    if (!number.rest.empty()) result.unit = number.rest;
    result.numbers.push_back(number.value);
  }
  return result;
}

/// The unit of an enclosure from behind its numbers, its cell or the folder; the state says what is wrong with it.
EnclosureState enclosure_unit(std::string_view behind, std::string_view cell, std::string_view usual, Unit& unit) {
  const auto a = find_unit(behind), b = find_unit(cell);
  if ((!behind.empty() && !a) || (!trim(cell).empty() && !b)) return EnclosureState::unknown_unit;
  if (a && b && a->factor != b->factor) return EnclosureState::two_units;
  const auto used = a ? a : b ? b : find_unit(usual);
  if (!used) return EnclosureState::no_unit;
  unit = *used;
  return unit.quantity == Quantity::length || unit.quantity == Quantity::volume ? EnclosureState::ok
                                                                                : EnclosureState::unknown_unit;
}

bool sensible_mm(double size_mm) { return size_mm > 0 && size_mm <= largest_enclosure_mm; }

EnclosureReading box_of(const std::vector<double>& mm, bool substrate) {
  EnclosureReading result{EnclosureState::ok, {}};
  EnclosureSize& size = result.size;
  const std::size_t sides = mm.size() - (substrate ? 1 : 0);
  size.round = sides == 2;
  size.w_mm = mm[0];
  size.d_mm = size.round ? mm[0] : mm[1];
  size.h_mm = mm[sides - 1];
  if (substrate) size.substrate_mm = mm.back();
  if (!sensible_mm(size.w_mm) || !sensible_mm(size.d_mm) || !sensible_mm(size.h_mm) ||
      (substrate && size.substrate_mm < 0))
    result.state = EnclosureState::absurd;
  else if (substrate && size.substrate_mm >= size.h_mm)
    result.state = EnclosureState::too_deep;
  return result;
}

}  // namespace

EnclosureReading read_enclosure(std::string_view value, std::string_view unit, std::string_view usual_unit) {
  const std::size_t slash = value.find('/');
  std::vector<std::string_view> parts = split_at_times(value.substr(0, slash));
  const std::size_t sides = parts.size();
  if (slash != std::string_view::npos) parts.push_back(value.substr(slash + 1));
  const Dimensions dimensions = read_dimensions(parts);
  if (dimensions.state != EnclosureState::ok) return {dimensions.state, {}};
  Unit used;
  const EnclosureState state = enclosure_unit(dimensions.unit, unit, usual_unit, used);
  if (state != EnclosureState::ok) return {state, {}};
  if (used.quantity == Quantity::volume) {
    if (parts.size() != 1 || dimensions.numbers[0] <= 0) return {EnclosureState::unreadable, {}};
    EnclosureReading result{EnclosureState::volume_only, {}};
    result.size.volume_l = dimensions.numbers[0] * used.factor;
    return result;
  }
  if (sides < 2 || sides > 3) return {EnclosureState::unreadable, {}};
  std::vector<double> mm;
  for (const double number : dimensions.numbers) mm.push_back(number * used.factor);
  return box_of(mm, slash != std::string_view::npos);
}

}  // namespace moltspan
