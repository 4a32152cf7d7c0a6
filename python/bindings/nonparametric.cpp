#include "moltspan/nonparametric/nonparametric.hpp"

#include <pybind11/numpy.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

using namespace py::literals;
using Vector = std::vector<double>;
using Codes = std::vector<int>;
using Release = py::call_guard<py::gil_scoped_release>;

void bind_npmle(py::module_& m) {
  py::class_<OpenRange>(m, "OpenRange")
      .def_readonly("estimate", &OpenRange::estimate)
      .def_readonly("low", &OpenRange::low)
      .def_readonly("high", &OpenRange::high);
  py::class_<Npmle>(m, "Npmle")
      .def_readonly("left", &Npmle::left)
      .def_readonly("right", &Npmle::right)
      .def_readonly("mass", &Npmle::mass)
      .def_readonly("survival", &Npmle::survival)
      .def_readonly("hazard", &Npmle::hazard)
      .def_readonly("at_risk", &Npmle::at_risk)
      .def_readonly("log_likelihood", &Npmle::log_likelihood)
      .def_readonly("gap", &Npmle::gap)
      .def_readonly("support_gap", &Npmle::support_gap)
      .def_readonly("iterations", &Npmle::iterations)
      .def_readonly("n_records", &Npmle::n_records)
      .def_readonly("n_distinct", &Npmle::n_distinct)
      .def_readonly("n_exact", &Npmle::n_exact)
      .def_readonly("n_interval", &Npmle::n_interval)
      .def_readonly("n_left", &Npmle::n_left)
      .def_readonly("n_right", &Npmle::n_right)
      .def_readonly("n_truncated", &Npmle::n_truncated)
      .def_readonly("n_silent", &Npmle::n_silent)
      .def_readonly("total_weight", &Npmle::total_weight)
      .def_readonly("given_days", &Npmle::given_days)
      .def_readonly("breaks_days", &Npmle::breaks_days)
      .def_readonly("health", &Npmle::health);
  m.def("stadium_npmle", &stadium_npmle, "times"_a, "given_days"_a = 0.0, Release());
  m.def("survival_at", &survival_at, "fit"_a, "t_days"_a);
  m.def("quantile_days", py::overload_cast<const Npmle&, double>(&quantile_days), "fit"_a, "p"_a);
}

void bind_resampling(py::module_& m) {
  py::class_<ResampleOptions>(m, "ResampleOptions")
      .def(py::init(
               [](Codes cluster, int resamples, std::uint64_t seed, double level, int threads, std::uint32_t stream) {
                 return ResampleOptions{std::move(cluster), resamples, seed, level, threads, stream};
               }),
           "cluster"_a, "resamples"_a, "seed"_a, "level"_a, "threads"_a = 1, "stream"_a = 0);
  py::class_<Limits>(m, "Limits")
      .def_readonly("lower", &Limits::lower)
      .def_readonly("upper", &Limits::upper)
      .def_readonly("failed", &Limits::failed);
  py::class_<Difference>(m, "Difference")
      .def_readonly("estimate", &Difference::estimate)
      .def_readonly("lower", &Difference::lower)
      .def_readonly("upper", &Difference::upper);
  m.def(
      "survival_band",
      [](const BoundedTimes& times, const Vector& t_days, double given_days, const ResampleOptions& options) {
        return survival_band(times, t_days, given_days, options);
      },
      "times"_a, "t_days"_a, "given_days"_a, "options"_a, Release());
  m.def(
      "quantile_limits",
      [](const BoundedTimes& times, const Vector& p, double given_days, const ResampleOptions& options) {
        return quantile_limits(times, p, given_days, options);
      },
      "times"_a, "p"_a, "given_days"_a, "options"_a, Release());
  m.def("quantile_difference", &quantile_difference, "first"_a, "second"_a, "p"_a, "first_options"_a,
        "second_options"_a, Release());
}

void bind_product_limit(py::module_& m) {
  py::class_<ProductLimit>(m, "ProductLimit")
      .def_readonly("days", &ProductLimit::days)
      .def_readonly("at_risk", &ProductLimit::at_risk)
      .def_readonly("events", &ProductLimit::events)
      .def_readonly("censored", &ProductLimit::censored)
      .def_readonly("survival", &ProductLimit::survival)
      .def_readonly("standard_error", &ProductLimit::standard_error)
      .def_readonly("lower", &ProductLimit::lower)
      .def_readonly("upper", &ProductLimit::upper)
      .def_readonly("level", &ProductLimit::level)
      .def_readonly("health", &ProductLimit::health);
  m.def("kaplan_meier", &kaplan_meier, "times"_a, "level"_a = 0.95, Release());
  m.def("quantile_days", py::overload_cast<const ProductLimit&, double>(&quantile_days), "fit"_a, "p"_a);
}

void bind_incidence(py::module_& m) {
  py::class_<CumulativeIncidence>(m, "CumulativeIncidence")
      .def_readonly("days", &CumulativeIncidence::days)
      .def_readonly("at_risk", &CumulativeIncidence::at_risk)
      .def_readonly("events", &CumulativeIncidence::events)
      .def_readonly("incidence", &CumulativeIncidence::incidence)
      .def_readonly("standard_error", &CumulativeIncidence::standard_error)
      .def_readonly("lower", &CumulativeIncidence::lower)
      .def_readonly("upper", &CumulativeIncidence::upper)
      .def_readonly("survival", &CumulativeIncidence::survival)
      .def_readonly("health", &CumulativeIncidence::health);
  py::class_<JointIncidence>(m, "JointIncidence")
      .def_readonly("left", &JointIncidence::left)
      .def_readonly("right", &JointIncidence::right)
      .def_readonly("mass", &JointIncidence::mass)
      .def_readonly("unassigned", &JointIncidence::unassigned)
      .def_readonly("log_likelihood", &JointIncidence::log_likelihood)
      .def_readonly("gap", &JointIncidence::gap)
      .def_readonly("iterations", &JointIncidence::iterations)
      .def_readonly("health", &JointIncidence::health);
  m.def(
      "cumulative_incidence",
      [](const BoundedTimes& times, const Codes& cause, int n_causes, double level) {
        return cumulative_incidence(times, cause, n_causes, level);
      },
      "times"_a, "cause"_a, "n_causes"_a, "level"_a = 0.95);
  m.def(
      "joint_incidence",
      [](const BoundedTimes& times, const Codes& cause, int n_causes) {
        return joint_incidence(times, cause, n_causes);
      },
      "times"_a, "cause"_a, "n_causes"_a, Release());
  m.def("incidence_at", &incidence_at, "fit"_a, "cause"_a, "t_days"_a);
}

void bind_log_rank(py::module_& m) {
  py::enum_<Scores>(m, "Scores").value("sun", Scores::sun).value("finkelstein", Scores::finkelstein);
  py::class_<LogRank>(m, "LogRank")
      .def_readonly("n", &LogRank::n)
      .def_readonly("score", &LogRank::score)
      .def_readonly("covariance", &LogRank::covariance)
      .def_readonly("chi_square", &LogRank::chi_square)
      .def_readonly("p_value", &LogRank::p_value)
      .def_readonly("p_permutation", &LogRank::p_permutation)
      .def_readonly("degrees_of_freedom", &LogRank::degrees_of_freedom)
      .def_readonly("health", &LogRank::health);
  m.def(
      "log_rank",
      [](const BoundedTimes& times, const Codes& group, const Codes& stratum, Scores scores, int permutations,
         std::uint64_t seed) { return log_rank(times, group, stratum, scores, permutations, seed); },
      "times"_a, "group"_a, "stratum"_a, "scores"_a, "permutations"_a = 0, "seed"_a = 1, Release());
}

void bind_records_of_ends(py::module_& m) {
  py::class_<StadiumEnds>(m, "StadiumEnds")
      .def_readonly("row", &StadiumEnds::row)
      .def_readonly("end", &StadiumEnds::end)
      .def_readonly("times", &StadiumEnds::times)
      .def_readonly("without_stadium", &StadiumEnds::without_stadium);
  m.def(
      "stadium_ends",
      [](const BoundedTimes& times, const Codes& animal, const Vector& start, const Codes& status,
         double molting_share) { return stadium_ends(times, animal, start, status, molting_share); },
      "times"_a, "animal"_a, "start"_a, "status"_a, "molting_share"_a = usual_molting_share);
  m.attr("USUAL_MOLTING_SHARE") = usual_molting_share;
  py::class_<MaturityTable>(m, "MaturityTable")
      .def_readonly("animal", &MaturityTable::animal)
      .def_readonly("age_days", &MaturityTable::age_days)
      .def_readonly("instar", &MaturityTable::instar)
      .def_readonly("mature_at_entry", &MaturityTable::mature_at_entry);
  m.def("maturity_records", &maturity_records, "collection"_a, "stadia"_a);
}

}  // namespace

void bind_nonparametric(py::module_& m) {
  py::class_<BoundedTimes>(m, "BoundedTimes")
      .def(py::init([](Vector min_days, Vector max_days, Vector entry_days, Vector weight) {
             return BoundedTimes{std::move(min_days), std::move(max_days), std::move(entry_days), std::move(weight)};
           }),
           "min_days"_a, "max_days"_a, "entry_days"_a = Vector(), "weight"_a = Vector())
      .def_readonly("min_days", &BoundedTimes::min_days)
      .def_readonly("max_days", &BoundedTimes::max_days)
      .def_readonly("entry_days", &BoundedTimes::entry_days)
      .def_readonly("weight", &BoundedTimes::weight);
  bind_npmle(m);
  bind_resampling(m);
  bind_product_limit(m);
  bind_incidence(m);
  bind_log_rank(m);
  bind_records_of_ends(m);
}

}  // namespace moltspan::bindings
