#include "moltspan/simulate/simulate.hpp"

#include <pybind11/numpy.h>
#include <pybind11/stl.h>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

using namespace py::literals;
using Options = SimulationOptions;

/// Fills one array a column from a list of rows.
template <class Rows>
struct Columns {
  const Rows& rows;
  py::dict result{};

  template <class Get>
  Columns& add(const char* name, Get get) {
    using Value = std::decay_t<decltype(get(*rows.begin()))>;
    if constexpr (std::is_arithmetic_v<Value>) {
      py::array_t<Value> column(static_cast<py::ssize_t>(rows.size()));
      Value* out = column.mutable_data();
      for (const auto& row : rows) *out++ = get(row);
      result[name] = column;
    } else {
      py::list column;
      for (const auto& row : rows) column.append(get(row));
      result[name] = column;
    }
    return *this;
  }
};

const char* state_name_of_simulate(AnimalState state) {
  constexpr const char* names[] = {"alive", "died", "left", "escaped"};
  return names[static_cast<int>(state)];
}

const char* status_name_of_simulate(StadiumStatus status) {
  constexpr const char* names[] = {"closed", "running", "died", "left"};
  return names[static_cast<int>(status)];
}

py::dict stadia_columns(const Simulation& s) {
  Columns<std::vector<SimulatedStadium>> table{s.stadia};
  using Row = SimulatedStadium;
  table.add("animal_code", [](const Row& r) { return r.animal; })
      .add("taxon_code", [](const Row& r) { return r.taxon; })
      .add("genus_code", [](const Row& r) { return r.genus; })
      .add("cohort_code", [](const Row& r) { return r.cohort; })
      .add("male", [](const Row& r) { return r.male; })
      .add("sex_known", [](const Row& r) { return r.sex_known; })
      .add("log_size", [](const Row& r) { return r.log_size; })
      .add("reading_mm", [](const Row& r) { return r.reading_mm; })
      .add("temperature_c", [](const Row& r) { return r.temperature_c; })
      .add("min_days", [](const Row& r) { return r.min_days; })
      .add("max_days", [](const Row& r) { return r.max_days; })
      .add("start_range_days", [](const Row& r) { return r.start_range_days; })
      .add("entry_days", [](const Row& r) { return r.entry_days; })
      .add("status", [](const Row& r) { return std::string(status_name_of_simulate(r.status)); })
      .add("elapsed_days", [](const Row& r) { return r.elapsed_days; })
      .add("true_days", [](const Row& r) { return r.true_days; })
      .add("hidden_molts", [](const Row& r) { return r.hidden_molts; });
  return table.result;
}

py::dict animal_columns(const Simulation& s) {
  Columns<std::vector<TrueAnimal>> table{s.animals};
  using Row = TrueAnimal;
  table.add("taxon_code", [](const Row& r) { return r.taxon; })
      .add("genus_code", [](const Row& r) { return r.genus; })
      .add("cohort_code", [](const Row& r) { return r.cohort; })
      .add("male", [](const Row& r) { return r.male; })
      .add("sex_known", [](const Row& r) { return r.sex_known; })
      .add("bred", [](const Row& r) { return r.bred; })
      .add("animal_effect", [](const Row& r) { return r.animal_effect; })
      .add("growth_effect", [](const Row& r) { return r.growth_effect; })
      .add("level_effect", [](const Row& r) { return r.level_effect; })
      .add("usual_temperature_c", [](const Row& r) { return r.usual_temperature_c; })
      .add("adult_leg_span_mm", [](const Row& r) { return r.adult_leg_span_mm; })
      .add("acquired_day", [](const Row& r) { return r.acquired_day; })
      .add("state", [](const Row& r) { return std::string(state_name_of_simulate(r.state)); })
      .add("ended_day", [](const Row& r) { return r.ended_day; })
      .add("matured_day", [](const Row& r) { return r.matured_day; })
      .add("maturity_recorded", [](const Row& r) { return r.maturity_recorded; })
      .add("last_molt_day", [](const Row& r) { return r.life.back().start_day; })
      .add("log_size", [](const Row& r) { return r.life.back().log_size; })
      .add("next_molt_day", [](const Row& r) { return r.next_molt_day(); })
      .add("next_log_size", [](const Row& r) { return r.next_log_size; });
  return table.result;
}

struct LifeRow {
  int animal;
  const TrueStadium* stadium;
};

py::dict life_columns(const Simulation& s) {
  std::vector<LifeRow> rows;
  for (std::size_t i = 0; i < s.animals.size(); ++i)
    for (const TrueStadium& stadium : s.animals[i].life) rows.push_back({static_cast<int>(i), &stadium});
  Columns<std::vector<LifeRow>> table{rows};
  table.add("animal_code", [](const LifeRow& r) { return r.animal; })
      .add("instar", [](const LifeRow& r) { return r.stadium->instar; })
      .add("start_day", [](const LifeRow& r) { return r.stadium->start_day; })
      .add("length_days", [](const LifeRow& r) { return r.stadium->length_days; })
      .add("log_size", [](const LifeRow& r) { return r.stadium->log_size; })
      .add("temperature_c", [](const LifeRow& r) { return r.stadium->temperature_c; })
      .add("known", [](const LifeRow& r) { return r.stadium->known; })
      .add("recorded_earliest", [](const LifeRow& r) { return r.stadium->recorded.earliest; })
      .add("recorded_latest", [](const LifeRow& r) { return r.stadium->recorded.latest; })
      .add("reading_mm", [](const LifeRow& r) { return r.stadium->reading_mm; });
  return table.result;
}

struct SignRow {
  int animal;
  TrueSign sign;
};

py::dict sign_columns(const Simulation& s) {
  std::vector<SignRow> rows;
  for (int i = 0; i < static_cast<int>(s.animals.size()); ++i)
    for (const TrueSign& sign : simulate_signs(s, i)) rows.push_back({i, sign});
  Columns<std::vector<SignRow>> table{rows};
  table.add("animal_code", [](const SignRow& r) { return r.animal; })
      .add("day", [](const SignRow& r) { return r.sign.day; })
      .add("event", [](const SignRow& r) { return std::string(event_name(r.sign.event)); })
      .add("stadium", [](const SignRow& r) { return r.sign.stadium; })
      .add("false_alarm", [](const SignRow& r) { return r.sign.false_alarm; });
  return table.result;
}

void bind_model_options(py::class_<Options>& c) {
  c.def_readwrite("n_animals", &Options::n_animals)
      .def_readwrite("n_cohorts", &Options::n_cohorts)
      .def_readwrite("n_taxa", &Options::n_taxa)
      .def_readwrite("n_genera", &Options::n_genera)
      .def_readwrite("family", &Options::family)
      .def_readwrite("pace_growth_correlation", &Options::pace_growth_correlation)
      .def_readwrite("temperature_mean_c", &Options::temperature_mean_c)
      .def_readwrite("temperature_animal_sd_c", &Options::temperature_animal_sd_c)
      .def_readwrite("temperature_stadium_sd_c", &Options::temperature_stadium_sd_c)
      .def_readwrite("record_temperature", &Options::record_temperature)
      .def_readwrite("start_size_min_mm", &Options::start_size_min_mm)
      .def_readwrite("start_size_max_mm", &Options::start_size_max_mm)
      .def_readwrite("maturity", &Options::maturity)
      .def_readwrite("mature_at", &Options::mature_at)
      .def_readwrite("mature_at_log_sd", &Options::mature_at_log_sd)
      .def_readwrite("unrecorded_maturity_chance", &Options::unrecorded_maturity_chance)
      .def_readwrite("state_maturity_rule", &Options::state_maturity_rule)
      .def_readwrite("adult_leg_span_mm", &Options::adult_leg_span_mm)
      .def_readwrite("adult_leg_span_log_sd", &Options::adult_leg_span_log_sd)
      .def_readwrite("max_stadia", &Options::max_stadia);
  for (const auto& [name, member] : simulation_parameters()) c.def_readwrite(name.c_str(), member);
}

void bind_record_options(py::class_<Options>& c) {
  c.def_readwrite("bred_chance", &Options::bred_chance)
      .def_readwrite("bought_age_days", &Options::bought_age_days)
      .def_readwrite("known_start_chance", &Options::known_start_chance)
      .def_readwrite("first_day", &Options::first_day)
      .def_readwrite("study_days", &Options::study_days)
      .def_readwrite("entry_window_days", &Options::entry_window_days)
      .def_readwrite("check_every_days", &Options::check_every_days)
      .def_readwrite("check_jitter_days", &Options::check_jitter_days)
      .def_readwrite("late_found_chance", &Options::late_found_chance)
      .def_readwrite("missed_molt_chance", &Options::missed_molt_chance)
      .def_readwrite("write_checks", &Options::write_checks)
      .def_readwrite("write_instars", &Options::write_instars)
      .def_readwrite("reading_chance", &Options::reading_chance)
      .def_readwrite("exact_sizes", &Options::exact_sizes)
      .def_readwrite("reading_bias", &Options::reading_bias)
      .def_readwrite("reading_error", &Options::reading_error)
      .def_readwrite("reading_step_mm", &Options::reading_step_mm)
      .def_readwrite("read_in_inches", &Options::read_in_inches)
      .def_readwrite("darkened_chance", &Options::darkened_chance)
      .def_readwrite("refused_chance", &Options::refused_chance)
      .def_readwrite("sign_lag_days", &Options::sign_lag_days)
      .def_readwrite("refused_lag_days", &Options::refused_lag_days)
      .def_readwrite("sign_lag_exponent", &Options::sign_lag_exponent)
      .def_readwrite("sign_lag_log_sd", &Options::sign_lag_log_sd)
      .def_readwrite("false_signs_per_year", &Options::false_signs_per_year)
      .def_readwrite("meal_every_days", &Options::meal_every_days)
      .def_readwrite("death_per_year", &Options::death_per_year)
      .def_readwrite("sale_per_year", &Options::sale_per_year)
      .def_readwrite("male_chance", &Options::male_chance)
      .def_readwrite("unknown_sex_chance", &Options::unknown_sex_chance);
}

void bind_laws_of_simulate(py::module_& m) {
  using Kind = ParameterLaw::Kind;
  py::class_<ParameterLaw> law(m, "ParameterLaw");
  py::enum_<Kind>(law, "Kind")
      .value("fixed", Kind::fixed)
      .value("normal", Kind::normal)
      .value("half_normal", Kind::half_normal)
      .value("lognormal", Kind::lognormal)
      .value("uniform", Kind::uniform);
  law.def(py::init([](Kind kind, double a, double b) {
            return ParameterLaw{kind, a, b};
          }),
          "kind"_a, "a"_a, "b"_a = 0.0);
}

}  // namespace

void bind_simulate(py::module_& m) {
  py::class_<Options> options(m, "SimulationOptions");
  options.def(py::init<>()).def("__copy__", [](const Options& o) { return o; });
  bind_model_options(options);
  bind_record_options(options);
  bind_laws_of_simulate(m);
  py::class_<Simulation>(m, "Simulation")
      .def_readonly("options", &Simulation::options)
      .def_readonly("seed", &Simulation::seed)
      .def_readonly("replicate", &Simulation::replicate)
      .def_readonly("genus_effect", &Simulation::genus_effect)
      .def_readonly("taxon_effect", &Simulation::taxon_effect)
      .def_readonly("cohort_effect", &Simulation::cohort_effect)
      .def_readonly("taxon_growth_effect", &Simulation::taxon_growth_effect)
      .def("animals", &animal_columns)
      .def("stadia", &stadia_columns)
      .def("lives", &life_columns)
      .def("signs", &sign_columns);
  m.def("simulate_stadia", &simulate_stadia, "options"_a, "seed"_a, "replicate"_a = 0,
        py::call_guard<py::gil_scoped_release>());
  m.def("write_collection", &write_collection, "simulation"_a);
  m.def("simulated_animal_id", &simulated_animal_id, "animal"_a);
  m.def("simulated_genus_name", &simulated_genus_name, "genus"_a);
  m.def("simulated_taxon_name", &simulated_taxon_name, "taxon"_a, "n_genera"_a);
  m.def("simulated_cohort_name", &simulated_cohort_name, "cohort"_a);
  m.def("draw_prior_truth", &draw_prior_truth, "options"_a, "laws"_a, "seed"_a, "replicate"_a = 0);
  m.def("simulation_parameter_names", [] {
    std::vector<std::string> names;
    for (const auto& [name, member] : simulation_parameters()) names.push_back(name);
    return names;
  });
}

}  // namespace moltspan::bindings
