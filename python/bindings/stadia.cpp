#include "moltspan/stadia/stadia.hpp"

#include <pybind11/numpy.h>
#include <pybind11/stl.h>

#include <algorithm>
#include <limits>

#include "module.hpp"

namespace moltspan::bindings {
namespace {

using namespace py::literals;

// What numpy reads as "not a time" in an array of days.
constexpr std::int64_t no_day = std::numeric_limits<std::int64_t>::min();

template <class Value, class Of>
py::array_t<Value> column(const StadiaTable& table, Of of) {
  py::array_t<Value> values(static_cast<py::ssize_t>(table.stadia.size()));
  std::transform(table.stadia.begin(), table.stadia.end(), values.mutable_data(), of);
  return values;
}

const char* status_name_of_stadia(StadiumStatus status) {
  switch (status) {
    case StadiumStatus::closed:
      return "closed";
    case StadiumStatus::running:
      return "running";
    case StadiumStatus::died:
      return "died";
    default:
      return "left";
  }
}

const char* state_name_of_stadia(AnimalState state) {
  switch (state) {
    case AnimalState::alive:
      return "alive";
    case AnimalState::died:
      return "died";
    case AnimalState::left:
      return "left";
    default:
      return "escaped";
  }
}

std::vector<std::string> statuses(const StadiaTable& table) {
  std::vector<std::string> names;
  for (const Stadium& s : table.stadia) names.push_back(status_name_of_stadia(s.status));
  return names;
}

int start_instar(const StadiaTable& table, const Stadium& s) { return table.animals[s.animal].molts[s.molt].instar; }

// One array a column; `animal` is the index into the animals of the collection, days count from 1970-01-01.
py::dict stadium_columns(const StadiaTable& t) {
  using S = Stadium;
  py::dict c;
  c["animal"] = column<std::int64_t>(t, [](const S& s) { return s.animal; });
  c["start_earliest"] = column<std::int64_t>(t, [](const S& s) { return s.start.earliest; });
  c["start_latest"] = column<std::int64_t>(t, [](const S& s) { return s.start.latest; });
  c["end_earliest"] = column<std::int64_t>(t, [](const S& s) { return s.end ? s.end->earliest : no_day; });
  c["end_latest"] = column<std::int64_t>(t, [](const S& s) { return s.end ? s.end->latest : no_day; });
  c["min_days"] = column<double>(t, [](const S& s) { return s.min_days; });
  c["max_days"] = column<double>(t, [](const S& s) { return s.max_days; });
  c["start_range_days"] = column<double>(t, [](const S& s) { return s.start_range_days; });
  c["entry_days"] = column<double>(t, [](const S& s) { return s.entry_days; });
  c["status"] = statuses(t);
  c["start_size_mm"] = column<double>(t, [](const S& s) { return s.start_size_mm; });
  c["start_instar"] = column<std::int64_t>(t, [&t](const S& s) { return start_instar(t, s); });
  c["molts_spanned"] = column<double>(t, [](const S& s) { return s.molts; });
  c["no_length_yet"] = column<bool>(t, [](const S& s) { return without_length(s); });
  c["temperature_c"] = column<double>(t, [](const S& s) { return s.temperature_c; });
  return c;
}

void bind_history(py::module_& m) {
  py::class_<Molt>(m, "Molt")
      .def_property_readonly("earliest", [](const Molt& molt) { return molt.when.earliest; })
      .def_property_readonly("latest", [](const Molt& molt) { return molt.when.latest; })
      .def_readonly("instar", &Molt::instar)
      .def_readonly("row", &Molt::row);
  py::class_<AnimalHistory>(m, "AnimalHistory")
      .def_readonly("recorded", &AnimalHistory::recorded)
      .def_readonly("molts", &AnimalHistory::molts)
      .def_property_readonly("state", [](const AnimalHistory& h) { return state_name_of_stadia(h.state); })
      .def_readonly("male_chance", &AnimalHistory::male_chance)
      .def_readonly("molts_no_more", &AnimalHistory::molts_no_more)
      .def_readonly("after_maturity_unknown", &AnimalHistory::after_maturity_unknown)
      .def_readonly("stadia_without_start", &AnimalHistory::stadia_without_start)
      .def_readonly("watched_from", &AnimalHistory::watched_from)
      .def_readonly("last_watched", &AnimalHistory::last_watched);
}

}  // namespace

void bind_stadia(py::module_& m) {
  bind_history(m);
  py::enum_<Watched>(m, "Watched").value("all", Watched::all).value("rows", Watched::rows);
  py::class_<StadiaTable, std::shared_ptr<StadiaTable>>(m, "StadiaTable")
      .def_readonly("as_of", &StadiaTable::as_of)
      .def_readonly("animals", &StadiaTable::animals)
      .def_readonly("doubts", &StadiaTable::doubts)
      .def("columns", &stadium_columns);
  m.def("build_stadia", &build_stadia, "collection"_a, "as_of"_a = py::none(), "watched"_a = Watched::all,
        py::call_guard<py::gil_scoped_release>());
}

}  // namespace moltspan::bindings
