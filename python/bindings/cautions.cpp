#include "moltspan/facts/cautions.hpp"

#include <pybind11/stl.h>

#include "module.hpp"
#include "moltspan/base/note.hpp"

namespace moltspan::bindings {

using namespace py::literals;

void bind_cautions(py::module_& m) {
  py::class_<Note>(m, "Note").def_readonly("code", &Note::code).def_readonly("text", &Note::text);
  py::class_<Caution>(m, "Caution")
      .def_readonly("code", &Caution::code)
      .def_readonly("label", &Caution::label)
      .def_readonly("text", &Caution::text)
      .def_readonly("source", &Caution::source);
  m.def("cautions", &cautions);
  m.def("prompted_cautions", &prompted_cautions, "note_codes"_a);
}

}  // namespace moltspan::bindings
