#include "moltspan/plots/plots.hpp"

#include <pybind11/eigen.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {

void bind_plots(py::module_& m) {
  py::class_<QuantilePairs>(m, "QuantilePairs")
      .def_readonly("expected", &QuantilePairs::expected)
      .def_readonly("low", &QuantilePairs::low)
      .def_readonly("high", &QuantilePairs::high);
  py::class_<EffectCheck>(m, "EffectCheck")
      .def_readonly("code", &EffectCheck::code)
      .def_readonly("mean", &EffectCheck::mean)
      .def_readonly("sd", &EffectCheck::sd)
      .def_readonly("standardized", &EffectCheck::standardized)
      .def_readonly("expected", &EffectCheck::expected)
      .def_readonly("lower", &EffectCheck::lower)
      .def_readonly("upper", &EffectCheck::upper);
  py::class_<PriorPosterior>(m, "PriorPosterior")
      .def_readonly("at", &PriorPosterior::at)
      .def_readonly("prior", &PriorPosterior::prior)
      .def_readonly("posterior", &PriorPosterior::posterior);
  py::enum_<Effects>(m, "PlotEffects").value("fitted", Effects::fitted).value("averaged", Effects::averaged);
  const auto no_gil = py::call_guard<py::gil_scoped_release>();
  m.def("cox_snell_residuals", &cox_snell_residuals, py::arg("fit"), py::arg("data"),
        py::arg("effects") = Effects::fitted, no_gil);
  m.def("normal_scores", &normal_scores, py::arg("residuals"), no_gil);
  m.def("animal_effect_check", &animal_effect_check, py::arg("fit"), py::arg("level"), no_gil);
  m.def("mean_survival", &mean_survival, py::arg("fit"), py::arg("data"), py::arg("t_days"),
        py::arg("effects") = Effects::fitted, no_gil);
  m.def("prior_posterior", &prior_posterior, py::arg("fit"), py::arg("name"), py::arg("n") = 200, no_gil);
  m.def("chance_by_day", &chance_by_day, py::arg("probabilities"), py::arg("quantile_days"), py::arg("first_day"),
        py::arg("n_days"));
  m.def(
      "stadia_bounds",
      [](const StadiaData& data) {
        const BoundedTimes times = bounded_times(data);
        return std::make_tuple(times.min_days, times.max_days, times.entry_days, times.weight,
                               data.groups[static_cast<std::size_t>(Level::animal)]);
      },
      py::arg("data"));
  m.def("weighted_densities", &weighted_densities, py::arg("weights"), py::arg("mean_log"), py::arg("sd_log"),
        py::arg("sizes_mm"));
  m.def(
      "sign_days",
      [](const CollectionFit& fit, std::size_t animal) {
        std::vector<std::pair<double, std::string>> days;
        for (const auto& [day, sign] : fit.sign_timelines.at(animal).signs) days.emplace_back(day, sign_name(sign));
        return days;
      },
      py::arg("fit"), py::arg("animal"));
  m.def("stadia_at_sizes", &stadia_at_sizes, py::arg("fit"), py::arg("sizes_mm"), py::arg("probabilities"), no_gil);
}

}  // namespace moltspan::bindings
