#include "moltspan/kinds/kinds.hpp"

#include <pybind11/stl.h>

#include "module.hpp"
#include "moltspan/collection/kinds_missing.hpp"

namespace moltspan::bindings {

using namespace py::literals;

namespace {

std::string rule_word(AfterMaturity rule) {
  return rule == AfterMaturity::unknown ? "unknown" : rule == AfterMaturity::stops ? "stops" : "goes_on";
}

std::string what_word(MissingFact::What what) {
  constexpr const char* words[] = {"group", "adult_size", "temperature", "size"};
  return words[static_cast<int>(what)];
}

void bind_missing(py::module_& m) {
  py::class_<MissingFact>(m, "MissingFact")
      .def_property_readonly("what", [](const MissingFact& f) { return what_word(f.what); })
      .def_readonly("of", &MissingFact::of)
      .def_readonly("animals", &MissingFact::animals)
      .def_readonly("narrower", &MissingFact::narrower);
  m.def("missing_facts", &missing_facts, "collection"_a, "table"_a);
}

}  // namespace

void bind_kinds(py::module_& m) {
  py::class_<KindNumber>(m, "KindNumber")
      .def_readonly("value", &KindNumber::value)
      .def_readonly("log_sd", &KindNumber::log_sd)
      .def_readonly("status", &KindNumber::status)
      .def_property_readonly("known", &KindNumber::known);
  py::class_<KindFacts>(m, "KindFacts")
      .def_readonly("name", &KindFacts::name)
      .def_readonly("group", &KindFacts::group)
      .def_property_readonly("measure", [](const KindFacts& f) { return std::string(measure_name(f.measure)); })
      .def_property_readonly("reference",
                             [](const KindFacts& f) { return f.reference[static_cast<std::size_t>(f.measure)]; })
      .def_readonly("stadium_c", &KindFacts::stadium_c)
      .def_readonly("stadium_days", &KindFacts::stadium_days)
      .def_readonly("exponent", &KindFacts::exponent)
      .def_readonly("growth_ratio", &KindFacts::growth_ratio)
      .def_readonly("adult_female", &KindFacts::adult_female)
      .def_readonly("adult_male", &KindFacts::adult_male)
      .def_readonly("instars_female", &KindFacts::instars_female)
      .def_readonly("instars_male", &KindFacts::instars_male)
      .def_readonly("last_instar", &KindFacts::last_instar)
      .def_readonly("premolt_share", &KindFacts::premolt_share)
      .def_property_readonly("after_maturity_female", [](const KindFacts& f) { return rule_word(f.female); })
      .def_property_readonly("after_maturity_male", [](const KindFacts& f) { return rule_word(f.male); });
  m.def("shipped_kind_facts", &shipped_kind_facts);
  m.def("facts_of", &facts_of, "animal"_a);
  bind_missing(m);
}

}  // namespace moltspan::bindings
