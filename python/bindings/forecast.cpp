#include "moltspan/forecast/forecast.hpp"

#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {

void bind_verdict(py::module_& m) {
  py::class_<DayChances>(m, "DayChances")
      .def_readonly("soft", &DayChances::soft)
      .def_readonly("premolt", &DayChances::premolt)
      .def_readonly("between", &DayChances::between)
      .def_readonly("molts_no_more", &DayChances::molts_no_more)
      .def_readonly("molted_unseen", &DayChances::molted_unseen);
  py::class_<Verdict>(m, "Verdict")
      .def_readonly("on", &Verdict::on)
      .def_property_readonly("code", [](const Verdict& v) { return verdict_name(v.code); })
      .def_property_readonly("reason", [](const Verdict& v) { return reason_name(v.reason); })
      .def_readonly("why", &Verdict::why)
      .def_readonly("chances", &Verdict::chances)
      .def_property_readonly("feeding", [](const Verdict& v) { return feeding_name(v.feeding); })
      .def_readonly("feeding_why", &Verdict::feeding_why)
      .def_readonly("why_codes", &Verdict::why_codes)
      .def_readonly("feeding_codes", &Verdict::feeding_codes)
      .def_readonly("feed_from", &Verdict::feed_from);
}

void bind_forecast_parts(py::module_& m) {
  py::class_<ForecastBand>(m, "ForecastBand")
      .def_readonly("level", &ForecastBand::level)
      .def_readonly("from_days", &ForecastBand::from_days)
      .def_readonly("to_days", &ForecastBand::to_days);
  py::class_<NextLegSpan::Band>(m, "NextLegSpanBand")
      .def_readonly("level", &NextLegSpan::Band::level)
      .def_readonly("from_mm", &NextLegSpan::Band::from_mm)
      .def_readonly("to_mm", &NextLegSpan::Band::to_mm);
  py::class_<NextLegSpan>(m, "NextLegSpan")
      .def_readonly("median_mm", &NextLegSpan::median_mm)
      .def_readonly("bands", &NextLegSpan::bands);
  py::class_<MatureLife>(m, "MatureLife")
      .def_readonly("median_days", &MatureLife::median_days)
      .def_readonly("bands", &MatureLife::bands)
      .def_readonly("own_deaths", &MatureLife::own_deaths);
  py::class_<NextSize::Band>(m, "NextSizeBand")
      .def_readonly("level", &NextSize::Band::level)
      .def_readonly("from_size", &NextSize::Band::from)
      .def_readonly("to_size", &NextSize::Band::to);
  py::class_<NextSize>(m, "NextSize")
      .def_property_readonly("measure", [](const NextSize& size) { return measure_name(size.measure); })
      .def_readonly("median", &NextSize::median)
      .def_readonly("bands", &NextSize::bands);
}

void bind_forecast(py::module_& m) {
  bind_verdict(m);
  bind_forecast_parts(m);
  m.attr("STANDARD_QUANTILES") = std::vector<double>(std::begin(standard_quantiles), std::end(standard_quantiles));
  m.attr("CHANCE_HORIZONS_DAYS") = std::vector<int>(std::begin(chance_horizons_days), std::end(chance_horizons_days));
  py::class_<AnimalForecast>(m, "AnimalForecast")
      .def_readonly("id", &AnimalForecast::id)
      .def_readonly("taxon", &AnimalForecast::taxon)
      .def_property_readonly("phase", [](const AnimalForecast& f) { return phase_name(f.phase); })
      .def_property_readonly("last_molt",
                             [](const AnimalForecast& f) {
                               std::optional<std::pair<Day, Day>> days;
                               if (f.last_molt) days = {f.last_molt->earliest, f.last_molt->latest};
                               return days;
                             })
      .def_readonly("quantile_days", &AnimalForecast::quantile_days)
      .def_readonly("bands", &AnimalForecast::bands)
      .def_readonly("why_no_forecast", &AnimalForecast::why_no_forecast)
      .def_readonly("chance_within_days", &AnimalForecast::chance_within_days)
      .def_readonly("chance_final", &AnimalForecast::chance_final)
      .def_readonly("chance_missed", &AnimalForecast::chance_missed)
      .def_readonly("feed_from", &AnimalForecast::feed_from)
      .def_readonly("verdict", &AnimalForecast::verdict)
      .def_property_readonly("last_entry", [](const AnimalForecast& f) { return f.care.last_entry; })
      .def_readonly("next_size", &AnimalForecast::next_size)
      .def_readonly("next_leg_span", &AnimalForecast::next_leg_span)
      .def_readonly("mature_life", &AnimalForecast::mature_life)
      .def_readonly("own_stadia", &AnimalForecast::own_stadia)
      .def_readonly("taxon_stadia", &AnimalForecast::taxon_stadia)
      .def_readonly("own_weight", &AnimalForecast::own_weight)
      .def_readonly("notes", &AnimalForecast::notes);
  m.def("chance_molt_before", &chance_molt_before, py::arg("fit"), py::arg("animal"), py::arg("day"),
        py::call_guard<py::gil_scoped_release>());
  m.def(
      "forecast",
      [](const CollectionFit& fit, const std::vector<double>& levels, std::optional<Day> on) {
        return forecast(fit, levels, on);
      },
      py::arg("fit"), py::arg("levels"), py::arg("on") = py::none(), py::call_guard<py::gil_scoped_release>());
}

}  // namespace moltspan::bindings
