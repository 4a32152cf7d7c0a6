#include "moltspan/backtest/backtest.hpp"

#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {

namespace {

void bind_backtest_case(py::module_& m) {
  py::class_<BacktestCase>(m, "BacktestCase")
      .def_readonly("id", &BacktestCase::id)
      .def_readonly("taxon", &BacktestCase::taxon)
      .def_readonly("origin", &BacktestCase::origin)
      .def_readonly("own_stadia", &BacktestCase::own_stadia)
      .def_readonly("seen", &BacktestCase::seen)
      .def_readonly("low_days", &BacktestCase::low_days)
      .def_readonly("high_days", &BacktestCase::high_days)
      .def_readonly("median_days", &BacktestCase::median_days)
      .def_readonly("from_days", &BacktestCase::from_days)
      .def_readonly("to_days", &BacktestCase::to_days)
      .def_readonly("covered", &BacktestCase::covered)
      .def_property_readonly("pit", [](const BacktestCase& c) { return std::pair(c.pit.low, c.pit.high); })
      .def_readonly("crps_days", &BacktestCase::crps_days)
      .def_readonly("log_score", &BacktestCase::log_score)
      .def_readonly("rule_days", &BacktestCase::rule_days)
      .def_readonly("off_days", &BacktestCase::off_days)
      .def_readonly("rule_off_days", &BacktestCase::rule_off_days)
      .def_readonly("instar", &BacktestCase::instar)
      .def_readonly("kin_crps_days", &BacktestCase::kin_crps_days)
      .def_property_readonly("kin_pit", [](const BacktestCase& c) { return std::pair(c.kin_pit.low, c.kin_pit.high); });
}

void bind_backtest_comparisons(py::module_& m) {
  py::class_<KinComparison>(m, "KinComparison")
      .def_readonly("forecast_crps_days", &KinComparison::forecast_crps_days)
      .def_readonly("kin_crps_days", &KinComparison::kin_crps_days)
      .def_readonly("gain_days", &KinComparison::gain_days)
      .def_readonly("gain_share", &KinComparison::gain_share)
      .def_readonly("gain_share_error", &KinComparison::gain_share_error)
      .def_readonly("kin_coverage", &KinComparison::kin_coverage);
  py::class_<CalibrationClass>(m, "CalibrationClass")
      .def_readonly("label", &CalibrationClass::label)
      .def_readonly("held", &CalibrationClass::held)
      .def_readonly("below_median", &CalibrationClass::below_median)
      .def_readonly("place", &CalibrationClass::place)
      .def_readonly("spread", &CalibrationClass::spread);
  py::class_<BacktestClass>(m, "BacktestClass")
      .def_readonly("calibration", &BacktestClass::calibration)
      .def_readonly("crps_days", &BacktestClass::crps_days)
      .def_readonly("kin_crps_days", &BacktestClass::kin_crps_days);
  py::enum_<BacktestFactor>(m, "BacktestFactor")
      .value("instar", BacktestFactor::instar)
      .value("month", BacktestFactor::month)
      .value("kind", BacktestFactor::kind);
  py::class_<RuleComparison>(m, "RuleComparison")
      .def_property_readonly("rule", [](const RuleComparison& c) { return std::string(rule_name(c.rule)); })
      .def_readonly("forecast_days", &RuleComparison::forecast_days)
      .def_readonly("rule_days", &RuleComparison::rule_days)
      .def_readonly("gain_days", &RuleComparison::gain_days)
      .def_readonly("gain_share", &RuleComparison::gain_share)
      .def_readonly("gain_share_error", &RuleComparison::gain_share_error);
}

}  // namespace

void bind_backtest(py::module_& m) {
  bind_backtest_case(m);
  bind_backtest_comparisons(m);
  m.attr("BACKTEST_LEVELS") = std::vector<double>(backtest_levels.begin(), backtest_levels.end());
  std::vector<std::string> rules;
  for (int rule = 0; rule < n_plain_rules; ++rule) rules.emplace_back(rule_name(static_cast<PlainRule>(rule)));
  m.attr("PLAIN_RULES") = rules;
  py::class_<BacktestOptions>(m, "BacktestOptions")
      .def(py::init<>())
      .def_readwrite("fit", &BacktestOptions::fit)
      .def_readwrite("origins", &BacktestOptions::origins)
      .def_readwrite("n_origins", &BacktestOptions::n_origins)
      .def_readwrite("first_closed", &BacktestOptions::first_closed);
  py::class_<Backtest>(m, "Backtest")
      .def_readonly("origins", &Backtest::origins)
      .def_readonly("cases", &Backtest::cases)
      .def_readonly("coverage", &Backtest::coverage)
      .def_readonly("below_median", &Backtest::below_median)
      .def_readonly("crps_days", &Backtest::crps_days)
      .def_readonly("off_days", &Backtest::off_days)
      .def_readonly("comparisons", &Backtest::comparisons)
      .def_readonly("kin", &Backtest::kin)
      .def("by", &backtest_by)
      .def_readonly("n_seen", &Backtest::n_seen)
      .def_readonly("health", &Backtest::health);
  m.def(
      "backtest",
      [](std::shared_ptr<Collection> collection, const BacktestOptions& options) {
        return backtest(std::move(collection), options);
      },
      py::arg("collection"), py::arg("options"), py::call_guard<py::gil_scoped_release>());
}

}  // namespace moltspan::bindings
