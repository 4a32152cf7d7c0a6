#include "moltspan/instars/instars.hpp"

#include <pybind11/eigen.h>
#include <pybind11/stl.h>

#include "module.hpp"
#include "moltspan/intervals/wald.hpp"

namespace moltspan::bindings {
namespace {

void bind_options_of_instars(py::module_& m) {
  py::enum_<Spacing>(m, "Spacing")
      .value("dyar", Spacing::dyar)
      .value("declining", Spacing::declining)
      .value("free", Spacing::free);
  py::enum_<Spread>(m, "Spread")
      .value("equal", Spread::equal)
      .value("linear", Spread::linear)
      .value("free", Spread::free);
  py::enum_<Covariance>(m, "Covariance").value("full", Covariance::full).value("diagonal", Covariance::diagonal);
  py::class_<InstarSizes>(m, "InstarSizes")
      .def(py::init([](Eigen::MatrixXd sizes_mm, std::vector<int> known) {
             return InstarSizes{std::move(sizes_mm), std::move(known)};
           }),
           py::arg("sizes_mm"), py::arg("known"))
      .def_readonly("sizes_mm", &InstarSizes::sizes_mm);
  py::class_<InstarOptions>(m, "InstarOptions")
      .def(py::init<>())
      .def_readwrite("n_instars", &InstarOptions::n_instars)
      .def_readwrite("max_instars", &InstarOptions::max_instars)
      .def_readwrite("spacing", &InstarOptions::spacing)
      .def_readwrite("spread", &InstarOptions::spread)
      .def_readwrite("covariance", &InstarOptions::covariance)
      .def_readwrite("least_spread", &InstarOptions::least_spread)
      .def_readwrite("reading_step_mm", &InstarOptions::reading_step_mm)
      .def_readwrite("bootstrap", &InstarOptions::bootstrap)
      .def_readwrite("seed", &InstarOptions::seed)
      .def_readwrite("threads", &InstarOptions::threads);
}

void bind_fit_of_instars(py::module_& m) {
  py::class_<InstarFit>(m, "InstarFit")
      .def_readonly("n_instars", &InstarFit::n_instars)
      .def_readonly("first_instar", &InstarFit::first_instar)
      .def_readonly("log_likelihood", &InstarFit::log_likelihood)
      .def_readonly("n_parameters", &InstarFit::n_parameters)
      .def_readonly("bic", &InstarFit::bic)
      .def_readonly("icl", &InstarFit::icl)
      .def_readonly("weights", &InstarFit::weights)
      .def_readonly("mean_log", &InstarFit::mean_log)
      .def_readonly("sd_log", &InstarFit::sd_log)
      .def_readonly("covariance_log", &InstarFit::covariance_log)
      .def_readonly("log_ratio", &InstarFit::log_ratio)
      .def_readonly("log_ratio_error", &InstarFit::log_ratio_error)
      .def_readonly("expected_count", &InstarFit::expected_count)
      .def_readonly("iterations", &InstarFit::iterations)
      .def_readonly("newton_steps", &InstarFit::newton_steps)
      .def_readonly("gradient", &InstarFit::gradient)
      .def_readonly("converged", &InstarFit::converged)
      .def_readonly("spread_at_floor", &InstarFit::spread_at_floor)
      .def_readonly("others", &InstarFit::others);
}

void bind_mixture_of_instars(py::module_& m) {
  py::class_<InstarTest>(m, "InstarTest")
      .def_readonly("n_instars", &InstarTest::n_instars)
      .def_readonly("likelihood_ratio", &InstarTest::likelihood_ratio)
      .def_readonly("p_value", &InstarTest::p_value)
      .def_readonly("replicates", &InstarTest::replicates);
  py::class_<InstarRange>(m, "InstarRange")
      .def_readonly("instar", &InstarRange::instar)
      .def_readonly("lower_mm", &InstarRange::lower_mm)
      .def_readonly("upper_mm", &InstarRange::upper_mm);
  py::class_<Misclassification>(m, "Misclassification")
      .def_readonly("overall", &Misclassification::overall)
      .def_readonly("of_instar", &Misclassification::of_instar)
      .def_readonly("standard_error", &Misclassification::standard_error);
  py::class_<InstarMixture>(m, "InstarMixture")
      .def_readonly("n", &InstarMixture::n)
      .def_readonly("n_known", &InstarMixture::n_known)
      .def_readonly("best", &InstarMixture::best)
      .def_readonly("fits", &InstarMixture::fits)
      .def_readonly("posterior", &InstarMixture::posterior)
      .def_readonly("instar", &InstarMixture::instar)
      .def_readonly("misclassified", &InstarMixture::misclassified)
      .def_readonly("ranges", &InstarMixture::ranges)
      .def_readonly("tests", &InstarMixture::tests)
      .def_readonly("health", &InstarMixture::health);
}

}  // namespace

void bind_instars(py::module_& m) {
  bind_options_of_instars(m);
  bind_fit_of_instars(m);
  bind_mixture_of_instars(m);
  m.attr("instar_not_known") = instar_not_known;
  const auto no_gil = py::call_guard<py::gil_scoped_release>();
  m.def("fit_instars", &fit_instars, py::arg("sizes"), py::arg("n_instars"), py::arg("options"), no_gil);
  m.def("instar_mixture", &instar_mixture, py::arg("sizes"), py::arg("options"), no_gil);
  m.def(
      "growth_ratio_intervals",
      [](const InstarFit& fit, double level) { return log_wald_intervals(fit.log_ratio, fit.log_ratio_error, level); },
      py::arg("fit"), py::arg("level"));
  m.def("instar_posterior", &instar_posterior, py::arg("fit"), py::arg("sizes"), py::arg("options"), no_gil);
  m.def("instar_bootstrap", &instar_bootstrap, py::arg("sizes"), py::arg("result"), py::arg("replicates"),
        py::arg("seed"), py::arg("threads"), no_gil);
}

}  // namespace moltspan::bindings
