#include "moltspan/group/group.hpp"

#include <pybind11/eigen.h>
#include <pybind11/numpy.h>
#include <pybind11/stl.h>

#include "module.hpp"
#include "moltspan/group/allometry.hpp"
#include "moltspan/group/temperature.hpp"

namespace moltspan::bindings {
namespace {

using namespace py::literals;
using Values = std::vector<double>;

void bind_summaries(py::module_& m) {
  py::class_<IntervalEstimate>(m, "IntervalEstimate")
      .def_readonly("estimate", &IntervalEstimate::estimate)
      .def_readonly("lower", &IntervalEstimate::lower)
      .def_readonly("upper", &IntervalEstimate::upper);
  py::class_<SizeSummary>(m, "SizeSummary")
      .def_readonly("n", &SizeSummary::n)
      .def_readonly("mean", &SizeSummary::mean)
      .def_readonly("sd", &SizeSummary::sd)
      .def_readonly("geometric_mean", &SizeSummary::geometric_mean);
  py::class_<RatioSummary>(m, "RatioSummary")
      .def_readonly("n", &RatioSummary::n)
      .def_readonly("ratio", &RatioSummary::ratio)
      .def_readonly("sd_log", &RatioSummary::sd_log);
  py::class_<GrowthRate>(m, "GrowthRate")
      .def_readonly("per_day", &GrowthRate::per_day)
      .def_readonly("mean", &GrowthRate::mean);
  m.def("summarize_sizes", [](const Values& sizes, double level) { return summarize_sizes(sizes, level); });
  m.def("growth_ratio",
        [](const Values& before, const Values& after, double level) { return growth_ratio(before, after, level); });
  m.def("specific_growth_rate", [](const Values& before, const Values& after, const Values& days, double level) {
    return specific_growth_rate(before, after, days, level);
  });
}

void bind_tables(py::module_& m) {
  py::class_<InstarRow>(m, "InstarRow")
      .def_readonly("stratum", &InstarRow::stratum)
      .def_readonly("instar", &InstarRow::instar)
      .def_readonly("n_readings", &InstarRow::n_readings)
      .def_readonly("size", &InstarRow::size)
      .def_readonly("ratio", &InstarRow::ratio);
  m.def("instar_table", [](const std::vector<int>& stratum, const std::vector<int>& animal,
                           const std::vector<int>& step, const Values& instar, const Values& size, double level) {
    std::vector<GroupReading> readings;
    for (std::size_t i = 0; i < size.size(); ++i)
      readings.push_back({stratum.at(i), animal.at(i), step.at(i), instar.at(i), size[i]});
    return instar_table(readings, level);
  });
  py::class_<AnimalReading>(m, "AnimalReading")
      .def_readonly("animal", &AnimalReading::animal)
      .def_property_readonly("measure", [](const AnimalReading& r) { return measure_name(r.measure); })
      .def_readonly("molts_before", &AnimalReading::molts_before)
      .def_readonly("instar", &AnimalReading::instar)
      .def_readonly("size", &AnimalReading::size)
      .def_readonly("on_skin", &AnimalReading::on_skin)
      .def_readonly("day", &AnimalReading::day);
  m.def("animal_readings", &animal_readings, "table"_a);
  m.def("stadium_instars", &stadium_instars, "table"_a);
  m.def("stadium_setups", &stadium_setups, "collection"_a, "table"_a);
}

void bind_tests(py::module_& m) {
  py::class_<SexRatio>(m, "SexRatio")
      .def_readonly("n", &SexRatio::n)
      .def_readonly("clopper_pearson", &SexRatio::clopper_pearson)
      .def_readonly("wilson", &SexRatio::wilson)
      .def_readonly("p_value", &SexRatio::p_value);
  m.def("sex_ratio",
        [](int female, int male, int probable_female, int probable_male, int unknown, double null_share, double level) {
          return sex_ratio({female, male, probable_female, probable_male, unknown}, null_share, level);
        });
  py::class_<LikelihoodRatio>(m, "LikelihoodRatio")
      .def_readonly("statistic", &LikelihoodRatio::statistic)
      .def_readonly("df", &LikelihoodRatio::df)
      .def_readonly("residual_df", &LikelihoodRatio::residual_df)
      .def_readonly("p_value", &LikelihoodRatio::p_value)
      .def_readonly("p_small_sample", &LikelihoodRatio::p_small_sample);
  m.def("likelihood_ratio", &likelihood_ratio);
  m.def("adjust_holm", &adjust_holm, "p_values"_a);
  py::class_<Contrasts>(m, "Contrasts")
      .def_readonly("estimate", &Contrasts::estimate)
      .def_readonly("standard_error", &Contrasts::standard_error)
      .def_readonly("lower", &Contrasts::lower)
      .def_readonly("upper", &Contrasts::upper)
      .def_readonly("simultaneous_lower", &Contrasts::simultaneous_lower)
      .def_readonly("simultaneous_upper", &Contrasts::simultaneous_upper)
      .def_readonly("p_value", &Contrasts::p_value)
      .def_readonly("p_holm", &Contrasts::p_holm)
      .def_readonly("p_max_t", &Contrasts::p_max_t)
      .def_readonly("chance_positive", &Contrasts::chance_positive)
      .def_readonly("critical_value", &Contrasts::critical_value);
  m.def("contrasts", &contrasts, "values"_a, "covariance"_a, "weights"_a, "level"_a, "df"_a);
}

void bind_temperature(py::module_& m) {
  m.def("q10", &q10);
  m.def("q10_from_slope", &q10_from_slope);
  py::class_<CurveParameter>(m, "CurveParameter")
      .def_readonly("name", &CurveParameter::name)
      .def_readonly("estimate", &CurveParameter::estimate)
      .def_readonly("standard_error", &CurveParameter::standard_error)
      .def_readonly("interval", &CurveParameter::interval)
      .def_readonly("delta", &CurveParameter::delta)
      .def_readonly("bootstrap", &CurveParameter::bootstrap);
  py::class_<CurveFit>(m, "CurveFit")
      .def_readonly("parameters", &CurveFit::parameters)
      .def_readonly("sigma", &CurveFit::sigma)
      .def_readonly("r_squared", &CurveFit::r_squared)
      .def_readonly("residual_sum_of_squares", &CurveFit::residual_sum_of_squares)
      .def_readonly("n", &CurveFit::n)
      .def_readonly("n_left_out", &CurveFit::n_left_out)
      .def_readonly("df", &CurveFit::df)
      .def_readonly("bootstrap_failed", &CurveFit::bootstrap_failed)
      .def_readonly("fitted", &CurveFit::fitted)
      .def_readonly("health", &CurveFit::health);
  const auto options = [](double level, int bootstrap, std::uint64_t seed) {
    return CurveOptions{level, bootstrap, seed};
  };
  m.def("thermal_sum_fit", [=](const Values& t, const Values& days, std::optional<double> from,
                               std::optional<double> to, double level, int bootstrap, std::uint64_t seed) {
    return thermal_sum_fit(t, days, from, to, options(level, bootstrap, seed));
  });
  m.def("belehradek_fit",
        [=](const Values& t, const Values& days, std::optional<double> c, double level, int bootstrap,
            std::uint64_t seed) { return belehradek_fit(t, days, c, options(level, bootstrap, seed)); });
  m.def("briere_fit", [=](const Values& t, const Values& days, double level, int bootstrap, std::uint64_t seed) {
    return briere_fit(t, days, options(level, bootstrap, seed));
  });
}

void bind_curves(py::module_& m) {
  py::class_<Belehradek>(m, "Belehradek")
      .def(py::init([](double a, double b_c, double c) {
             return Belehradek{a, b_c, c};
           }),
           "a"_a, "b_c"_a, "c"_a)
      .def("days", py::vectorize(&Belehradek::days))
      .def("temperature_c", py::vectorize(&Belehradek::temperature_c))
      .def("rate_per_day", py::vectorize(&Belehradek::rate_per_day));
  py::class_<Briere>(m, "Briere")
      .def(py::init([](double a, double lower_c, double upper_c) {
             return Briere{a, lower_c, upper_c};
           }),
           "a"_a, "lower_c"_a, "upper_c"_a)
      .def("rate_per_day", py::vectorize(&Briere::rate_per_day))
      .def("optimum_c", &Briere::optimum_c);
  m.def("accumulate_development", [](const Values& rates, double step_days) {
    const Accumulated a = accumulate_development(rates, step_days);
    return std::tuple(a.progress, a.days, a.days_within_step);
  });
}

void bind_allometry(py::module_& m) {
  py::enum_<LineMethod>(m, "LineMethod").value("ols", LineMethod::ols).value("sma", LineMethod::sma);
  py::class_<AllometryLine>(m, "AllometryLine")
      .def_readonly("group", &AllometryLine::group)
      .def_readonly("n", &AllometryLine::n)
      .def_readonly("slope", &AllometryLine::slope)
      .def_readonly("intercept", &AllometryLine::intercept)
      .def_readonly("r_squared", &AllometryLine::r_squared)
      .def_readonly("sigma", &AllometryLine::sigma)
      .def_readonly("p_isometry", &AllometryLine::p_isometry);
  py::class_<AllometryFit>(m, "AllometryFit")
      .def_readonly("lines", &AllometryFit::lines)
      .def_readonly("common_slope", &AllometryFit::common_slope)
      .def_readonly("statistic", &AllometryFit::statistic)
      .def_readonly("statistic_df", &AllometryFit::statistic_df)
      .def_readonly("residual_df", &AllometryFit::residual_df)
      .def_readonly("p_common", &AllometryFit::p_common)
      .def_readonly("health", &AllometryFit::health);
  m.def("allometry_fit",
        [](const Values& x, const Values& y, const std::vector<int>& group, LineMethod method, double level,
           double test_slope) { return allometry_fit(x, y, group, method, level, test_slope); });
}

}  // namespace

void bind_group(py::module_& m) {
  bind_summaries(m);
  bind_tables(m);
  bind_tests(m);
  bind_temperature(m);
  bind_curves(m);
  bind_allometry(m);
}

}  // namespace moltspan::bindings
