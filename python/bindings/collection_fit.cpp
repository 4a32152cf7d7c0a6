#include "moltspan/collection/instar_effects.hpp"
#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/collection/fit.hpp"

#include <pybind11/eigen.h>
#include <pybind11/stl.h>

#include "module.hpp"
#include "moltspan/calibration/calibration.hpp"

namespace moltspan::bindings {

namespace {

/// (animal, first day, last day of the gap, chance of 1, chance of 2 hidden molts) of every closed gap.
py::list hidden_rows(const CollectionFit& fit) {
  py::list rows;
  for (std::size_t i = 0; fit.hidden.used() && i < fit.table.stadia.size(); ++i) {
    const Stadium& s = fit.table.stadia[i];
    if (!s.end) continue;
    const auto& chances = fit.hidden.chances[i];
    rows.append(py::make_tuple(fit.collection->animals[static_cast<std::size_t>(s.animal)].id, s.start.latest,
                               s.end->earliest, chances[1], chances[2]));
  }
  return rows;
}

/// (animal, first day, seen, mean, variance, sigma, low, high, weight) of every record.
py::list pit_rows(const CollectionFit& fit) {
  py::list rows;
  for (const RecordPit& p : leave_one_out_pits(fit)) {
    const Stadium& s = fit.table.stadia[static_cast<std::size_t>(p.row)];
    rows.append(py::make_tuple(fit.collection->animals[static_cast<std::size_t>(s.animal)].id, s.start.earliest, p.seen,
                               p.mean, p.variance, p.sigma, p.pit.low, p.pit.high, p.weight));
  }
  return rows;
}

void bind_collection_options(py::module_& m) {
  py::class_<OwnCovariate>(m, "OwnCovariate")
      .def(py::init([](std::string name, std::vector<double> of_animals, std::string times, std::string spread) {
             return OwnCovariate{std::move(name), std::move(of_animals), std::move(times), std::move(spread)};
           }))
      .def_readonly("name", &OwnCovariate::name)
      .def_readonly("times", &OwnCovariate::times)
      .def_readonly("spread", &OwnCovariate::spread);
  py::class_<CollectionOptions>(m, "CollectionOptions")
      .def(py::init<>())
      .def_readwrite("as_of", &CollectionOptions::as_of)
      .def_readwrite("watched", &CollectionOptions::watched)
      .def_readwrite("family", &CollectionOptions::family)
      .def_readwrite("method", &CollectionOptions::method)
      .def_readwrite("truncation", &CollectionOptions::truncation)
      .def_readwrite("priors", &CollectionOptions::priors)
      .def_readwrite("threads", &CollectionOptions::threads)
      .def_readwrite("growth_model", &CollectionOptions::growth_model)
      .def_readwrite("hidden_molts", &CollectionOptions::hidden_molts)
      .def_readwrite("own", &CollectionOptions::own)
      .def_readwrite("spread_effect", &CollectionOptions::spread_effect)
      .def_readwrite("instar_effect", &CollectionOptions::instar_effect)
      .def_readwrite("clock", &CollectionOptions::clock)
      .def_readwrite("recalibrate", &CollectionOptions::recalibrate)
      .def_readwrite("mix_families", &CollectionOptions::mix_families);
}

void bind_instar_effects(py::module_& m) {
  py::class_<SpreadEffect>(m, "SpreadEffect")
      .def_property_readonly("used", &SpreadEffect::used)
      .def_readonly("step_sd", &SpreadEffect::step_sd)
      .def_readonly("kind_sd", &SpreadEffect::kind_sd)
      .def_readonly("kind_step_sd", &SpreadEffect::kind_step_sd)
      .def_readonly("log_evidence_gain", &SpreadEffect::log_evidence_gain);
  py::class_<InstarEstimate>(m, "InstarEstimate")
      .def_readonly("taxon", &InstarEstimate::taxon)
      .def_readonly("instar", &InstarEstimate::instar)
      .def_readonly("log_mean", &InstarEstimate::log_mean)
      .def_readonly("log_sd", &InstarEstimate::log_sd)
      .def_readonly("factor", &InstarEstimate::factor)
      .def_readonly("factor_lower", &InstarEstimate::factor_lower)
      .def_readonly("factor_upper", &InstarEstimate::factor_upper)
      .def_readonly("spread_factor", &InstarEstimate::spread_factor)
      .def_readonly("log_scale", &InstarEstimate::log_scale)
      .def_readonly("closed_stadia", &InstarEstimate::closed_stadia);
  m.def("instar_estimates", &instar_estimates);
  py::class_<InstarEffect::Step>(m, "InstarEffectStep")
      .def_readonly("column", &InstarEffect::Step::column)
      .def_readonly("taxon", &InstarEffect::Step::taxon)
      .def_readonly("instar", &InstarEffect::Step::instar);
  py::class_<InstarEffect>(m, "InstarEffect")
      .def_property_readonly("used", &InstarEffect::used)
      .def_readonly("of_all", &InstarEffect::of_all)
      .def_readonly("of_kinds", &InstarEffect::of_kinds)
      .def_readonly("anchor", &InstarEffect::anchor)
      .def_readonly("log_evidence_gain", &InstarEffect::log_evidence_gain)
      .def_readonly("steps", &InstarEffect::steps);
}

void bind_parts_of_collection_fit(py::module_& m) {
  py::class_<Recalibration>(m, "Recalibration")
      .def_readonly("location", &Recalibration::location)
      .def_property_readonly("scale", &Recalibration::scale)
      .def_readonly("forecasts", &Recalibration::forecasts)
      .def_readonly("origins", &Recalibration::origins)
      .def_readonly("effective", &Recalibration::effective)
      .def_readonly("weight", &Recalibration::weight)
      .def_readonly("held", &Recalibration::held)
      .def_readonly("below_median", &Recalibration::below_median)
      .def_property_readonly("used", &Recalibration::used);
  py::class_<FamilyWeight>(m, "FamilyWeight")
      .def_readonly("family", &FamilyWeight::family)
      .def_readonly("weight", &FamilyWeight::weight);
  py::class_<SignParameters>(m, "SignParameters")
      .def_readonly("noted", &SignParameters::noted)
      .def_readonly("alarms_per_day", &SignParameters::alarms_per_day)
      .def_readonly("lag_days", &SignParameters::lag_days)
      .def_readonly("lag_log_sd", &SignParameters::lag_log_sd)
      .def_readonly("lag_exponent", &SignParameters::lag_exponent);
  py::class_<SignModel>(m, "SignModel")
      .def_property_readonly("sign", [](const SignModel& model) { return std::string(sign_name(model.sign)); })
      .def_readonly("recorded", &SignModel::recorded)
      .def_readonly("absence_counts", &SignModel::absence_counts)
      .def_readonly("closed", &SignModel::closed)
      .def_readonly("shown", &SignModel::shown)
      .def_readonly("center", &SignModel::center)
      .def_readonly("points", &SignModel::points);
  py::class_<HiddenFit>(m, "HiddenFit")
      .def_property_readonly("used", &HiddenFit::used)
      .def_readonly("missed_chance", &HiddenFit::missed_chance)
      .def_readonly("log_ratio", &HiddenFit::log_ratio)
      .def_readonly("ratio_log_sd", &HiddenFit::ratio_log_sd)
      .def_readonly("log_step", &HiddenFit::log_step)
      .def_property_readonly("listed", [](const HiddenFit&) { return hidden_listed(); });
}

}  // namespace

void bind_collection_fit(py::module_& m) {
  bind_collection_options(m);
  bind_instar_effects(m);
  bind_parts_of_collection_fit(m);
  py::class_<CollectionFit>(m, "CollectionFit")
      .def_property_readonly("as_of", [](const CollectionFit& fit) { return fit.table.as_of; })
      .def_property_readonly("table_doubts", [](const CollectionFit& fit) { return fit.table.doubts; })
      .def_readonly("clock", &CollectionFit::clock)
      .def_readonly("data", &CollectionFit::data)
      .def_readonly("stadia", &CollectionFit::stadia)
      .def_property_readonly(
          "growth", [](const CollectionFit& fit) { return std::const_pointer_cast<GrowthModelFit>(fit.growth); })
      .def_readonly("group_names", &CollectionFit::group_names)
      .def_readonly("families", &CollectionFit::families)
      .def_readonly("recalibration", &CollectionFit::recalibration)
      .def_readonly("health", &CollectionFit::health)
      .def_readonly("signs", &CollectionFit::signs)
      .def_readonly("instars", &CollectionFit::instars)
      .def_readonly("spread", &CollectionFit::spread)
      .def_readonly("hidden", &CollectionFit::hidden)
      .def_property_readonly("hidden_rows", &hidden_rows)
      .def_property_readonly("pit_rows", &pit_rows)
      .def_readonly("exponent_for_size_error", &CollectionFit::exponent_for_size_error);
  m.def(
      "fit_collection",
      [](std::shared_ptr<Collection> collection, const CollectionOptions& options) {
        return fit_collection(std::move(collection), options);
      },
      py::arg("collection"), py::arg("options"), py::call_guard<py::gil_scoped_release>());
}

}  // namespace moltspan::bindings
