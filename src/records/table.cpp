#include "records/table.hpp"

#include <algorithm>
#include <cstdio>
#include <stdexcept>

#include "records/words.hpp"

namespace moltspan {

TableView::TableView(const TextTable& table, const FolderRules& rules, const std::vector<std::string_view>& known,
                     const std::vector<std::string_view>& required, std::vector<Problem>& problems)
    : table_(&table) {
  for (const auto& cells : table.cells)
    if (cells.size() != table.rows.size() || table.cells.size() != table.columns.size())
      throw std::invalid_argument(table.source + ": every column needs one cell a row");
  for (const Problem& problem : table.problems) {
    if (problem.severity == Severity::fault) broken_.emplace(problem.row, problems.size());
    problems.push_back(problem);
  }
  find_columns(rules, known, problems);
  if (table.columns.empty() && !table.problems.empty()) usable_ = false;
  for (const std::string_view name : required) {
    if (column(name) >= 0 || !usable_) continue;
    usable_ = false;
    problems.push_back({Severity::fault, file(), 0, "", std::string(name), "",
                        "the column '" + std::string(name) + "'; it has " + headings(),
                        "add the column, or say in folder.toml under [columns] which of yours it is, such as \"" +
                            (table.columns.empty() ? "my word" : table.columns.front()) + "\" = \"" +
                            std::string(name) + "\""});
  }
}

std::string TableView::headings() const {
  constexpr std::size_t most = 12;
  std::string list;
  for (std::size_t i = 0; i < std::min(most, table_->columns.size()); ++i)
    list += (i ? ", " : "") + table_->columns[i].substr(0, 40);
  return list.empty() ? "none" : table_->columns.size() > most ? list + ", ..." : list;
}

void TableView::find_columns(const FolderRules& rules, const std::vector<std::string_view>& known,
                             std::vector<Problem>& problems) {
  const ColumnWords words(rules);
  for (std::size_t i = 0; i < table_->columns.size(); ++i) {
    const std::string& heading = table_->columns[i];
    std::string name = words.ours(heading);
    const bool ours = std::find(known.begin(), known.end(), name) != known.end();
    if (ours && column(name) >= 0) {
      usable_ = false;
      problems.push_back({Severity::fault, file(), 0, "", heading, heading, "one column '" + name + "'",
                          in_quotes(this->heading(name)) + " and " + in_quotes(heading) +
                              " both mean it: rename or remove one, or correct [columns] in folder.toml"});
    }
    if (!ours && name.size() > 3)
      for (const std::string_view other : known)
        if (differ_by_one(name, other))
          problems.push_back({Severity::doubt, file(), 0, "", heading, heading,
                              "a column of ours, or another word than '" + std::string(other) + "'",
                              "rename it if '" + std::string(other) + "' was meant; it is carried along unread"});
    columns_.try_emplace(std::move(name), static_cast<int>(i));
  }
}

int TableView::column(std::string_view name) const {
  const auto found = columns_.find(name);
  return found == columns_.end() ? -1 : found->second;
}

std::string TableView::heading(std::string_view name) const {
  const int index = column(name);
  return index < 0 ? std::string(name) : table_->columns[static_cast<std::size_t>(index)];
}

std::string_view TableView::cell(int column, std::size_t row) const {
  return column < 0 ? std::string_view() : trim(table_->cells[static_cast<std::size_t>(column)][row]);
}

void TableView::name_broken(std::size_t row, const std::string& animal, std::vector<Problem>& problems) const {
  const auto [begin, end] = broken_.equal_range(line(row));
  for (auto fault = begin; fault != end; ++fault) problems[fault->second].animal = animal;
}

bool TableView::blank(std::size_t row) const {
  return std::all_of(table_->cells.begin(), table_->cells.end(),
                     [&](const auto& cells) { return trim(cells[row]).empty(); });
}

void RowReport::fault(std::string_view column, std::string_view value, std::string rule, std::string next_step) {
  faulty = true;
  problems.push_back({Severity::fault, table.file(), table.line(row), animal, table.heading(column), std::string(value),
                      std::move(rule), std::move(next_step)});
}

void RowReport::doubt(std::string_view column, std::string_view value, std::string rule, std::string next_step) {
  problems.push_back({Severity::doubt, table.file(), table.line(row), animal, table.heading(column), std::string(value),
                      std::move(rule), std::move(next_step)});
}

std::optional<Day> read_day(RowReport& report, std::string_view column, std::string_view text, DateOrder order) {
  const DateReading reading = read_date(text, order);
  switch (reading.state) {
    case DateState::ok:
      return reading.day;
    case DateState::blank:
      return {};
    case DateState::unreadable:
      report.fault(
          column, text, "a date such as 2026-04-03",
          column == "date" || column == "until"
              ? "write it as YYYY-MM-DD; where only the month is known, its first day in date and its last in until"
              : "write it as YYYY-MM-DD, or leave the cell blank and put what is known into note");
      return {};
    case DateState::impossible:
      report.fault(column, text,
                   "a day that exists, from " + std::to_string(first_year) + " to " + std::to_string(last_year),
                   order == DateOrder::unstated
                       ? "look the date up again and write it as YYYY-MM-DD"
                       : "look the date up again and write it as YYYY-MM-DD, or correct date_order in folder.toml");
      return {};
    case DateState::ambiguous:
      report.fault(column, text, "a date that can be read in one way only",
                   "write it as YYYY-MM-DD, or state date_order = \"day_first\" or \"month_first\" in folder.toml");
      return {};
    case DateState::two_digit_year:
      report.fault(column, text, "a year of four digits", "write it as YYYY-MM-DD");
      return {};
  }
  return {};
}

double read_plain_number(RowReport& report, std::string_view column, std::string_view text, double least, double most) {
  const NumberReading number = read_number(text);
  if (number.state == NumberState::blank) return unknown_number;
  if (number.state == NumberState::ambiguous) {
    report_size_fault(report, column, text, "", SizeState::ambiguous, Quantity::length);
  } else if (number.state != NumberState::ok || !number.rest.empty()) {
    report.fault(column, text, "a number and nothing else", "write the number alone; words belong into note");
  } else if (number.value < least || number.value > most) {
    report.fault(column, text, "a number from " + number_text(least) + " to " + number_text(most),
                 "look the number up again");
  } else {
    return number.value;
  }
  return unknown_number;
}

double read_length_mm(RowReport& report, std::string_view column, std::string_view text, std::string_view unit,
                      std::string_view usual_unit, double most_mm) {
  if (text.empty()) return unknown_number;
  const SizeReadingText size = read_quantity(text, unit, Quantity::length, usual_unit);
  if (size.state != SizeState::ok) {
    report_size_fault(report, column, text, unit, size.state, Quantity::length);
    return unknown_number;
  }
  if (size.value > 0 && size.value <= most_mm) return size.value;
  report.fault(column, text, "a length over 0 and up to " + number_text(most_mm) + " mm",
               "look the value and its unit up again");
  return unknown_number;
}

void report_size_fault(RowReport& report, std::string_view column, std::string_view value, std::string_view unit,
                       SizeState state, Quantity quantity) {
  const std::string units(unit_words(quantity));
  switch (state) {
    case SizeState::ambiguous:
      report.fault(column, value, "a number that can be read in one way only",
                   "a comma before three digits may split off thousands or decimals: write it without, such as 1234 or "
                   "1.234");
      return;
    case SizeState::no_unit:
      report.fault("unit", "", "a unit: " + units, "fill in unit, or state the usual one in folder.toml under [units]");
      return;
    case SizeState::unknown_unit:
    case SizeState::wrong_quantity:
      report.fault(trim(unit).empty() ? column : "unit", trim(unit).empty() ? value : unit, "a unit: " + units,
                   "correct the unit");
      return;
    case SizeState::two_units:
      report.fault("unit", std::string(value) + " | " + std::string(unit), "one unit",
                   "the unit behind the number differs from the unit cell: keep the right one");
      return;
    default:
      report.fault(column, value, "a number, with or without its unit (" + units + ")",
                   "write one number, such as 5.2; words belong into note");
  }
}

void report_enclosure_fault(RowReport& report, std::string_view value, std::string_view unit, EnclosureState state) {
  switch (state) {
    case EnclosureState::ambiguous:
      return report_size_fault(report, "value", value, unit, SizeState::ambiguous, Quantity::length);
    case EnclosureState::no_unit:
      return report_size_fault(report, "value", value, unit, SizeState::no_unit, Quantity::length);
    case EnclosureState::unknown_unit:
      return report_size_fault(report, "value", value, unit, SizeState::unknown_unit, Quantity::length);
    case EnclosureState::two_units:
      return report_size_fault(report, "value", value, unit, SizeState::two_units, Quantity::length);
    case EnclosureState::absurd:
      return report.fault("value", value, "sides over 0 and up to " + number_text(largest_enclosure_mm) + " mm",
                          "look the sizes and their unit up again");
    case EnclosureState::too_deep:
      return report.fault("value", value, "a substrate that is less deep than the enclosure is high",
                          "the number behind / is the depth of the substrate: correct it or the height");
    default:
      return report.fault("value", value,
                          "width x depth x height such as 20x20x30, diameter x height such as 10x12, or the name of an "
                          "own box",
                          "measure the inside; or add the box to enclosures.csv and write its name");
  }
}

std::string number_text(double value) {
  char buffer[32];
  const int length = std::snprintf(buffer, sizeof buffer, "%.6g", value);
  return std::string(buffer, static_cast<std::size_t>(length));
}

}  // namespace moltspan
