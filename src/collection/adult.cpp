#include "collection/adult.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "collection/sizes.hpp"
#include "facts/husbandry.hpp"
#include "moltspan/kinds/kinds.hpp"
#include "stadia/molts.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr double reference_mm = 20;
constexpr double sure_of_sex = 0.3;  ///< chance of the other sex up to which an animal counts to one

std::string genus_of(const Animal& animal) { return animal.genus.empty() ? animal.taxon : animal.genus; }

/// Largest log size that was read, by genus.
std::map<std::string, double> biggest_sizes(const Collection& collection, const std::vector<AnimalInputs>& inputs) {
  std::map<std::string, double> biggest;
  for (std::size_t i = 0; i < inputs.size(); ++i)
    for (const InstarSize& size : inputs[i].sizes) {
      if (!size.measured) continue;
      const auto [found, added] = biggest.try_emplace(genus_of(collection.animals[i]), size.mean);
      found->second = std::max(found->second, size.mean);
    }
  return biggest;
}

/// What is known of its kind or group, on the scale of its sizes; NaN of tarantulas, which have a prior of their own.
StatedAdult adult_of_kind(const Animal& animal, const AnimalInputs& inputs, double male_chance) {
  if (usual_ratios_hold(animal)) return {};
  const SizeMeasure measure = inputs.leg_span_known ? SizeMeasure::leg_span : inputs.read_measure;
  const KindNumber known = adult_size_prior(animal, measure).of(male_chance);
  if (!known.known()) return {};
  const double mm = measure == SizeMeasure::mass ? std::cbrt(known.value) : known.value;
  return {mm * (inputs.leg_span_known ? 1 : std::exp(usual_log_ratio(measure))), known.log_sd, known.status};
}

AdultAnimal said_of(const Animal& animal, const AnimalHistory& history, const StatedAdult& said) {
  AdultAnimal result;
  result.sex = history.male_chance > 1 - sure_of_sex ? 0 : history.male_chance < sure_of_sex ? 1 : 2;
  result.log_size = std::log(said.leg_span_mm / reference_mm);
  result.log_sd = said.log_sd;
  result.stops = chance_to_stop(animal, history.male_chance);
  result.matured_instar = history.matured_molt >= 0 ? history.matured_molt + 1 : -1;
  return result;
}

}  // namespace

StatedAdult stated_adult(const Animal& animal) {
  const Husbandry& h = husbandry();
  if (std::isfinite(animal.adult_leg_span_mm))
    return {animal.adult_leg_span_mm, h.adult_stated_log_sd, "stated; right to 10 to 15 % (common practice, no source)"};
  if (usual_ratios_hold(animal)) return {h.adult_tarantula_mm, h.adult_tarantula_log_sd, "of tarantulas (assumption)"};
  return {unknown_number, h.adult_beyond_biggest_sd, "about the biggest of its genus in these records, and above (assumption)"};
}

std::vector<AdultAnimal> adult_animals(const Collection& collection, const StadiaTable& table,
                                       const std::vector<AnimalInputs>& inputs) {
  const Husbandry& h = husbandry();
  const auto biggest = biggest_sizes(collection, inputs);
  std::map<std::pair<std::string, double>, int> kinds;
  std::vector<AdultAnimal> result;
  for (std::size_t i = 0; i < inputs.size(); ++i) {
    const Animal& animal = collection.animals[i];
    StatedAdult said = stated_adult(animal);
    if (const StatedAdult usual = adult_of_kind(animal, inputs[i], table.animals[i].male_chance);
        std::isfinite(usual.leg_span_mm) && !std::isfinite(animal.adult_leg_span_mm)) {
      said = usual;
    } else if (!inputs[i].leg_span_known || !std::isfinite(said.leg_span_mm)) {
      const auto found = biggest.find(genus_of(animal));
      said.leg_span_mm = found == biggest.end() ? h.adult_mm : reference_mm * std::exp(found->second + h.adult_beyond_biggest);
      said.log_sd = h.adult_beyond_biggest_sd;
    }
    result.push_back(said_of(animal, table.animals[i], said));
    // Of one kind deviate together those of which the same is known.
    result.back().kind = kinds.try_emplace({animal.taxon, said.log_sd}, static_cast<int>(kinds.size())).first->second;
  }
  return result;
}

std::vector<AdultNode> stated_ends(const CollectionFit& fit, int animal) {
  const AnimalView view = fit.animal(animal);
  const Animal& a = view.record();
  if (!std::isfinite(a.adult_leg_span_mm) || !view.inputs().leg_span_known || view.history().matured) return {};
  AdultAnimal said = said_of(a, view.history(), stated_adult(a));
  said.matured_instar = -1;
  return adult_nodes_of(said);
}

}  // namespace moltspan
