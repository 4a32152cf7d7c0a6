#include "records/csv.hpp"

#include <csv.h>

#include <algorithm>
#include <stdexcept>
#include <unordered_set>

#include "moltspan/records/records.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

constexpr std::string_view utf8_mark = "\xef\xbb\xbf";

/// Unclosed quotes after which reading starts again on the next line; the rest of the file is one fault after that.
constexpr int most_restarts = 50;

std::string latin1_to_utf8(std::string_view text) {
  std::string result;
  result.reserve(text.size() + text.size() / 8);
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (byte < 0x80) {
      result += c;
    } else {
      result += static_cast<char>(0xc0 | (byte >> 6));
      result += static_cast<char>(0x80 | (byte & 0x3f));
    }
  }
  return result;
}

/// Length of the well-formed UTF-8 sequence at the beginning, 0 where it is none (NUL counts as none).
std::size_t sequence_length(std::string_view text) {
  const auto at = [&](std::size_t i) { return i < text.size() ? static_cast<unsigned char>(text[i]) : 0u; };
  const auto next = [&](std::size_t i, unsigned low = 0x80, unsigned high = 0xbf) {
    return at(i) >= low && at(i) <= high;
  };
  const unsigned lead = at(0);
  if (lead > 0 && lead < 0x80) return 1;
  if (lead >= 0xc2 && lead <= 0xdf) return next(1) ? 2 : 0;
  if (lead >= 0xe0 && lead <= 0xef)
    return next(1, lead == 0xe0 ? 0xa0 : 0x80, lead == 0xed ? 0x9f : 0xbf) && next(2) ? 3 : 0;
  if (lead >= 0xf0 && lead <= 0xf4)
    return next(1, lead == 0xf0 ? 0x90 : 0x80, lead == 0xf4 ? 0x8f : 0xbf) && next(2) && next(3) ? 4 : 0;
  return 0;
}

std::size_t line_length(std::string_view text) {
  const std::size_t end = text.find_first_of("\r\n");
  if (end == std::string_view::npos) return text.size();
  return end + (text.substr(end, 2) == "\r\n" ? 2 : 1);
}

char commonest_delimiter(std::string_view line) {
  int commas = 0, semicolons = 0, tabs = 0;
  bool quoted = false;
  for (const char c : line) {
    if (c == '"') quoted = !quoted;
    if (quoted) continue;
    commas += c == ',';
    semicolons += c == ';';
    tabs += c == '\t';
  }
  if (semicolons > commas && semicolons >= tabs) return ';';
  return tabs > commas ? '\t' : ',';
}

/// Gathers cells, row by row, into the columns of a table. In a `ragged` one (CSV) rows end where they like, so that a
/// heading left blank at the end is no column.
class Builder {
 public:
  Builder(std::string source, bool ragged) : ragged_(ragged) { table_.source = std::move(source); }

  void cell(const char* text, std::size_t length) { row_.emplace_back(text, length); }
  void end_row();
  void begin_line(std::int64_t line) {
    if (row_.empty() && !inside_) line_ = line;
    inside_ = true;
  }
  bool inside() const { return inside_; }
  std::int64_t line() const { return line_; }
  void forget_row() {
    row_.clear();
    inside_ = false;
  }

  void problem(Severity severity, std::int64_t row, std::string column, std::string value, std::string rule,
               std::string next_step);
  TextTable take();

 private:
  void header();
  void data();
  bool blank_row() const;

  TextTable table_;
  std::vector<std::string> row_;
  std::int64_t line_ = 1;
  bool ragged_;
  bool inside_ = false, has_header_ = false;
};

void Builder::problem(Severity severity, std::int64_t row, std::string column, std::string value, std::string rule,
                      std::string next_step) {
  table_.problems.push_back(
      {severity, table_.source, row, "", std::move(column), std::move(value), std::move(rule), std::move(next_step)});
}

bool Builder::blank_row() const {
  return std::all_of(row_.begin(), row_.end(), [](const std::string& cell) { return trim(cell).empty(); });
}

void Builder::end_row() {
  if (!blank_row()) has_header_ ? data() : header();
  forget_row();
}

void Builder::header() {
  has_header_ = true;
  while (ragged_ && !row_.empty() && trim(row_.back()).empty()) row_.pop_back();
  std::unordered_set<std::string> seen;
  for (std::size_t i = 0; i < row_.size(); ++i) {
    std::string name(trim(row_[i]));
    if (name.empty()) {
      name = "column " + std::to_string(i + 1);
      problem(Severity::doubt, line_, name, "", "every column has a name in the first row",
              "name the column; it is carried along as '" + name + "'");
    }
    if (!seen.insert(name).second)
      problem(Severity::fault, line_, name, name, "every column name is used once",
              "rename or remove one of the two columns '" + name + "'");
    table_.columns.push_back(std::move(name));
  }
  table_.cells.resize(table_.columns.size());
}

void Builder::data() {
  const std::size_t wanted = table_.columns.size();
  std::size_t found = row_.size();
  while (found > wanted && trim(row_[found - 1]).empty()) --found;
  // Cells left out at the end are blank; where one was needed, the rule of its column says so.
  if (found > wanted)
    problem(Severity::fault, line_, "", std::to_string(found) + " cells",
            "no more cells than the first row has columns: " + std::to_string(wanted),
            "put quotes around a text that holds the delimiter, or take the extra cells out");
  row_.resize(wanted);
  for (std::size_t i = 0; i < wanted; ++i) table_.cells[i].push_back(std::move(row_[i]));
  table_.rows.push_back(line_);
}

TextTable Builder::take() {
  if (!has_header_)
    problem(Severity::fault, 0, "", "", "a first row of column names",
            "write the names of the columns in the first row");
  for (auto& column : table_.cells) column.shrink_to_fit();
  return std::move(table_);
}

void on_cell(void* text, std::size_t length, void* builder) {
  static_cast<Builder*>(builder)->cell(static_cast<const char*>(text), length);
}

void on_row(int, void* builder) { static_cast<Builder*>(builder)->end_row(); }

/// A libcsv parser that frees itself.
class Parser {
 public:
  Parser(char delimiter, bool quotes) {
    if (csv_init(&parser_, 0) != 0) throw std::runtime_error("the CSV reader could not start");
    csv_set_delim(&parser_, static_cast<unsigned char>(delimiter));
    if (!quotes) csv_set_quote(&parser_, 0);  // NUL is in no text that comes here
  }
  ~Parser() { csv_free(&parser_); }
  Parser(const Parser&) = delete;
  Parser& operator=(const Parser&) = delete;

  void feed(std::string_view text, Builder& builder) {
    if (csv_parse(&parser_, text.data(), text.size(), on_cell, on_row, &builder) != text.size())
      throw std::runtime_error("out of memory while reading a table");
  }
  /// Ends the last row. False where that is not possible because a quote is still open.
  bool finish(Builder& builder) {
    feed("\n", builder);
    return !builder.inside();
  }

 private:
  csv_parser parser_;
};

/// Reads line by line, so that each row knows its line. Returns what is left: the text from the line after the one
/// where a row began whose quote never closes; nothing when all was read.
std::string_view read_lines(std::string_view text, char delimiter, std::int64_t& line, Builder& builder) {
  Parser parser(delimiter, true);
  std::string_view row_begin = text;
  std::int64_t row_line = line;
  while (!text.empty()) {
    if (!builder.inside()) {
      row_begin = text;
      row_line = line;
    }
    builder.begin_line(line);
    const std::size_t length = line_length(text);
    parser.feed(text.substr(0, length), builder);
    // A line that is blank ends no row for libcsv; forget that one began here, unless a quoted cell runs on.
    if (builder.inside() && row_begin.data() == text.data() && trim(text.substr(0, length)).empty())
      builder.forget_row();
    text.remove_prefix(length);
    ++line;
  }
  if (!builder.inside() || parser.finish(builder)) return {};
  builder.forget_row();
  builder.problem(Severity::fault, row_line, "",
                  std::string(row_begin.substr(0, std::min<std::size_t>(40, line_length(row_begin)))),
                  "a quote that opens a text is closed again", "close or remove the quote in this row");
  const std::size_t length = line_length(row_begin);
  Parser without_quotes(delimiter, false);
  builder.begin_line(row_line);
  without_quotes.feed(row_begin.substr(0, length), builder);
  without_quotes.finish(builder);
  line = row_line + 1;
  return row_begin.substr(length);
}

void read_text(std::string_view text, const CsvShape& shape, Builder& builder) {
  std::int64_t line = 1;
  std::string_view before = text.substr(0, shape.header_begin);
  for (; !before.empty() && before != utf8_mark; ++line) before.remove_prefix(line_length(before));
  text.remove_prefix(shape.header_begin);
  for (int restarts = 0; !text.empty(); ++restarts) {
    if (restarts == most_restarts) {
      builder.problem(Severity::fault, line, "", "", "quotes that open a text are closed again",
                      "mend the quotes above first: nothing from this row on was read");
      return;
    }
    text = read_lines(text, shape.delimiter, line, builder);
  }
}

}  // namespace

bool is_utf8(std::string_view text) {
  while (!text.empty()) {
    const std::size_t length = sequence_length(text);
    if (length == 0) return false;
    text.remove_prefix(length);
  }
  return true;
}

namespace {

/// The delimiter of a first line `sep=;`, as spreadsheets write it: also `"sep=;"`, and filled up with delimiters to
/// the width of the table. 0 where the line is none.
char stated_delimiter(std::string_view line) {
  const std::size_t quote = line.starts_with('"') ? 1 : 0;
  if (line.size() < quote + 5 || fold(line.substr(quote, 4)) != "sep=") return 0;
  const char delimiter = line[quote + 4];
  if (std::string_view(",;\t").find(delimiter) == std::string_view::npos) return 0;
  const auto fills = [&](char c) { return c == delimiter || c == '"' || c == ' ' || c == '\r' || c == '\n'; };
  return std::all_of(line.begin() + static_cast<std::ptrdiff_t>(quote) + 5, line.end(), fills) ? delimiter : '\0';
}

}  // namespace

CsvShape sniff_csv(std::string_view text) {
  CsvShape shape;
  shape.byte_order_mark = text.starts_with(utf8_mark);
  if (shape.byte_order_mark) shape.header_begin = utf8_mark.size();
  const std::size_t end = text.find_first_of("\r\n");
  if (end != std::string_view::npos)
    shape.line_end = text[end] == '\n' ? "\n" : text.substr(end, 2) == "\r\n" ? "\r\n" : "\r";
  std::string_view line = text.substr(shape.header_begin);
  if (const char stated = stated_delimiter(line.substr(0, line_length(line)))) {
    shape.delimiter = stated;
    shape.header_begin += line_length(line);
    return shape;
  }
  while (!line.empty() && trim(line.substr(0, line_length(line))).empty()) line.remove_prefix(line_length(line));
  shape.delimiter = commonest_delimiter(line.substr(0, line_length(line)));
  return shape;
}

std::string csv_cell(std::string_view cell, char delimiter) {
  const bool plain = cell.find_first_of("\"\r\n") == std::string_view::npos &&
                     cell.find(delimiter) == std::string_view::npos && trim(cell).size() == cell.size();
  if (plain) return std::string(cell);
  std::string quoted(2 * cell.size() + 2, '\0');
  quoted.resize(csv_write(quoted.data(), quoted.size(), cell.data(), cell.size()));
  return quoted;
}

TextTable read_csv(std::string_view text, std::string source) {
  Builder builder(std::move(source), true);
  if (text.find('\0') != std::string_view::npos) {
    builder.problem(Severity::fault, 0, "", "", "plain text in UTF-8",
                    "save the table as CSV in UTF-8 (a spreadsheet file or UTF-16 text cannot be read)");
    return builder.take();
  }
  std::string converted;
  if (!is_utf8(text)) {
    builder.problem(Severity::doubt, 0, "", "", "text in UTF-8",
                    "it was read as Latin-1; save the table as CSV in UTF-8 if letters look wrong");
    text = converted = latin1_to_utf8(text);
  }
  read_text(text, sniff_csv(text), builder);
  return builder.take();
}

TextTable table_of_sheet(const std::vector<std::vector<std::string>>& rows, std::string source) {
  Builder builder(std::move(source), false);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    builder.begin_line(static_cast<std::int64_t>(i) + 1);
    for (const std::string& cell : rows[i]) builder.cell(cell.data(), cell.size());
    builder.end_row();
  }
  return builder.take();
}

}  // namespace moltspan
