#include "moltspan/housing/housing.hpp"

#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

using namespace py::literals;

void bind_advice(py::module_& m) {
  py::class_<EnclosureSize>(m, "EnclosureSize")
      .def_readonly("w_mm", &EnclosureSize::w_mm)
      .def_readonly("d_mm", &EnclosureSize::d_mm)
      .def_readonly("h_mm", &EnclosureSize::h_mm)
      .def_readonly("substrate_mm", &EnclosureSize::substrate_mm)
      .def_readonly("round", &EnclosureSize::round)
      .def_readonly("name", &EnclosureSize::name);
  py::class_<SuggestedBox>(m, "SuggestedBox")
      .def_readonly("name", &SuggestedBox::name)
      .def_readonly("w_mm", &SuggestedBox::w_mm)
      .def_readonly("d_mm", &SuggestedBox::d_mm)
      .def_readonly("h_mm", &SuggestedBox::h_mm)
      .def_readonly("soil_mm", &SuggestedBox::soil_mm)
      .def_readonly("lasts_molts", &SuggestedBox::lasts_molts);
  py::class_<OutgrownBand>(m, "OutgrownBand")
      .def_readonly("level", &OutgrownBand::level)
      .def_readonly("from_days", &OutgrownBand::from_days)
      .def_readonly("to_days", &OutgrownBand::to_days);
  py::class_<Outgrown>(m, "Outgrown")
      .def_readonly("median_days", &Outgrown::median_days)
      .def_readonly("bands", &Outgrown::bands)
      .def_readonly("chance_next_molt", &Outgrown::chance_next_molt)
      .def_readonly("chance_never", &Outgrown::chance_never);
  py::class_<HousingAdvice>(m, "HousingAdvice")
      .def_readonly("id", &HousingAdvice::id)
      .def_readonly("taxon", &HousingAdvice::taxon)
      .def_property_readonly("advice", [](const HousingAdvice& a) { return advice_name(a.advice); })
      .def_readonly("reasons", &HousingAdvice::reasons)
      .def_readonly("assumptions", &HousingAdvice::assumptions)
      .def_readonly("cautions", &HousingAdvice::cautions)
      .def_readonly("leg_span_mm", &HousingAdvice::leg_span_mm)
      .def_readonly("size_word", &HousingAdvice::size_word)
      .def_readonly("by_leg_span", &HousingAdvice::by_leg_span)
      .def_readonly("enclosure", &HousingAdvice::enclosure)
      .def_readonly("ratio", &HousingAdvice::ratio)
      .def_readonly("outgrown", &HousingAdvice::outgrown)
      .def_readonly("egg_sac", &HousingAdvice::egg_sac)
      .def_readonly("safe_from", &HousingAdvice::safe_from)
      .def_readonly("safe_until", &HousingAdvice::safe_until)
      .def_readonly("safe_after_molt_days", &HousingAdvice::safe_after_molt_days)
      .def_readonly("verdict", &HousingAdvice::verdict)
      .def_readonly("last_entry", &HousingAdvice::last_entry)
      .def_readonly("suggested", &HousingAdvice::suggested)
      .def_readonly("due", &HousingAdvice::due)
      .def_readonly("sitting", &HousingAdvice::sitting)
      .def_readonly("sitting_day", &HousingAdvice::sitting_day);
}

}  // namespace

void bind_housing(py::module_& m) {
  bind_advice(m);
  m.attr("NEED_HORIZONS_DAYS") = std::vector<int>(std::begin(need_horizons_days), std::end(need_horizons_days));
  py::class_<BoxNeed>(m, "BoxNeed")
      .def_readonly("name", &BoxNeed::name)
      .def_readonly("own", &BoxNeed::own)
      .def_readonly("expected", &BoxNeed::expected)
      .def_readonly("lowest", &BoxNeed::from)
      .def_readonly("highest", &BoxNeed::to);
  py::class_<RehousePlan>(m, "RehousePlan")
      .def_readonly("as_of", &RehousePlan::as_of)
      .def_readonly("on", &RehousePlan::on)
      .def_readonly("at_most", &RehousePlan::at_most)
      .def_readonly("animals", &RehousePlan::animals)
      .def_readonly("boxes", &RehousePlan::boxes)
      .def_readonly("make_ready", &RehousePlan::make_ready)
      .def_readonly("health", &RehousePlan::health);
  m.def(
      "rehouse",
      [](const CollectionFit& fit, std::optional<Day> on, std::optional<int> at_most, const std::string& rules) {
        return rehouse(fit, {on, at_most, housing_rules(rules)});
      },
      "fit"_a, "on"_a = py::none(), "at_most"_a = py::none(), "rules"_a = "", py::call_guard<py::gil_scoped_release>());
}

}  // namespace moltspan::bindings
