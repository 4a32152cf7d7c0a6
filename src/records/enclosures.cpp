#include <cmath>

#include "records/build.hpp"
#include "records/table.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

class EnclosureReader {
 public:
  EnclosureReader(Collection& collection, const TableView& table) : collection_(collection), table_(table) {}
  void row(std::size_t row);

 private:
  double length_mm(RowReport& report, std::string_view column);
  void sides(RowReport& report, EnclosureSize& size);
  int count(RowReport& report);
  bool known(std::string_view name) const;
  std::string_view cell(std::string_view column, std::size_t row) const {
    return table_.cell(table_.column(column), row);
  }

  Collection& collection_;
  const TableView& table_;
};

double EnclosureReader::length_mm(RowReport& report, std::string_view column) {
  return read_length_mm(report, column, cell(column, report.row), cell("unit", report.row),
                        collection_.raw.rules.length_unit, largest_enclosure_mm);
}

void EnclosureReader::sides(RowReport& report, EnclosureSize& size) {
  const double diameter_mm = length_mm(report, "diameter");
  size.w_mm = length_mm(report, "w");
  size.d_mm = length_mm(report, "d");
  size.h_mm = length_mm(report, "h");
  if (report.faulty) return;
  size.round = !std::isnan(diameter_mm);
  if (size.round && !(std::isnan(size.w_mm) && std::isnan(size.d_mm)))
    return report.fault("diameter", cell("diameter", report.row), "either w and d, or diameter",
                        "leave diameter blank, or w and d");
  if (size.round) size.w_mm = size.d_mm = diameter_mm;
  for (const auto& [column, side] : {std::pair{"w", size.w_mm}, {"d", size.d_mm}, {"h", size.h_mm}})
    if (std::isnan(side))
      report.fault(column, "", "inner w, d and h, or diameter and h", "measure the inside and fill it in");
}

int EnclosureReader::count(RowReport& report) {
  constexpr double most = 100000;
  const std::string_view text = cell("count", report.row);
  const double value = read_plain_number(report, "count", text, 0, most);
  if (std::isnan(value)) return 1;
  if (value != std::floor(value)) report.fault("count", text, "a whole number", "count the boxes of this kind");
  return static_cast<int>(value);
}

bool EnclosureReader::known(std::string_view name) const {
  for (const Enclosure& other : collection_.enclosures)
    if (fold(other.name) == fold(name)) return true;
  return false;
}

void EnclosureReader::row(std::size_t row) {
  if (table_.blank(row) || table_.broken(row)) return;
  RowReport report{table_, row, "", collection_.problems};
  Enclosure box;
  box.name = cell("name", row);
  box.row = table_.line(row);
  if (box.name.empty())
    report.fault("name", "", "a name in every row", "name the box; the journal calls it by this name");
  if (known(box.name))
    report.fault("name", box.name, "every kind of box has its own name", "rename or remove this row");
  sides(report, box.size);
  box.count = count(report);
  box.size.name = box.name;
  if (!report.faulty) collection_.enclosures.push_back(std::move(box));
}

}  // namespace

void build_enclosures(Collection& collection) {
  if (!collection.raw.enclosures) return;
  const TableView table(*collection.raw.enclosures, collection.raw.rules,
                        {"name", "w", "d", "h", "diameter", "unit", "count", "note"}, {"name", "h"},
                        collection.problems);
  if (!table.usable()) return;
  EnclosureReader reader(collection, table);
  for (std::size_t row = 0; row < table.size(); ++row) reader.row(row);
}

}  // namespace moltspan
