#include "moltspan/records/records.hpp"

#include <pybind11/stl.h>
#include <pybind11/stl/filesystem.h>

#include <algorithm>

#include "module.hpp"
#include "moltspan/records/temperatures.hpp"

namespace moltspan::bindings {
namespace {

using namespace py::literals;

const char* severity_name(Severity severity) { return severity == Severity::fault ? "fault" : "doubt"; }

TextTable make_table(std::string source, std::vector<std::string> columns, std::vector<std::vector<std::string>> cells,
                     std::vector<std::int64_t> rows) {
  return {std::move(source), std::move(columns), std::move(cells), std::move(rows), {}};
}

RawCollection make_raw(TextTable animals, TextTable journal, std::optional<TextTable> taxa,
                       std::optional<TextTable> enclosures, FolderRules rules) {
  return {std::move(animals), std::move(journal), std::move(taxa), std::move(enclosures), std::move(rules)};
}

std::vector<std::string> animal_ids(const Collection& collection) {
  std::vector<std::string> ids;
  for (const Animal& animal : collection.animals) ids.push_back(animal.id);
  return ids;
}

std::optional<Day> first_recorded_day(const Collection& collection) {
  std::optional<Day> first;
  for (const Entry& e : collection.entries)
    if (!of_series(e)) first = std::min(first.value_or(e.when.earliest), e.when.earliest);
  return first;
}

Collection make(RawCollection raw, std::optional<Day> today, const std::optional<TextTable>& temperatures) {
  return temperatures ? make_collection(std::move(raw), *temperatures, today) : make_collection(std::move(raw), today);
}

std::vector<std::tuple<std::string, std::size_t, Day, Day>> temperature_days(const TextTable& temperatures, const FolderRules& rules) {
  std::vector<Problem> told_by_the_collection;
  std::vector<std::tuple<std::string, std::size_t, Day, Day>> result;
  for (const TemperatureSeries& s : read_temperature_series(temperatures, rules, told_by_the_collection))
    result.emplace_back(s.place, s.days.size(), s.days.front().day, s.days.back().day);
  return result;
}

void bind_problem(py::module_& m) {
  py::class_<Problem>(m, "Problem")
      .def_property_readonly("severity", [](const Problem& p) { return severity_name(p.severity); })
      .def_readonly("file", &Problem::file)
      .def_readonly("row", &Problem::row)
      .def_readonly("animal", &Problem::animal)
      .def_readonly("column", &Problem::column)
      .def_readonly("value", &Problem::value)
      .def_readonly("rule", &Problem::rule)
      .def_readonly("next_step", &Problem::next_step);
}

void bind_text(py::module_& m) {
  py::class_<TextTable>(m, "TextTable")
      .def(py::init(&make_table), "source"_a, "columns"_a, "cells"_a, "rows"_a)
      .def_readonly("source", &TextTable::source)
      .def_readonly("columns", &TextTable::columns)
      .def_readonly("cells", &TextTable::cells)
      .def_readonly("rows", &TextTable::rows);
  m.def("table_of_sheet", &table_of_sheet, "rows"_a, "source"_a,
        "The table in a sheet of a workbook, whose cells are given as text; row 1 is the first row of the sheet.");
  py::class_<FolderRules>(m, "FolderRules")
      .def(py::init<>())
      .def_readonly("columns", &FolderRules::columns)
      .def_readonly("events", &FolderRules::events);
  py::class_<RawCollection>(m, "RawCollection")
      .def(py::init(&make_raw), "animals"_a, "journal"_a, "taxa"_a, "enclosures"_a, "rules"_a)
      .def_readonly("animals", &RawCollection::animals)
      .def_readonly("journal", &RawCollection::journal)
      .def_readonly("taxa", &RawCollection::taxa)
      .def_readonly("enclosures", &RawCollection::enclosures)
      .def_readonly("rules", &RawCollection::rules);
}

void bind_animal(py::module_& m) {
  py::class_<Animal>(m, "Animal")
      .def_readonly("id", &Animal::id)
      .def_readonly("taxon", &Animal::taxon)
      .def_readonly("genus", &Animal::genus)
      .def_readonly("cohort", &Animal::cohort)
      .def_readonly("male_chance", &Animal::male_chance)
      .def_readonly("set_aside", &Animal::set_aside)
      .def_readonly("row", &Animal::row, "Index into the table of animals.");
}

void bind_collection(py::module_& m) {
  py::class_<Collection, std::shared_ptr<Collection>>(m, "Collection")
      .def_readonly("animals", &Collection::animals)
      .def_readonly("problems", &Collection::problems)
      .def_readonly("raw", &Collection::raw)
      .def_property_readonly("animal_ids", &animal_ids)
      .def_property_readonly("n_entries", [](const Collection& c) { return c.entries.size(); })
      .def_property_readonly("first_recorded_day", &first_recorded_day)
      .def_property_readonly("last_recorded_day", &Collection::last_recorded_day, "Days since 1970-01-01, or None.");
}

}  // namespace

void bind_records(py::module_& m) {
  bind_problem(m);
  bind_text(m);
  bind_animal(m);
  bind_collection(m);
  m.def("make_collection", &make, "raw"_a, "today"_a = py::none(), "temperatures"_a = py::none(),
        py::call_guard<py::gil_scoped_release>());
  m.def("read_temperatures", &read_temperatures, "folder"_a, "The table in temperatures.csv of a folder, or None.");
  m.def("temperature_days", &temperature_days, "temperatures"_a, "rules"_a,
        "Place (blank = everywhere), number of days with degrees, first and last of them: one each place.");
  m.def("read_folder", &read_folder, "folder"_a);
  m.def("read_csv", &read_csv, "text"_a, "source"_a);
  m.def("read_folder_rules", &read_folder_rules, "text"_a, "source"_a);
}

}  // namespace moltspan::bindings
