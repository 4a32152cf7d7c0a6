#include "moltspan/growth/latent.hpp"

#include <pybind11/eigen.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

void bind_data(py::module_& m) {
  py::class_<GrowthMeasure>(m, "GrowthMeasure")
      .def(py::init<std::string, double, double, double>(), py::arg("name"), py::arg("reading_sd"),
           py::arg("log_sd_spread"), py::arg("bias") = 0.0)
      .def_readonly("name", &GrowthMeasure::name);
  py::class_<GrowthParameter>(m, "GrowthParameter")
      .def(py::init<std::string, double, double, double>(), py::arg("name"), py::arg("mean"), py::arg("sd"),
           py::arg("taxon_sd") = 0.0);
  py::class_<GrowthReading>(m, "GrowthReading")
      .def(py::init<int, int, int, double, double, double>(), py::arg("animal"), py::arg("instar"), py::arg("measure"),
           py::arg("log_value"), py::arg("lower") = 0.0, py::arg("upper") = 0.0);
  py::class_<GrowthAnimal>(m, "GrowthAnimal")
      .def(py::init([](std::vector<double> molts) {
             GrowthAnimal animal;
             animal.molts = std::move(molts);
             return animal;
           }),
           py::arg("molts"));
  py::class_<GrowthData>(m, "GrowthData")
      .def(py::init<>())
      .def_readwrite("measures", &GrowthData::measures)
      .def_readwrite("parameters", &GrowthData::parameters)
      .def_readwrite("animals", &GrowthData::animals)
      .def_readwrite("readings", &GrowthData::readings)
      .def_readwrite("columns", &GrowthData::columns)
      .def_readwrite("groups", &GrowthData::groups);
}

void bind_options_of_growth_latent(py::module_& m) {
  py::enum_<GrowthForm>(m, "GrowthForm")
      .value("constant", GrowthForm::constant)
      .value("declining", GrowthForm::declining)
      .value("weighed", GrowthForm::weighed);
  py::class_<GrowthModelOptions>(m, "GrowthModelOptions")
      .def(py::init<>())
      .def_readwrite("form", &GrowthModelOptions::form)
      .def_readwrite("priors", &GrowthModelOptions::priors)
      .def_readwrite("threads", &GrowthModelOptions::threads)
      .def_readwrite("search_readings", &GrowthModelOptions::search_readings);
}

void bind_fit_of_growth_latent(py::module_& m) {
  py::class_<GrowthEstimate>(m, "GrowthEstimate")
      .def_readonly("mean", &GrowthEstimate::mean)
      .def_readonly("sd", &GrowthEstimate::sd);
  py::class_<LatentSize>(m, "LatentSize")
      .def_readonly("mean", &LatentSize::mean)
      .def_readonly("variance", &LatentSize::variance)
      .def_readonly("measured", &LatentSize::measured);
  py::class_<GrowthModelFit, std::shared_ptr<GrowthModelFit>>(m, "GrowthModelFit")
      .def_readonly("form", &GrowthModelFit::form)
      .def_readonly("declining_weight", &GrowthModelFit::declining_weight)
      .def_readonly("log_evidence", &GrowthModelFit::log_evidence)
      .def_readonly("log_ratio", &GrowthModelFit::log_ratio)
      .def_readonly("decline", &GrowthModelFit::decline)
      .def_readonly("spread_names", &GrowthModelFit::spread_names)
      .def_readonly("spreads", &GrowthModelFit::spreads)
      .def_readonly("parameter_names", &GrowthModelFit::parameter_names)
      .def_readonly("parameters", &GrowthModelFit::parameters)
      .def_readonly("parameter_covariance", &GrowthModelFit::parameter_covariance)
      .def_readonly("levels", &GrowthModelFit::levels)
      .def_readonly("member_log_ratio", &GrowthModelFit::member_log_ratio)
      .def_readonly("sizes", &GrowthModelFit::sizes)
      .def_readonly("n_readings", &GrowthModelFit::n_readings)
      .def_readonly("n_rounded", &GrowthModelFit::n_rounded)
      .def_readonly("n_animals_read", &GrowthModelFit::n_animals_read)
      .def_readonly("n_searched", &GrowthModelFit::n_searched)
      .def_readonly("evaluations", &GrowthModelFit::evaluations)
      .def_readonly("health", &GrowthModelFit::health);
}

}  // namespace

void bind_growth_latent(py::module_& m) {
  bind_data(m);
  bind_options_of_growth_latent(m);
  bind_fit_of_growth_latent(m);
  m.def(
      "fit_growth_model",
      [](const GrowthData& data, const GrowthModelOptions& options) {
        return std::make_shared<GrowthModelFit>(fit_growth_model(data, options));
      },
      py::arg("data"), py::arg("options"), py::call_guard<py::gil_scoped_release>());
  m.def("size_after", &size_after, py::arg("fit"), py::arg("animal"), py::arg("molts_ahead"));
}

}  // namespace moltspan::bindings
