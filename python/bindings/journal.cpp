#include "moltspan/journal/journal.hpp"

#include <pybind11/stl.h>
#include <pybind11/stl/filesystem.h>

#include "module.hpp"

namespace moltspan::bindings {

void bind_journal(py::module_& m) {
  using namespace py::literals;
  py::class_<NoteRow>(m, "NoteRow")
      .def_readonly("animals", &NoteRow::animals)
      .def_property_readonly("earliest", [](const NoteRow& row) { return row.when.earliest; })
      .def_property_readonly("latest", [](const NoteRow& row) { return row.when.latest; })
      .def_property_readonly("event", [](const NoteRow& row) { return std::string(event_name(row.event)); })
      .def_readonly("value", &NoteRow::value)
      .def_readonly("unit", &NoteRow::unit)
      .def_readonly("on", &NoteRow::on)
      .def_readonly("note", &NoteRow::note);
  py::class_<NoteReading>(m, "NoteReading")
      .def_readonly("said", &NoteReading::said)
      .def_readonly("rows", &NoteReading::rows, "Cells in the journal's own column order.")
      .def_readonly("left_out", &NoteReading::left_out)
      .def_readonly("problems", &NoteReading::problems);
  m.def("read_note", &read_note, "collection"_a, "words"_a, "today"_a);
  m.def("add_to_journal", &add_to_journal, "journal"_a, "rows"_a, "today"_a = py::none(), "accept_doubts"_a = false,
        py::call_guard<py::gil_scoped_release>());
  m.def("undo_note", &undo_note, "journal"_a, py::call_guard<py::gil_scoped_release>());
  m.def("journal_backup", &journal_backup, "journal"_a);
}

}  // namespace moltspan::bindings
