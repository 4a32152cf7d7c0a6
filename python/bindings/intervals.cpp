#include "moltspan/intervals/intervals.hpp"

#include <pybind11/eigen.h>
#include <pybind11/stl.h>

#include "module.hpp"
#include "moltspan/intervals/priors.hpp"
#include "moltspan/intervals/wald.hpp"

namespace moltspan::bindings {
namespace {

using Eigen::VectorXd;

std::vector<StadiumBounds> to_bounds(const VectorXd& min_days, const VectorXd& max_days,
                                     const VectorXd& start_range_days, const VectorXd& entry_days,
                                     const VectorXd& end_range_days) {
  std::vector<StadiumBounds> bounds(static_cast<std::size_t>(min_days.size()));
  for (std::size_t i = 0; i < bounds.size(); ++i) {
    const auto row = static_cast<Eigen::Index>(i);
    bounds[i] = {min_days[row], max_days[row], start_range_days[row], entry_days[row],
                 end_range_days.size() == 0 ? 0.0 : end_range_days[row]};
  }
  return bounds;
}

StadiaData to_data(const VectorXd& min_days, const VectorXd& max_days, const VectorXd& start_range_days,
                   const VectorXd& entry_days, const Eigen::MatrixXd& covariates, const std::vector<std::string>& coefficients,
                   const VectorXd& weights, const VectorXd& extra_variance,
                   std::array<std::vector<int>, n_levels> groups, const VectorXd& end_range_days,
                   std::vector<int> follows) {
  StadiaData data;
  data.bounds = to_bounds(min_days, max_days, start_range_days, entry_days, end_range_days);
  data.covariates = covariates;
  for (const auto& name : coefficients) data.coefficients.push_back({name, role_named(name)});
  data.weights = weights;
  data.extra_variance = extra_variance;
  data.groups = std::move(groups);
  data.follows = std::move(follows);
  return data;
}

void bind_enums(py::module_& m) {
  py::enum_<Family>(m, "Family")
      .value("lognormal", Family::lognormal)
      .value("weibull", Family::weibull)
      .value("loglogistic", Family::loglogistic);
  py::enum_<Truncation>(m, "Truncation")
      .value("conditional", Truncation::conditional)
      .value("marginal", Truncation::marginal)
      .value("renewal", Truncation::renewal);
  py::enum_<Method>(m, "Method").value("ml", Method::ml).value("bayes", Method::bayes);
  py::enum_<Level>(m, "Level")
      .value("genus", Level::genus)
      .value("taxon", Level::taxon)
      .value("cohort", Level::cohort)
      .value("animal", Level::animal);
  py::enum_<HealthState>(m, "HealthState")
      .value("good", HealthState::good)
      .value("warning", HealthState::warning)
      .value("bad", HealthState::bad)
      .value("not_run", HealthState::not_run);
}

void bind_results_of_intervals(py::module_& m) {
  py::class_<HealthNote>(m, "HealthNote")
      .def_readonly("state", &HealthNote::state)
      .def_readonly("topic", &HealthNote::topic)
      .def_readonly("text", &HealthNote::text);
  py::class_<PredictorMixture>(m, "PredictorMixture")
      .def_readonly("weights", &PredictorMixture::weights)
      .def_readonly("log_sigma", &PredictorMixture::log_sigma)
      .def_readonly("mean", &PredictorMixture::mean)
      .def_readonly("variance", &PredictorMixture::variance);
  py::class_<PosteriorPoints>(m, "PosteriorPoints")
      .def_readonly("weights", &PosteriorPoints::weights)
      .def_readonly("hyper", &PosteriorPoints::hyper)
      .def_readonly("coefficient_mean", &PosteriorPoints::coefficient_mean)
      .def_readonly("coefficient_sd", &PosteriorPoints::coefficient_sd);
  py::class_<Intervals>(m, "Intervals")
      .def_readonly("estimate", &Intervals::estimate)
      .def_readonly("lower", &Intervals::lower)
      .def_readonly("upper", &Intervals::upper);
  py::class_<ParameterIntervals>(m, "ParameterIntervals")
      .def_readonly("names", &ParameterIntervals::names)
      .def_readonly("of", &ParameterIntervals::of);
  py::class_<StadiaEstimate>(m, "StadiaEstimate")
      .def_readonly("names", &StadiaEstimate::names)
      .def_readonly("values", &StadiaEstimate::values)
      .def_readonly("covariance", &StadiaEstimate::covariance);
  py::class_<StadiaFit>(m, "StadiaFit")
      .def_property_readonly("family", [](const StadiaFit& fit) { return fit.options.family; })
      .def_property_readonly("method", [](const StadiaFit& fit) { return fit.options.method; })
      .def_readonly("coefficient_names", &StadiaFit::coefficient_names)
      .def_readonly("coefficients", &StadiaFit::coefficients)
      .def_readonly("coefficient_errors", &StadiaFit::coefficient_errors)
      .def_readonly("levels", &StadiaFit::levels)
      .def_readonly("learned_names", &StadiaFit::learned_names)
      .def_readonly("learned_sds", &StadiaFit::learned_sds)
      .def_readonly("learned_sd_errors", &StadiaFit::learned_sd_errors)
      .def_readonly("level_sds", &StadiaFit::level_sds)
      .def_readonly("level_sd_errors", &StadiaFit::level_sd_errors)
      .def_readonly("sigma", &StadiaFit::sigma)
      .def_readonly("sigma_error", &StadiaFit::sigma_error)
      .def_readonly("estimate", &StadiaFit::estimate)
      .def_readonly("log_likelihood", &StadiaFit::log_likelihood)
      .def_readonly("laplace_log_likelihood", &StadiaFit::laplace_log_likelihood)
      .def_readonly("iterations", &StadiaFit::iterations)
      .def_readonly("quadrature_nodes", &StadiaFit::quadrature_nodes)
      .def_readonly("points", &StadiaFit::points)
      .def_readonly("n_records", &StadiaFit::n_records)
      .def_readonly("n_exact", &StadiaFit::n_exact)
      .def_readonly("n_interval", &StadiaFit::n_interval)
      .def_readonly("n_left", &StadiaFit::n_left)
      .def_readonly("n_running", &StadiaFit::n_running)
      .def_readonly("n_truncated", &StadiaFit::n_truncated)
      .def_readonly("n_doubly", &StadiaFit::n_doubly)
      .def_readonly("n_members", &StadiaFit::n_members)
      .def_readonly("health", &StadiaFit::health)
      .def_readonly("running_rows", &StadiaFit::running_rows);
}

}  // namespace

void bind_intervals(py::module_& m) {
  bind_enums(m);
  py::class_<Prior> prior(m, "Prior");
  py::enum_<Prior::Kind>(prior, "Kind")
      .value("normal", Prior::Kind::normal)
      .value("half_normal", Prior::Kind::half_normal);
  prior.def(py::init([](Prior::Kind kind, double mean, double sd) {
         return Prior{kind, mean, sd};
       }))
      .def_readonly("kind", &Prior::kind)
      .def_readonly("mean", &Prior::mean)
      .def_readonly("sd", &Prior::sd);
  py::class_<StadiaOptions>(m, "StadiaOptions")
      .def(py::init<>())
      .def_readwrite("family", &StadiaOptions::family)
      .def_readwrite("method", &StadiaOptions::method)
      .def_readwrite("truncation", &StadiaOptions::truncation)
      .def_readwrite("quadrature", &StadiaOptions::quadrature)
      .def_readwrite("priors", &StadiaOptions::priors)
      .def_readwrite("threads", &StadiaOptions::threads);
  py::class_<StadiaData>(m, "StadiaData")
      .def(py::init(&to_data), py::arg("min_days"), py::arg("max_days"), py::arg("start_range_days"),
           py::arg("entry_days"), py::arg("covariates"), py::arg("coefficients"), py::arg("weights"),
           py::arg("extra_variance"), py::arg("groups"), py::arg("end_range_days") = VectorXd(),
           py::arg("follows") = std::vector<int>());
  bind_results_of_intervals(m);
  const auto no_gil = py::call_guard<py::gil_scoped_release>();
  m.def("fit_stadia", &fit_stadia, py::arg("data"), py::arg("options"), no_gil);
  m.def("stadia_log_likelihood", &stadia_log_likelihood, py::arg("data"), py::arg("options"), py::arg("parameters"),
        no_gil);
  m.def("wald_intervals", &wald_intervals, py::arg("estimates"), py::arg("errors"), py::arg("level"));
  m.def("standard_errors", &standard_errors, py::arg("covariance"));
  m.def("parameter_intervals", &parameter_intervals, py::arg("fit"), py::arg("level"));
  m.attr("new_member_code") = new_member_code;
  m.attr("left_out_code") = left_out_code;
  m.def("priors_used", &priors_used, py::arg("fit"));
  m.def("posterior_as_priors", &posterior_as_priors, py::arg("fit"), py::arg("weight"));
  m.def("posterior_points", &posterior_points, py::arg("fit"), no_gil);
  m.def("running_predictors", &running_predictors, py::arg("fit"), no_gil);
  m.def("predict_stadia", &predict_stadia, py::arg("fit"), py::arg("covariates"), py::arg("members"), no_gil);
  m.def("mixture_survival", &mixture_survival, py::arg("family"), py::arg("mixture"), py::arg("predictor"),
        py::arg("t_days"));
  m.def("mixture_quantiles", &mixture_quantiles, py::arg("family"), py::arg("mixture"), py::arg("probabilities"),
        no_gil);
  m.def("median_quantiles", &median_quantiles, py::arg("family"), py::arg("mixture"), py::arg("probabilities"), no_gil);
  m.def("running_quantiles", &running_quantiles, py::arg("family"), py::arg("mixture"), py::arg("elapsed_days"),
        py::arg("probabilities"), no_gil);
  m.def(
      "stadium_term",
      [](Family family, double min_days, double max_days, double start_range_days, double entry_days, double eta,
         double log_sigma, Truncation truncation) {
        const StadiumTerm t =
            stadium_term(family, {min_days, max_days, start_range_days, entry_days, 0}, eta, log_sigma, truncation);
        return std::array<double, 6>{t.value, t.d_eta, t.d_s, t.d_eta_eta, t.d_eta_s, t.d_s_s};
      },
      py::arg("family"), py::arg("min_days"), py::arg("max_days"), py::arg("start_range_days"), py::arg("entry_days"),
      py::arg("eta"), py::arg("log_sigma"), py::arg("truncation"));
}

}  // namespace moltspan::bindings
