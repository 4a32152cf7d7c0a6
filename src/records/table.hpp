#pragma once

#include <string>
#include <string_view>
#include <unordered_map>
#include <utility>
#include <vector>

#include "moltspan/records/records.hpp"
#include "records/fields.hpp"
#include "records/words.hpp"

/// Reading the cells of a table by the names that we give its columns, and saying what is wrong with them.
namespace moltspan {

/// A table whose columns are found by our names, after the user's own were mapped onto them.
class TableView {
 public:
  /// Problems of the headings are appended to `problems`: a column that is there twice, one that differs from a known
  /// one by a letter, a required one that is missing.
  TableView(const TextTable& table, const FolderRules& rules, const std::vector<std::string_view>& known,
            const std::vector<std::string_view>& required, std::vector<Problem>& problems);

  /// False where a required column is missing or one of ours is there twice: no row can be trusted.
  bool usable() const { return usable_; }
  std::size_t size() const { return table_->size(); }
  int column(std::string_view name) const;  ///< -1 where there is none
  /// The heading as the user wrote it.
  std::string heading(std::string_view name) const;
  /// The headings as they stand, for a message: the first dozen.
  std::string headings() const;
  /// Trimmed; blank where there is no such column.
  std::string_view cell(int column, std::size_t row) const;
  std::int64_t line(std::size_t row) const { return table_->rows[row]; }
  const std::string& file() const { return table_->source; }
  bool blank(std::size_t row) const;
  /// Whether reading the text of this row already gave a fault (too few cells, an open quote).
  bool broken(std::size_t row) const { return broken_.contains(line(row)); }
  /// Writes the animal of a broken row into the faults of that row.
  void name_broken(std::size_t row, const std::string& animal, std::vector<Problem>& problems) const;

 private:
  void find_columns(const FolderRules& rules, const std::vector<std::string_view>& known,
                    std::vector<Problem>& problems);

  const TextTable* table_;
  std::unordered_map<std::string, int, TextHash, std::equal_to<>> columns_;
  std::unordered_multimap<std::int64_t, std::size_t> broken_;  // line -> index of its fault
  bool usable_ = true;
};

/// Where a row stands, for the problems that it gives.
struct RowReport {
  const TableView& table;
  std::size_t row;
  std::string animal;
  std::vector<Problem>& problems;
  bool faulty = false;

  void fault(std::string_view column, std::string_view value, std::string rule, std::string next_step);
  void doubt(std::string_view column, std::string_view value, std::string rule, std::string next_step);
};

/// The day in a cell; nothing where it is blank or, after a fault was reported, no date.
std::optional<Day> read_day(RowReport& report, std::string_view column, std::string_view text, DateOrder order);

/// A number in a cell without a unit; NaN where it is blank or, after a fault was reported, none within the limits.
double read_plain_number(RowReport& report, std::string_view column, std::string_view text, double least, double most);

/// A length in mm whose unit may stand behind it; `usual_unit` where it does not.
double read_length_mm(RowReport& report, std::string_view column, std::string_view text, std::string_view unit,
                      std::string_view usual_unit, double most_mm);

/// Reports why a value with a unit could not be read. `state` is not ok.
void report_size_fault(RowReport& report, std::string_view column, std::string_view value, std::string_view unit,
                       SizeState state, Quantity quantity);

/// Reports why an enclosure could not be read. `state` is neither ok nor volume_only.
void report_enclosure_fault(RowReport& report, std::string_view value, std::string_view unit, EnclosureState state);

/// A number as messages print it: no more digits than it needs.
std::string number_text(double value);

}  // namespace moltspan
