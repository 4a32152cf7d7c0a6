#include "collection/sizes.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "collection/kinds.hpp"
#include "collection/numbers.hpp"
#include "facts/husbandry.hpp"
#include "moltspan/growth/bayes.hpp"

namespace moltspan {
namespace {

constexpr double reference_mm = 20;
constexpr std::size_t enough_readings = 8;
/// How much more a closed stadium tells of a kind's size than was known: (.8 x .7)^2 of log days unknown over some .15 of a stadium (assumption).
constexpr double stadia_that_tell_a_size = 2;
constexpr double flat_variance = 1e4;  ///< of log size before any reading

struct Reading {
  double mean = 0, variance = 0;
};

/// A reading as a leg span on the log scale.
Reading as_leg_span(const SizeReading& reading, const std::map<double, double>& steps) {
  const bool mass = reading.measure == SizeMeasure::mass;
  const double size = mass ? std::cbrt(reading.value) : reading.value;
  Reading result{std::log(size / reference_mm) + usual_log_ratio(reading.measure),
                 std::pow(usual_reading_sd(reading.measure), 2)};
  if (reading.measure != SizeMeasure::leg_span) return result;
  result.mean -= husbandry().leg_span_bias;
  const double step = steps.at(reading.unit_mm) / reading.value;
  result.variance += step * step / 12;
  return result;
}

/// Leg span counts before carapace, body length, mass: the first measure that an instar has is its size.
int rank(SizeMeasure measure) { return static_cast<int>(measure); }

/// Readings of each instar, joined by precision; variance 0 = none.
std::vector<Reading> read_instars(const AnimalHistory& animal, const std::map<double, double>& steps) {
  std::vector<Reading> instars(animal.molts.size() + 1);
  std::vector<int> best(instars.size(), 100);
  for (const auto& reading : animal.sizes) {
    const auto place =
        static_cast<std::size_t>(std::clamp<int>(reading.molts_before, 0, static_cast<int>(animal.molts.size())));
    if (rank(reading.measure) > best[place]) continue;
    const Reading next = as_leg_span(reading, steps);
    Reading& sum = instars[place];
    if (rank(reading.measure) < best[place] || sum.variance == 0) {
      sum = next;
    } else {
      const double precision = 1 / sum.variance + 1 / next.variance;
      sum = {(sum.mean / sum.variance + next.mean / next.variance) / precision, 1 / precision};
    }
    best[place] = rank(reading.measure);
  }
  return instars;
}

/// Sizes of successive instars from their readings: a walk that grows by the usual ratio a molt, give or take, read
/// with error; flat before the first reading (Kalman filter, then the Rauch-Tung-Striebel smoother). A rounded reading
/// is so drawn to its neighbors, and what enters the fit is a mean given the readings: raw readings would flatten the
/// exponent of size.
std::vector<InstarSize> smooth_instars(const std::vector<Reading>& read, double growth) {
  const double step = std::pow(husbandry().growth_log_sd, 2);
  const auto n = read.size();
  std::vector<Reading> filtered(n), predicted(n);
  for (std::size_t k = 0; k < n; ++k) {
    predicted[k] =
        k == 0 ? Reading{0, flat_variance} : Reading{filtered[k - 1].mean + growth, filtered[k - 1].variance + step};
    filtered[k] = predicted[k];
    if (!(read[k].variance > 0)) continue;
    const double gain = predicted[k].variance / (predicted[k].variance + read[k].variance);
    filtered[k] = {predicted[k].mean + gain * (read[k].mean - predicted[k].mean), gain * read[k].variance};
  }
  std::vector<InstarSize> sizes(n);
  for (std::size_t k = n; k-- > 0;) {
    InstarSize& size = sizes[k];
    size = {filtered[k].mean, filtered[k].variance, read[k].variance > 0, filtered[k].variance};
    if (k + 1 == n) continue;
    const double back = filtered[k].variance / predicted[k + 1].variance;
    size.mean += back * (sizes[k + 1].mean - predicted[k + 1].mean);
    size.variance += back * back * (sizes[k + 1].variance - predicted[k + 1].variance);
    size.record_variance = size.variance;
  }
  return sizes;
}

bool any_reading(const std::vector<Reading>& read) {
  return std::any_of(read.begin(), read.end(), [](const Reading& r) { return r.variance > 0; });
}

/// Mean size of a group's measured animals when their records began: an animal that was never measured, and whose instar is not
/// known, began like its kind.
struct KindMeans {
  std::map<std::string, std::pair<double, int>> sums;
  void add(const std::string& taxon, double size) {
    for (const std::string& key : {taxon, std::string("*any")}) {
      sums[key].first += size;
      ++sums[key].second;
    }
  }
  /// `of_group`: log size that facts of its group give, where there are any of its own; else NaN.
  double of(const std::string& taxon, double of_group) const {
    if (const auto found = sums.find(taxon); found != sums.end()) return found->second.first / found->second.second;
    if (std::isfinite(of_group)) return of_group;
    const auto any = sums.find("*any");
    return any == sums.end() ? 0 : any->second.first / any->second.second;
  }
};

/// What the sizes of a kind's animals are where instars are known: in line with their numbers, alike in one instar.
struct KindInstars {
  double sum = 0;                 ///< of log sizes less growth up to their instar, of measured animals
  int measured = 0, closed = 0;   ///< animals; stadia of its numbered animals
  std::vector<double> first_numbers;  ///< of unmeasured ones
  /// Log size at instar 0 of the line; where none was measured, the usual first instar on record has the size of the kind.
  double at_zero(double kind_mean, double growth) const {
    if (measured > 0) return sum / measured;
    std::vector<double> sorted = first_numbers;
    std::nth_element(sorted.begin(), sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 2), sorted.end());
    return kind_mean - growth * sorted[sorted.size() / 2];
  }
};

/// Number of the first instar that the records name; NaN = not known.
double first_number(const std::vector<double>& molt_numbers) {
  return molt_numbers.empty() ? unknown_number : molt_numbers.front();
}

/// First instar that the records name: the one after the first molt, or, without any molt, the one it came in.
std::size_t first_instar(std::size_t instars) { return instars > 1 ? 1 : 0; }

void set_unmeasured(AnimalInputs& inputs, std::size_t instars, double kind_mean, double growth) {
  const Husbandry& h = husbandry();
  inputs.never_measured = true;
  inputs.shared_size_variance = h.unknown_size_log_sd * h.unknown_size_log_sd;
  inputs.sizes.resize(instars);
  for (std::size_t k = 0; k < instars; ++k) {
    const double molts = static_cast<double>(k) - static_cast<double>(first_instar(instars));
    const double variance = std::abs(molts) * h.growth_log_sd * h.growth_log_sd;
    inputs.sizes[k] = {kind_mean + molts * growth, variance, false, variance};
  }
}

/// The same where its instar is known: in line with its kind. How large its kind is in that instar, its stadia tell: what is left of
/// not knowing it falls with the closed stadia of its kin.
void set_unmeasured_by_number(AnimalInputs& inputs, const std::vector<double>& numbers, const KindInstars& kin, double kind_mean, double growth) {
  const Husbandry& h = husbandry();
  set_unmeasured(inputs, numbers.size() + 1, kin.at_zero(kind_mean, growth) + growth * numbers.front(), growth);
  const int of_kin = std::max(0, kin.closed - static_cast<int>(numbers.size()) + 1);
  const double level = inputs.shared_size_variance / (1 + stadia_that_tell_a_size * of_kin);
  inputs.shared_size_variance = std::min(inputs.shared_size_variance, level + h.instar_size_log_sd * h.instar_size_log_sd);
}

/// The measure of most readings of an animal, leg span before all others.
SizeMeasure usual_measure(const AnimalHistory& animal) {
  std::map<SizeMeasure, int> counts;
  for (const SizeReading& reading : animal.sizes) ++counts[reading.measure];
  if (counts.empty() || counts.contains(SizeMeasure::leg_span)) return SizeMeasure::leg_span;
  return std::max_element(counts.begin(), counts.end(),
                          [](const auto& a, const auto& b) { return a.second < b.second; })
      ->first;
}

/// Usual log growth of an animal at a molt, by its kind where that has facts of its own.
double usual_growth(const Animal& animal) {
  const KindFacts facts = facts_of(animal);
  const bool own = facts.growth_ratio.known() && has_own_pace(facts);
  return std::log(own ? facts.growth_ratio.value : husbandry().growth_ratio);
}

double log_size_of_group(const Animal& animal) {
  const KindFacts facts = facts_of(animal);
  return has_own_pace(facts) ? reference_log_size(facts, facts.measure) : unknown_number;
}

/// The measure of an animal that was never measured: that of most of its kind, else the one of its group.
void set_kind_measures(const Collection& collection, std::vector<AnimalInputs>& inputs) {
  std::map<std::string, std::map<SizeMeasure, int>> of_taxon;
  for (std::size_t i = 0; i < inputs.size(); ++i)
    if (!inputs[i].never_measured) ++of_taxon[collection.animals[i].taxon][inputs[i].read_measure];
  for (std::size_t i = 0; i < inputs.size(); ++i) {
    const KindFacts facts = facts_of(collection.animals[i]);
    if (!inputs[i].never_measured || !has_own_pace(facts)) continue;
    const auto& counts = of_taxon[collection.animals[i].taxon];
    const auto most = std::max_element(counts.begin(), counts.end(),
                                       [](const auto& a, const auto& b) { return a.second < b.second; });
    inputs[i].read_measure = most == counts.end() ? facts.measure : most->first;
    inputs[i].leg_span_known = inputs[i].read_measure == SizeMeasure::leg_span || facts.is_tarantula;
  }
}

/// What is read on each animal, and whether leg spans can be told from it.
void set_measures(const Collection& collection, const StadiaTable& table, std::vector<AnimalInputs>& inputs) {
  for (std::size_t i = 0; i < inputs.size(); ++i) {
    inputs[i].read_measure = usual_measure(table.animals[i]);
    inputs[i].leg_span_known =
        inputs[i].read_measure == SizeMeasure::leg_span || usual_ratios_hold(collection.animals[i]);
  }
}

}  // namespace

double usual_reading_sd(SizeMeasure measure) {
  const Husbandry& h = husbandry();
  switch (measure) {
    case SizeMeasure::leg_span:
      return h.leg_span_sd;
    case SizeMeasure::body_length:
      return h.body_length_sd;
    case SizeMeasure::mass:
      return h.mass_sd;
    default:
      return h.carapace_sd;
  }
}

bool usual_ratios_hold(const Animal& animal) {
  return kind_of(animal.taxon.empty() ? animal.genus : animal.taxon).is_tarantula;
}

double usual_log_ratio(SizeMeasure measure) {
  const Husbandry& h = husbandry();
  switch (measure) {
    case SizeMeasure::body_length:
      return std::log(h.leg_span_per_body_length);
    case SizeMeasure::carapace_length:
      return std::log(h.leg_span_per_carapace_length);
    case SizeMeasure::carapace_width:
      return std::log(h.leg_span_per_carapace_length * h.carapace_length_per_width);
    case SizeMeasure::mass:
      return std::log(h.leg_span_mm_per_cube_root_g);
    default:
      return 0;
  }
}

std::map<double, double> rounding_steps(const StadiaTable& table) {
  std::map<double, std::vector<double>> values;
  for (const auto& animal : table.animals)
    for (const auto& reading : animal.sizes)
      if (reading.measure == SizeMeasure::leg_span) values[reading.unit_mm].push_back(reading.value);
  std::map<double, double> steps;
  for (const auto& [unit, list] : values) steps[unit] = rounding_step_mm(list, unit);
  return steps;
}

double rounding_step_mm(const std::vector<double>& values_mm, double unit_mm) {
  if (const double step = found_rounding_step_mm(values_mm); step > 0) return step;
  if (values_mm.size() >= enough_readings) return unit_mm > 20 ? 25.4 / 16 : 1;
  return unit_mm > 20 ? 25.4 / 4 : unit_mm > 5 ? 5 : 1;
}

std::vector<AnimalInputs> size_inputs(const Collection& collection, const StadiaTable& table) {
  const auto steps = rounding_steps(table);
  std::vector<AnimalInputs> inputs(table.animals.size());
  const auto numbers = molt_numbers(collection, table);
  std::vector<std::size_t> unmeasured;
  std::map<std::string, KindInstars> by_number;
  KindMeans means;
  for (std::size_t i = 0; i < inputs.size(); ++i) {
    const auto read = read_instars(table.animals[i], steps);
    const std::string& taxon = collection.animals[i].taxon;
    const double number = first_number(numbers[i]), growth = usual_growth(collection.animals[i]);
    KindInstars& kin = by_number[taxon];
    if (std::isfinite(number)) kin.closed += static_cast<int>(numbers[i].size()) - 1;
    if (!any_reading(read)) {
      unmeasured.push_back(i);
      if (std::isfinite(number)) kin.first_numbers.push_back(number);
      continue;
    }
    inputs[i].sizes = smooth_instars(read, growth);
    const double first = inputs[i].sizes[first_instar(inputs[i].sizes.size())].mean;
    means.add(taxon, first);
    if (!std::isfinite(number)) continue;
    kin.sum += first - growth * number;
    ++kin.measured;
  }
  for (std::size_t i : unmeasured) {
    const Animal& animal = collection.animals[i];
    const double kind_mean = means.of(animal.taxon, log_size_of_group(animal)), growth = usual_growth(animal);
    if (std::isfinite(first_number(numbers[i])))
      set_unmeasured_by_number(inputs[i], numbers[i], by_number[animal.taxon], kind_mean, growth);
    else
      set_unmeasured(inputs[i], table.animals[i].molts.size() + 1, kind_mean, growth);
  }
  set_measures(collection, table, inputs);
  set_kind_measures(collection, inputs);
  return inputs;
}

}  // namespace moltspan
