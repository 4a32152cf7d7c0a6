#include "moltspan/score/score.hpp"

#include <pybind11/functional.h>
#include <pybind11/numpy.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

using namespace py::literals;

LogNormalMixture make_mixture(std::vector<double> weight, std::vector<double> mean_log, std::vector<double> sd_log,
                              double elapsed_days) {
  return {std::move(weight), std::move(mean_log), std::move(sd_log), elapsed_days};
}

void bind_mixture_of_score(py::module_& m) {
  using Mixture = LogNormalMixture;
  py::class_<Mixture>(m, "LogNormalMixture")
      .def(py::init(&make_mixture), "weight"_a, "mean_log"_a, "sd_log"_a, "elapsed_days"_a = 0.0)
      .def_readonly("weight", &Mixture::weight)
      .def_readonly("mean_log", &Mixture::mean_log)
      .def_readonly("sd_log", &Mixture::sd_log)
      .def_readonly("elapsed_days", &Mixture::elapsed_days)
      .def("cdf", &Mixture::cdf, "t_days"_a)
      .def("survival", &Mixture::survival, "t_days"_a)
      .def("log_density", &Mixture::log_density, "t_days"_a);
}

void bind_crps(py::module_& m) {
  m.def("crps_lognormal", py::vectorize(crps_lognormal), "y_days"_a, "mean_log"_a, "sd_log"_a);
  m.def("crps_lognormal_truncated", py::vectorize(crps_lognormal_truncated), "y_days"_a, "mean_log"_a, "sd_log"_a,
        "elapsed_days"_a);
  m.def("crps_lognormal_censored", py::vectorize(crps_lognormal_censored), "y_days"_a, "mean_log"_a, "sd_log"_a,
        "censored_at_days"_a);
  m.def("crps_lognormal_mixture", &crps_lognormal_mixture, "y_days"_a, "forecast"_a);
  m.def("crps_lognormal_mixture_censored", &crps_lognormal_mixture_censored, "y_days"_a, "forecast"_a,
        "censored_at_days"_a);
  m.def("crps_from_cdf", &crps_from_cdf, "y"_a, "cdf"_a, "low"_a, "high"_a);
  m.def("crps_from_quantiles", &crps_from_quantiles, "y"_a, "quantile"_a);
}

}  // namespace

void bind_score(py::module_& m) {
  bind_mixture_of_score(m);
  bind_crps(m);
  m.def("log_score", &log_score, "forecast"_a, "min_days"_a, "max_days"_a);
  m.def("interval_score", py::vectorize(interval_score), "y"_a, "lower"_a, "upper"_a, "level"_a);
  m.def(
      "pit",
      [](const LogNormalMixture& f, double min_days, double max_days) {
        const Pit p = pit(f, min_days, max_days);
        return std::pair(p.low, p.high);
      },
      "forecast"_a, "min_days"_a, "max_days"_a);
  m.def(
      "pit_histogram",
      [](const std::vector<std::pair<double, double>>& ends, int bins) {
        std::vector<Pit> pits;
        for (const auto& [low, high] : ends) pits.push_back({low, high});
        return pit_histogram(pits, bins);
      },
      "pits"_a, "bins"_a);
  m.def("covered_share", &covered_share, "forecast"_a, "min_days"_a, "max_days"_a, "lower"_a, "upper"_a);
  py::class_<ClusteredMean>(m, "ClusteredMean")
      .def_readonly("mean", &ClusteredMean::mean)
      .def_readonly("standard_error", &ClusteredMean::standard_error)
      .def_readonly("clustered_standard_error", &ClusteredMean::clustered_standard_error)
      .def_readonly("n", &ClusteredMean::n)
      .def_readonly("n_clusters", &ClusteredMean::n_clusters);
  m.def(
      "clustered_mean",
      [](const std::vector<double>& values, const std::vector<int>& cluster) {
        return clustered_mean(values, cluster);
      },
      "values"_a, "cluster"_a);
}

}  // namespace moltspan::bindings
