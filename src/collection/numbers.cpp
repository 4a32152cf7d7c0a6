#include "collection/numbers.hpp"

#include <algorithm>
#include <cmath>
#include <set>
#include <string>

namespace moltspan {
namespace {

/// Number of the instar that begins with each molt of an animal; NaN where none is stated.
std::vector<double> stated_numbers(const AnimalHistory& history) {
  std::vector<double> numbers(history.molts.size(), unknown_number);
  for (std::size_t k = 0; k < numbers.size(); ++k)
    if (history.molts[k].instar >= 0) numbers[k] = history.molts[k].instar;
  for (std::size_t k = 1; k < numbers.size(); ++k)
    if (std::isnan(numbers[k])) numbers[k] = numbers[k - 1] + 1;
  for (std::size_t k = numbers.size(); k-- > 1;)
    if (std::isnan(numbers[k - 1])) numbers[k - 1] = numbers[k] - 1;
  return numbers;
}

/// The same counted from hatching, of an animal that was watched from then on.
std::vector<double> counted_numbers(const Animal& animal, const AnimalHistory& history) {
  std::vector<double> numbers(history.molts.size(), unknown_number);
  if (!animal.hatched || history.watched_from > *animal.hatched) return numbers;
  for (std::size_t k = 0; k < numbers.size(); ++k) numbers[k] = static_cast<double>(k) + 2;
  return numbers;
}

}  // namespace

bool any_known(const std::vector<double>& numbers) {
  return std::any_of(numbers.begin(), numbers.end(), [](double n) { return std::isfinite(n); });
}

std::vector<std::vector<double>> molt_numbers(const Collection& collection, const StadiaTable& table) {
  const auto& animals = collection.animals;
  std::vector<std::vector<double>> numbers(animals.size());
  std::set<std::string> numbered;
  for (std::size_t i = 0; i < animals.size(); ++i) {
    numbers[i] = stated_numbers(table.animals[i]);
    if (any_known(numbers[i])) numbered.insert(animals[i].taxon);
  }
  for (std::size_t i = 0; i < animals.size(); ++i)
    if (!numbered.contains(animals[i].taxon)) numbers[i] = counted_numbers(animals[i], table.animals[i]);
  return numbers;
}

}  // namespace moltspan
