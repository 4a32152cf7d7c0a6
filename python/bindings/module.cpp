#include "module.hpp"

#include "moltspan/version.hpp"

namespace moltspan::bindings {
void bind_forecast_trajectory(pybind11::module_& m);
void bind_journal(pybind11::module_& m);
void bind_kinds(pybind11::module_& m);
}

// Table of contents of the compiled part: one function a header of include/moltspan.
PYBIND11_MODULE(_core, m) {
  m.doc() = "Compiled core of moltspan; use the functions of the package instead.";
  m.attr("__version__") = MOLTSPAN_VERSION;
  moltspan::bindings::bind_intervals(m);
  moltspan::bindings::bind_growth(m);
  moltspan::bindings::bind_instars(m);
  moltspan::bindings::bind_records(m);
  moltspan::bindings::bind_journal(m);
  moltspan::bindings::bind_stadia(m);
  moltspan::bindings::bind_kinds(m);
  moltspan::bindings::bind_nonparametric(m);
  moltspan::bindings::bind_growth_latent(m);
  moltspan::bindings::bind_growth_bayes(m);
  moltspan::bindings::bind_clock(m);
  moltspan::bindings::bind_collection_fit(m);
  moltspan::bindings::bind_forecast(m);
  moltspan::bindings::bind_forecast_trajectory(m);
  moltspan::bindings::bind_cautions(m);
  moltspan::bindings::bind_housing(m);
  moltspan::bindings::bind_group(m);
  moltspan::bindings::bind_score(m);
  moltspan::bindings::bind_simulate(m);
  moltspan::bindings::bind_growth_lines(m);
  moltspan::bindings::bind_backtest(m);
  moltspan::bindings::bind_plots(m);
}
