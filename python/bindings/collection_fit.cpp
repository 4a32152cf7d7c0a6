#include "moltspan/collection_fit.hpp"

#include <pybind11/eigen.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {

void bind_collection_fit(py::module_& m) {
  py::class_<CollectionOptions>(m, "CollectionOptions")
      .def(py::init<>())
      .def_readwrite("as_of", &CollectionOptions::as_of)
      .def_readwrite("watched", &CollectionOptions::watched)
      .def_readwrite("family", &CollectionOptions::family)
      .def_readwrite("method", &CollectionOptions::method)
      .def_readwrite("truncation", &CollectionOptions::truncation)
      .def_readwrite("priors", &CollectionOptions::priors)
      .def_readwrite("threads", &CollectionOptions::threads)
      .def_readwrite("growth_model", &CollectionOptions::growth_model);
  py::class_<SignParameters>(m, "SignParameters")
      .def_readonly("noted", &SignParameters::noted)
      .def_readonly("alarms_per_day", &SignParameters::alarms_per_day)
      .def_readonly("lag_days", &SignParameters::lag_days)
      .def_readonly("lag_log_sd", &SignParameters::lag_log_sd)
      .def_readonly("lag_exponent", &SignParameters::lag_exponent);
  py::class_<SignModel>(m, "SignModel")
      .def_property_readonly("sign", [](const SignModel& model) { return std::string(sign_name(model.sign)); })
      .def_readonly("recorded", &SignModel::recorded)
      .def_readonly("absence_counts", &SignModel::absence_counts)
      .def_readonly("closed", &SignModel::closed)
      .def_readonly("shown", &SignModel::shown)
      .def_readonly("center", &SignModel::center)
      .def_readonly("points", &SignModel::points);
  py::class_<CollectionFit>(m, "CollectionFit")
      .def_property_readonly("as_of", [](const CollectionFit& fit) { return fit.table.as_of; })
      .def_property_readonly("table_doubts", [](const CollectionFit& fit) { return fit.table.doubts; })
      .def_readonly("data", &CollectionFit::data)
      .def_readonly("stadia", &CollectionFit::stadia)
      .def_property_readonly(
          "growth", [](const CollectionFit& fit) { return std::const_pointer_cast<GrowthModelFit>(fit.growth); })
      .def_readonly("group_names", &CollectionFit::group_names)
      .def_readonly("health", &CollectionFit::health)
      .def_readonly("signs", &CollectionFit::signs)
      .def_readonly("exponent_for_size_error", &CollectionFit::exponent_for_size_error);
  m.def(
      "fit_collection",
      [](std::shared_ptr<Collection> collection, const CollectionOptions& options) {
        return fit_collection(std::move(collection), options);
      },
      py::arg("collection"), py::arg("options"), py::call_guard<py::gil_scoped_release>());
}

}  // namespace moltspan::bindings
