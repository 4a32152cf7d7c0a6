#include "moltspan/clock/clock.hpp"
#include "moltspan/clock/season.hpp"

#include "module.hpp"

namespace moltspan::bindings {

void bind_clock(py::module_& m) {
  py::class_<YearlyCourse>(m, "YearlyCourse")
      .def_readonly("cosine", &YearlyCourse::cosine)
      .def_readonly("sine", &YearlyCourse::sine)
      .def_property_readonly("amplitude", &YearlyCourse::amplitude)
      .def_property_readonly("top_day_of_year", &YearlyCourse::top_day_of_year)
      .def("at", &YearlyCourse::at, py::arg("moment"));
  py::class_<SeasonFit>(m, "SeasonFit")
      .def_readonly("looked_for", &SeasonFit::looked_for)
      .def_readonly("log_rate", &SeasonFit::log_rate)
      .def_property_readonly("shown", &is_shown)
      .def_property_readonly("largest_amplitude", &largest_amplitude)
      .def_readonly("amplitude_sd", &SeasonFit::amplitude_sd)
      .def_readonly("chance", &SeasonFit::chance);
  py::class_<ClockFit>(m, "ClockFit")
      .def_readonly("season", &ClockFit::season)
      .def_readonly("warmth", &ClockFit::warmth)
      .def_readonly("temperature_c", &ClockFit::temperature_c)
      .def_readonly("temperature_sd", &ClockFit::temperature_sd)
      .def_property_readonly("runs", &ClockFit::runs);
}

}  // namespace moltspan::bindings
