#include "moltspan/growth/growth.hpp"

#include <pybind11/eigen.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

void bind_requests_of_growth(py::module_& m) {
  py::enum_<MixedMethod>(m, "MixedMethod").value("ml", MixedMethod::ml).value("reml", MixedMethod::reml);
  py::enum_<MixedDegrees>(m, "MixedDegrees")
      .value("satterthwaite", MixedDegrees::satterthwaite)
      .value("kenward_roger", MixedDegrees::kenward_roger)
      .value("residual", MixedDegrees::residual);
  py::class_<MixedOptions>(m, "MixedOptions")
      .def(py::init<>())
      .def_readwrite("method", &MixedOptions::method)
      .def_readwrite("correlated", &MixedOptions::correlated);
  py::class_<MixedData>(m, "MixedData")
      .def(py::init<>())
      .def_readwrite("y", &MixedData::y)
      .def_readwrite("x", &MixedData::x)
      .def_readwrite("coefficients", &MixedData::coefficients)
      .def_readwrite("groups", &MixedData::groups)
      .def_readwrite("z", &MixedData::z)
      .def_readwrite("effects", &MixedData::effects)
      .def_readwrite("outer_groups", &MixedData::outer_groups)
      .def_readwrite("group_name", &MixedData::group_name)
      .def_readwrite("outer_name", &MixedData::outer_name)
      .def_readwrite("group_labels", &MixedData::group_labels);
  py::class_<MixedRows>(m, "MixedRows")
      .def(py::init<>())
      .def_readwrite("x", &MixedRows::x)
      .def_readwrite("z", &MixedRows::z)
      .def_readwrite("groups", &MixedRows::groups)
      .def_readwrite("outer_groups", &MixedRows::outer_groups);
}

void bind_results_of_growth(py::module_& m) {
  py::class_<MixedIntervals>(m, "MixedIntervals")
      .def_readonly("names", &MixedIntervals::names)
      .def_readonly("estimate", &MixedIntervals::estimate)
      .def_readonly("error", &MixedIntervals::error)
      .def_readonly("degrees_of_freedom", &MixedIntervals::degrees_of_freedom)
      .def_readonly("lower", &MixedIntervals::lower)
      .def_readonly("upper", &MixedIntervals::upper);
  py::class_<RatioTest>(m, "RatioTest")
      .def_readonly("ratio", &RatioTest::ratio)
      .def_readonly("lower", &RatioTest::lower)
      .def_readonly("upper", &RatioTest::upper)
      .def_readonly("degrees_of_freedom", &RatioTest::degrees_of_freedom)
      .def_readonly("t", &RatioTest::t)
      .def_readonly("p_value", &RatioTest::p_value);
  py::class_<MixedBands>(m, "MixedBands")
      .def_readonly("estimate", &MixedBands::estimate)
      .def_readonly("mean_lower", &MixedBands::mean_lower)
      .def_readonly("mean_upper", &MixedBands::mean_upper)
      .def_readonly("new_lower", &MixedBands::new_lower)
      .def_readonly("new_upper", &MixedBands::new_upper);
  py::class_<MixedFit>(m, "MixedFit")
      .def_readonly("coefficients", &MixedFit::coefficients)
      .def_readonly("effects", &MixedFit::effects)
      .def_readonly("beta", &MixedFit::beta)
      .def_readonly("covariance", &MixedFit::covariance)
      .def_readonly("effect_covariance", &MixedFit::effect_covariance)
      .def_readonly("sigma", &MixedFit::sigma)
      .def_readonly("outer_sd", &MixedFit::outer_sd)
      .def_readonly("correlation", &MixedFit::correlation)
      .def_readonly("log_likelihood", &MixedFit::log_likelihood)
      .def_readonly("max_gradient", &MixedFit::max_gradient)
      .def_readonly("iterations", &MixedFit::iterations)
      .def_readonly("converged", &MixedFit::converged)
      .def_readonly("singular", &MixedFit::singular)
      .def_readonly("n_rows", &MixedFit::n_rows)
      .def_readonly("n_groups", &MixedFit::n_groups)
      .def_readonly("n_outer", &MixedFit::n_outer)
      .def_readonly("has_outer", &MixedFit::has_outer)
      .def_readonly("health", &MixedFit::health);
}

}  // namespace

void bind_growth(py::module_& m) {
  bind_requests_of_growth(m);
  bind_results_of_growth(m);
  const py::call_guard<py::gil_scoped_release> free_gil;
  m.def("fit_mixed_model", &fit_mixed_model, py::arg("data"), py::arg("options"), free_gil);
  m.def("mixed_log_likelihood", &mixed_log_likelihood, py::arg("fit"), py::arg("relative_covariance"),
        py::arg("relative_outer") = 0.0, free_gil);
  m.def("contrast_intervals", &contrast_intervals, py::arg("fit"), py::arg("contrasts"), py::arg("level"),
        py::arg("degrees"), free_gil);
  m.def("spread_intervals", &spread_intervals, py::arg("fit"), py::arg("level"), free_gil);
  m.def("ratio_test", &ratio_test, py::arg("fit"), py::arg("contrast"), py::arg("level"), py::arg("degrees"),
        py::arg("against"), free_gil);
  m.def("rounding_health", &rounding_health, py::arg("fit"), py::arg("sizes_mm"), py::arg("step_mm"), py::arg("log"));
  m.def("bend_health", &bend_health, py::arg("fit"), py::arg("data"), py::arg("instar"), py::arg("name"), free_gil);
  m.def("conditional_modes", &conditional_modes, py::arg("fit"), free_gil);
  m.def("predict_mixed", &predict_mixed, py::arg("fit"), py::arg("rows"), py::arg("level"), free_gil);
}

}  // namespace moltspan::bindings
