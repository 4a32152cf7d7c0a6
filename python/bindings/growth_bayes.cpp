#include "moltspan/growth/bayes.hpp"

#include <pybind11/eigen.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

void bind_requests_of_growth_bayes(py::module_& m) {
  py::class_<BayesGrowthRows>(m, "BayesGrowthRows")
      .def(py::init<>())
      .def_readwrite("x", &BayesGrowthRows::x)
      .def_readwrite("z", &BayesGrowthRows::z)
      .def_readwrite("x_slope", &BayesGrowthRows::x_slope)
      .def_readwrite("z_slope", &BayesGrowthRows::z_slope)
      .def_readwrite("instars", &BayesGrowthRows::instars)
      .def_readwrite("groups", &BayesGrowthRows::groups)
      .def_readwrite("outer_groups", &BayesGrowthRows::outer_groups)
      .def_readwrite("measures", &BayesGrowthRows::measures);
  py::class_<BayesGrowthData>(m, "BayesGrowthData")
      .def(py::init<>())
      .def_readwrite("rows", &BayesGrowthData::rows)
      .def_readwrite("y", &BayesGrowthData::y)
      .def_readwrite("lower", &BayesGrowthData::lower)
      .def_readwrite("upper", &BayesGrowthData::upper)
      .def_readwrite("coefficients", &BayesGrowthData::coefficients)
      .def_readwrite("effects", &BayesGrowthData::effects)
      .def_readwrite("measures", &BayesGrowthData::measures);
  py::class_<BayesGrowthOptions>(m, "BayesGrowthOptions")
      .def(py::init<>())
      .def_readwrite("form", &BayesGrowthOptions::form)
      .def_readwrite("correlated", &BayesGrowthOptions::correlated)
      .def_readwrite("process", &BayesGrowthOptions::process)
      .def_readwrite("priors", &BayesGrowthOptions::priors)
      .def_readwrite("log_response", &BayesGrowthOptions::log_response)
      .def_readwrite("threads", &BayesGrowthOptions::threads);
}

void bind_results_of_growth_bayes(py::module_& m) {
  py::class_<BayesRatio>(m, "BayesRatio")
      .def_readonly("ratio", &BayesRatio::ratio)
      .def_readonly("lower", &BayesRatio::lower)
      .def_readonly("upper", &BayesRatio::upper)
      .def_readonly("chance_larger", &BayesRatio::chance_larger);
  py::class_<BayesGrowthFit>(m, "BayesGrowthFit")
      .def_readonly("form", &BayesGrowthFit::form)
      .def_readonly("declining_weight", &BayesGrowthFit::declining_weight)
      .def_readonly("log_evidence", &BayesGrowthFit::log_evidence)
      .def_readonly("beta", &BayesGrowthFit::beta)
      .def_readonly("covariance", &BayesGrowthFit::covariance)
      .def_readonly("spread_names", &BayesGrowthFit::spread_names)
      .def_readonly("spreads", &BayesGrowthFit::spreads)
      .def_readonly("effect_covariance", &BayesGrowthFit::effect_covariance)
      .def_readonly("priors_used", &BayesGrowthFit::priors_used)
      .def_readonly("n_rounded", &BayesGrowthFit::n_rounded)
      .def_readonly("n_groups", &BayesGrowthFit::n_groups)
      .def_readonly("n_outer", &BayesGrowthFit::n_outer)
      .def_readonly("evaluations", &BayesGrowthFit::evaluations)
      .def_property_readonly("n_points", [](const BayesGrowthFit& fit) { return fit.points.size(); })
      .def_property_readonly("coefficients", [](const BayesGrowthFit& fit) { return fit.data.coefficients; })
      .def_property_readonly("effects", [](const BayesGrowthFit& fit) { return fit.data.effects; })
      .def_property_readonly("measures", [](const BayesGrowthFit& fit) { return fit.data.measures; })
      .def_property_readonly("n_rows", [](const BayesGrowthFit& fit) { return fit.data.y.size(); })
      .def_readonly("health", &BayesGrowthFit::health);
}

}  // namespace

void bind_growth_bayes(py::module_& m) {
  bind_requests_of_growth_bayes(m);
  bind_results_of_growth_bayes(m);
  const py::call_guard<py::gil_scoped_release> free_gil;
  m.def("fit_growth_bayes", &fit_growth_bayes, py::arg("data"), py::arg("options"), free_gil);
  m.def("bayes_growth_intervals", &bayes_growth_intervals, py::arg("fit"), py::arg("level"), free_gil);
  m.def("bayes_growth_ratio", &bayes_growth_ratio, py::arg("fit"), py::arg("coefficient"), py::arg("level"),
        py::arg("against"), free_gil);
  m.def("predict_growth_bayes", &predict_growth_bayes, py::arg("fit"), py::arg("rows"), py::arg("level"), free_gil);
  m.def("bayes_animal_effects", &bayes_animal_effects, py::arg("fit"), free_gil);
  m.def("bayes_growth_log_marginal", &bayes_growth_log_marginal, py::arg("data"), py::arg("options"),
        py::arg("unbounded"), free_gil);
  m.def("found_rounding_step_mm", &found_rounding_step_mm, py::arg("values_mm"));
  m.def("process_is_told", &process_is_told, py::arg("groups"), py::arg("instars"));
}

}  // namespace moltspan::bindings
