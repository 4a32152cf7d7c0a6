#include "moltspan/trajectory/trajectory.hpp"

#include <pybind11/numpy.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

/// Draws as a read-only array that keeps the result alive.
py::array draws_view(const py::object& owner, const double* data, std::vector<py::ssize_t> shape) {
  py::array view(py::dtype::of<double>(), std::move(shape), data, owner);
  py::detail::array_proxy(view.ptr())->flags &= ~py::detail::npy_api::NPY_ARRAY_WRITEABLE_;
  return view;
}

template <auto Member, bool PerMolt>
py::array draws_of(const py::object& self) {
  const auto& t = self.cast<const Trajectories&>();
  std::vector<py::ssize_t> shape = {static_cast<py::ssize_t>(t.animals.size()), t.options.draws};
  if (PerMolt) shape.push_back(t.options.molts);
  return draws_view(self, (t.*Member).get(), std::move(shape));
}

void bind_results_of_forecast_trajectory(py::module_& m) {
  py::class_<TrajectoryAnimal>(m, "TrajectoryAnimal")
      .def_readonly("animal", &TrajectoryAnimal::animal)
      .def_readonly("id", &TrajectoryAnimal::id)
      .def_readonly("taxon", &TrajectoryAnimal::taxon)
      .def_readonly("why_none", &TrajectoryAnimal::why_none)
      .def_readonly("adult_leg_span_mm", &TrajectoryAnimal::adult_leg_span_mm)
      .def_readonly("pace_percentile", &TrajectoryAnimal::pace_percentile)
      .def_readonly("ratio_percentile", &TrajectoryAnimal::ratio_percentile)
      .def_readonly("notes", &TrajectoryAnimal::notes);
  py::class_<TrajectoryFan>(m, "TrajectoryFan")
      .def_readonly("days", &TrajectoryFan::days)
      .def_readonly("levels", &TrajectoryFan::levels)
      .def_readonly("leg_span_mm", &TrajectoryFan::leg_span_mm)
      .def_readonly("complete", &TrajectoryFan::complete);
  py::class_<FirstPassage>(m, "FirstPassage")
      .def_readonly("leg_span_mm", &FirstPassage::leg_span_mm)
      .def_readonly("chance_already", &FirstPassage::chance_already)
      .def_readonly("chance", &FirstPassage::chance)
      .def_readonly("chance_never", &FirstPassage::chance_never)
      .def_readonly("days", &FirstPassage::days)
      .def("quantile_days", &FirstPassage::quantile_days, py::arg("p"));
}

}  // namespace

void bind_forecast_trajectory(py::module_& m);

void bind_forecast_trajectory(py::module_& m) {
  py::class_<TrajectoryOptions>(m, "TrajectoryOptions")
      .def(py::init<>())
      .def_readwrite("molts", &TrajectoryOptions::molts)
      .def_readwrite("draws", &TrajectoryOptions::draws)
      .def_readwrite("seed", &TrajectoryOptions::seed)
      .def_readwrite("growth_ratio", &TrajectoryOptions::growth_ratio)
      .def_readwrite("growth_log_sd", &TrajectoryOptions::growth_log_sd)
      .def_readwrite("threads", &TrajectoryOptions::threads);
  bind_results_of_forecast_trajectory(m);
  py::class_<Trajectories>(m, "Trajectories")
      .def_readonly("animals", &Trajectories::animals)
      .def_readonly("without", &Trajectories::without)
      .def_readonly("as_of", &Trajectories::as_of)
      .def_readonly("health", &Trajectories::health)
      .def_property_readonly("dates_days", &draws_of<&Trajectories::dates_days, true>)
      .def_property_readonly("leg_span_mm", &draws_of<&Trajectories::leg_span_mm, true>)
      .def_property_readonly("start_leg_span_mm", &draws_of<&Trajectories::start_leg_span_mm, false>)
      .def("fan", &Trajectories::fan, py::arg("index"), py::arg("levels"), py::arg("days"))
      .def("first_passage", &Trajectories::first_passage, py::arg("index"), py::arg("leg_span_mm"))
      .def("date_quantile", &Trajectories::date_quantile, py::arg("index"), py::arg("molt"), py::arg("p"))
      .def("size_quantile", &Trajectories::size_quantile, py::arg("index"), py::arg("molt"), py::arg("p"))
      .def("chance_of_molt", &Trajectories::chance_of_molt, py::arg("index"), py::arg("molt"));
  m.def("draw_trajectories", &draw_trajectories, py::arg("fit"), py::arg("animals"), py::arg("options"),
        py::call_guard<py::gil_scoped_release>());
}

}  // namespace moltspan::bindings
