#pragma once

#include <pybind11/pybind11.h>

namespace moltspan::bindings {

namespace py = pybind11;

void bind_intervals(py::module_& m);
void bind_growth(py::module_& m);
void bind_nonparametric(py::module_& m);
void bind_instars(py::module_& m);
void bind_records(py::module_& m);
void bind_stadia(py::module_& m);
void bind_backtest(py::module_& m);
void bind_growth_latent(py::module_& m);
void bind_growth_bayes(py::module_& m);
void bind_clock(py::module_& m);
void bind_collection_fit(py::module_& m);
void bind_forecast(py::module_& m);
void bind_cautions(py::module_& m);
void bind_housing(py::module_& m);
void bind_group(py::module_& m);
void bind_score(py::module_& m);
void bind_simulate(py::module_& m);
void bind_growth_lines(py::module_& m);
void bind_plots(py::module_& m);

}  // namespace moltspan::bindings
