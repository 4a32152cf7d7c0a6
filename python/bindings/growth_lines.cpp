#include "moltspan/growth/lines.hpp"

#include <pybind11/eigen.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

using namespace py::literals;

void bind_laws_of_growth_lines(py::module_& m) {
  m.attr("przibram_ratio") = przibram_ratio;
  py::class_<LineInterval>(m, "LineInterval")
      .def_readonly("estimate", &LineInterval::estimate)
      .def_readonly("lower", &LineInterval::lower)
      .def_readonly("upper", &LineInterval::upper);
  py::class_<LineTest>(m, "LineTest")
      .def_readonly("statistic", &LineTest::statistic)
      .def_readonly("p_value", &LineTest::p_value)
      .def_readonly("df", &LineTest::df);
  py::class_<LineBands>(m, "LineBands")
      .def_readonly("estimate", &LineBands::estimate)
      .def_readonly("mean_lower", &LineBands::mean_lower)
      .def_readonly("mean_upper", &LineBands::mean_upper)
      .def_readonly("simultaneous_lower", &LineBands::simultaneous_lower)
      .def_readonly("simultaneous_upper", &LineBands::simultaneous_upper)
      .def_readonly("new_lower", &LineBands::new_lower)
      .def_readonly("new_upper", &LineBands::new_upper)
      .def_readonly("extrapolated", &LineBands::extrapolated);
  m.def("t_interval", &t_interval, "estimate"_a, "standard_error"_a, "residual_df"_a, "level"_a);
}

void bind_line(py::module_& m) {
  using numeric::LinearFit;
  py::class_<LinearFit>(m, "LinearFit")
      .def_readonly("coefficients", &LinearFit::coefficients)
      .def_property_readonly("covariance", &LinearFit::covariance)
      .def_readonly("residuals", &LinearFit::residuals)
      .def_readonly("residual_sd", &LinearFit::residual_sd)
      .def_readonly("residual_df", &LinearFit::residual_df)
      .def_readonly("r_squared", &LinearFit::r_squared)
      .def_readonly("n", &LinearFit::n)
      .def("standard_error", &LinearFit::standard_error, "coefficient"_a);
}

void bind_checks(py::module_& m) {
  py::class_<CrosbyRow>(m, "CrosbyRow")
      .def_readonly("instar", &CrosbyRow::instar)
      .def_readonly("ratio_before", &CrosbyRow::ratio_before)
      .def_readonly("ratio_after", &CrosbyRow::ratio_after)
      .def_readonly("percent", &CrosbyRow::percent)
      .def_readonly("look", &CrosbyRow::look);
  py::class_<CrosbyCheck>(m, "CrosbyCheck")
      .def_readonly("rows", &CrosbyCheck::rows)
      .def_readonly("beyond", &CrosbyCheck::beyond)
      .def_readonly("expected_beyond", &CrosbyCheck::expected_beyond)
      .def_readonly("expected_beyond_typical", &CrosbyCheck::expected_beyond_typical);
  py::class_<SizeCheck> check(m, "SizeCheck");
  py::enum_<SizeCheck::State>(check, "State")
      .value("agrees", SizeCheck::State::agrees)
      .value("note", SizeCheck::State::note)
      .value("warn", SizeCheck::State::warn);
  check.def_readonly("instar", &SizeCheck::instar)
      .def_readonly("size_mm", &SizeCheck::size_mm)
      .def_readonly("calculated_mm", &SizeCheck::calculated_mm)
      .def_readonly("difference_mm", &SizeCheck::difference_mm)
      .def_readonly("state", &SizeCheck::state);
}

void bind_dyar(py::module_& m) {
  py::class_<MoltCount>(m, "MoltCount")
      .def_readonly("exact", &MoltCount::exact)
      .def_readonly("molts", &MoltCount::molts)
      .def_readonly("start_mm", &MoltCount::start_mm)
      .def_readonly("ratio", &MoltCount::ratio)
      .def_readonly("lower", &MoltCount::lower)
      .def_readonly("upper", &MoltCount::upper);
  py::class_<DyarFit>(m, "DyarFit")
      .def_readonly("instars", &DyarFit::instars)
      .def_readonly("sizes_mm", &DyarFit::sizes_mm)
      .def_readonly("weights", &DyarFit::weights)
      .def_readonly("line", &DyarFit::line)
      .def_readonly("n_instars", &DyarFit::n_instars)
      .def_readonly("ratio", &DyarFit::ratio)
      .def_readonly("quadratic", &DyarFit::quadratic)
      .def_readonly("quadratic_error", &DyarFit::quadratic_error)
      .def_readonly("quadratic_test", &DyarFit::quadratic_test)
      .def_readonly("crosby", &DyarFit::crosby)
      .def_readonly("checks", &DyarFit::checks)
      .def_readonly("health", &DyarFit::health);
  m.def("dyar_fit", &dyar_fit, "instars"_a, "sizes_mm"_a, "weights"_a);
  m.def("growth_ratio", py::overload_cast<const DyarFit&, double>(&growth_ratio), "fit"_a, "level"_a);
  m.def("test_ratio", py::overload_cast<const DyarFit&, double>(&test_ratio), "fit"_a, "ratio"_a);
  m.def("predict_sizes", &predict_sizes, "fit"_a, "instars"_a, "level"_a);
  m.def("molts_to_reach", py::overload_cast<double, double, double>(&molts_to_reach), "size_mm"_a, "start_mm"_a,
        "ratio"_a);
  m.def(
      "molts_to_reach",
      py::overload_cast<const DyarFit&, double, std::optional<double>, std::optional<double>, double>(&molts_to_reach),
      "fit"_a, "size_mm"_a, "start_mm"_a, "ratio"_a, "level"_a);
}

void bind_animals(py::module_& m) {
  py::class_<PooledDyar>(m, "PooledDyar")
      .def_readonly("ratio", &PooledDyar::ratio)
      .def_readonly("slope", &PooledDyar::slope)
      .def_readonly("slope_error", &PooledDyar::slope_error)
      .def_readonly("residual_sd", &PooledDyar::residual_sd)
      .def_readonly("r_squared_within", &PooledDyar::r_squared_within)
      .def_readonly("residual_df", &PooledDyar::residual_df)
      .def_readonly("n", &PooledDyar::n)
      .def_readonly("n_animals", &PooledDyar::n_animals)
      .def_readonly("intercepts", &PooledDyar::intercepts)
      .def_readonly("equal_slopes", &PooledDyar::equal_slopes)
      .def_readonly("equal_slopes_df", &PooledDyar::equal_slopes_df)
      .def_readonly("health", &PooledDyar::health);
  py::class_<DyarAnimals>(m, "DyarAnimals")
      .def_readonly("animals", &DyarAnimals::animals)
      .def_readonly("pooled", &DyarAnimals::pooled);
  m.def("dyar_fit_animals", &dyar_fit_animals, "instars"_a, "sizes_mm"_a, "animal"_a, "weights"_a);
  m.def("growth_ratio", py::overload_cast<const PooledDyar&, double>(&growth_ratio), "fit"_a, "level"_a);
  m.def("test_ratio", py::overload_cast<const PooledDyar&, double>(&test_ratio), "fit"_a, "ratio"_a);
}

void bind_increments(py::module_& m) {
  py::enum_<IncrementForm>(m, "IncrementForm")
      .value("hiatt", IncrementForm::hiatt)
      .value("log", IncrementForm::log)
      .value("bent", IncrementForm::bent);
  py::enum_<IncrementLoss>(m, "IncrementLoss")
      .value("squares", IncrementLoss::squares)
      .value("huber", IncrementLoss::huber);
  py::class_<IncrementFit>(m, "IncrementFit")
      .def_readonly("names", &IncrementFit::names)
      .def_readonly("coefficients", &IncrementFit::coefficients)
      .def_readonly("covariance", &IncrementFit::covariance)
      .def_readonly("fitted_mm", &IncrementFit::fitted_mm)
      .def_readonly("row_weights", &IncrementFit::row_weights)
      .def_readonly("residual_sd", &IncrementFit::residual_sd)
      .def_readonly("residual_sum_of_squares", &IncrementFit::residual_sum_of_squares)
      .def_readonly("r_squared", &IncrementFit::r_squared)
      .def_readonly("straight_sd", &IncrementFit::straight_sd)
      .def_readonly("residual_df", &IncrementFit::residual_df)
      .def_readonly("n", &IncrementFit::n)
      .def_readonly("health", &IncrementFit::health)
      .def("standard_error", &IncrementFit::standard_error, "coefficient"_a);
  m.def(
      "increment_fit",
      [](const Eigen::VectorXd& pre_mm, const Eigen::VectorXd& post_mm, IncrementForm form, IncrementLoss loss) {
        return increment_fit(pre_mm, post_mm, {form, loss});
      },
      "pre_mm"_a, "post_mm"_a, "form"_a, "loss"_a);
  m.def("predict_post", &predict_post, "fit"_a, "pre_mm"_a, "level"_a);
}

void bind_inverse(py::module_& m) {
  py::class_<BreakpointInterval>(m, "BreakpointInterval")
      .def_readonly("estimate", &BreakpointInterval::estimate)
      .def_readonly("lower", &BreakpointInterval::lower)
      .def_readonly("upper", &BreakpointInterval::upper)
      .def_readonly("lower_open", &BreakpointInterval::lower_open)
      .def_readonly("upper_open", &BreakpointInterval::upper_open);
  py::class_<InverseInterval> inverse(m, "InverseInterval");
  py::enum_<InverseInterval::Kind>(inverse, "Kind")
      .value("bounded", InverseInterval::Kind::bounded)
      .value("outside", InverseInterval::Kind::outside)
      .value("everything", InverseInterval::Kind::everything)
      .value("unknown", InverseInterval::Kind::unknown);
  inverse.def_readonly("kind", &InverseInterval::kind)
      .def_readonly("estimate", &InverseInterval::estimate)
      .def_readonly("lower", &InverseInterval::lower)
      .def_readonly("upper", &InverseInterval::upper);
  m.def("breakpoint_interval", &breakpoint_interval, "fit"_a, "level"_a);
  m.def("predict_pre", &predict_pre, "fit"_a, "post_mm"_a, "level"_a, "mean"_a);
}

void bind_models(py::module_& m) {
  py::class_<IncrementModel> increment(m, "IncrementModel");
  py::enum_<IncrementModel::Kind>(increment, "Kind")
      .value("hiatt", IncrementModel::Kind::hiatt)
      .value("log", IncrementModel::Kind::log)
      .value("bent", IncrementModel::Kind::bent)
      .value("constant", IncrementModel::Kind::constant)
      .value("factor", IncrementModel::Kind::factor);
  increment.def(py::init([](IncrementModel::Kind kind, double a, double b, double c, double breakpoint) {
                  return IncrementModel{kind, a, b, c, breakpoint};
                }),
                "kind"_a, "a"_a, "b"_a, "c"_a, "breakpoint"_a);
  py::class_<PeriodModel> period(m, "PeriodModel");
  py::enum_<PeriodModel::Kind>(period, "Kind")
      .value("none", PeriodModel::Kind::none)
      .value("constant", PeriodModel::Kind::constant)
      .value("factor", PeriodModel::Kind::factor)
      .value("degree_days", PeriodModel::Kind::degree_days)
      .value("belehradek", PeriodModel::Kind::belehradek);
  period.def(py::init([](PeriodModel::Kind kind, double a, double b, double c, double temperature_c, double lower_c,
                         double upper_c) { return PeriodModel{kind, a, b, c, temperature_c, lower_c, upper_c}; }),
             "kind"_a, "a"_a, "b"_a, "c"_a, "temperature_c"_a, "lower_c"_a, "upper_c"_a);
}

void bind_projection(py::module_& m) {
  py::class_<ProjectedMolt>(m, "ProjectedMolt")
      .def_readonly("molt", &ProjectedMolt::molt)
      .def_readonly("pre_mm", &ProjectedMolt::pre_mm)
      .def_readonly("post_mm", &ProjectedMolt::post_mm)
      .def_readonly("period_days", &ProjectedMolt::period_days)
      .def_readonly("age_days", &ProjectedMolt::age_days);
  py::class_<SlopeFactors>(m, "SlopeFactors")
      .def_readonly("molt", &SlopeFactors::molt)
      .def_readonly("period", &SlopeFactors::period);
  m.def("increment_model", &increment_model, "fit"_a);
  m.def("size_after", py::overload_cast<const IncrementModel&, double, int>(&size_after), "model"_a, "pre_mm"_a, "molt"_a);
  m.def("period_days", &period_days, "model"_a, "size_mm"_a, "molt"_a);
  m.def("project_molts", &project_molts, "start_mm"_a, "molts"_a, "increment"_a, "period"_a);
  m.def("slope_factors", &slope_factors, "sizes_mm"_a, "periods_days"_a);
}

}  // namespace

void bind_growth_lines(py::module_& m) {
  bind_laws_of_growth_lines(m);
  bind_line(m);
  bind_checks(m);
  bind_dyar(m);
  bind_animals(m);
  bind_increments(m);
  bind_inverse(m);
  bind_models(m);
  bind_projection(m);
}

}  // namespace moltspan::bindings
