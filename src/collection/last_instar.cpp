#include "collection/last_instar.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "collection/instars.hpp"
#include "moltspan/kinds/kinds.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

constexpr double animals_of_facts = 2;  ///< what the facts' number of instars counts for beside animals that matured (assumption)
constexpr int most_instars = 40, most_ahead = 15;
constexpr double least_chance = 1e-6;

/// Numbers of animals of each kind that matured out of an instar.
using MaturedCounts = std::map<std::string, std::map<int, double>>;

MaturedCounts matured_counts(const CollectionFit& fit, const InstarNumbers& numbers) {
  MaturedCounts counts;
  for (std::size_t row = 0; row < fit.table.stadia.size(); ++row) {
    const Stadium& s = fit.table.stadia[row];
    const double instar = numbers.of_rows[row];
    const AnimalHistory& history = fit.animal(s.animal).history();
    if (history.matured_molt >= 0 && s.molt + 1 == history.matured_molt && std::isfinite(instar))
      ++counts[fit.animal(s.animal).record().taxon][static_cast<int>(instar)];
  }
  return counts;
}

/// Chance that the last instar has this number, by the facts.
double chance_of_number(const KindNumber& number, int instar) {
  const auto below = [&](double edge) { return numeric::Phi(std::log(edge / number.value) / number.log_sd); };
  return below(instar + 0.5) - (instar <= 1 ? 0 : below(instar - 0.5));
}

/// Chance that an animal that has come to an instar is in its last one.
class LastInstarChance {
 public:
  LastInstarChance(const CollectionFit& fit, const InstarNumbers& numbers) : fit_(fit), matured_(matured_counts(fit, numbers)) {}

  double of(int animal, double instar) const {
    const AnimalView view = fit_.animal(animal);
    const double male = view.history().male_chance;
    const KindFacts facts = facts_of(view.record());
    if (std::isnan(instar) || instar < 1 || instar > most_instars) return 0;
    double here = 0, beyond = 0;
    for (int k = static_cast<int>(instar); k <= most_instars; ++k) {
      double weight = 0;
      if (facts.instars_female.known()) weight += (1 - male) * chance_of_number(facts.instars_female, k);
      if (facts.instars_male.known()) weight += male * chance_of_number(facts.instars_male, k);
      (k == static_cast<int>(instar) ? here : beyond) += animals_of_facts * weight + seen(view.record().taxon, k);
    }
    return here > least_chance ? here / (here + beyond) : 0;
  }

 private:
  double seen(const std::string& taxon, int instar) const {
    const auto kind = matured_.find(taxon);
    if (kind == matured_.end()) return 0;
    const auto found = kind->second.find(instar);
    return found == kind->second.end() ? 0 : found->second;
  }

  const CollectionFit& fit_;
  MaturedCounts matured_;
};

double log_ratio(const Animal& animal) {
  const KindNumber ratio = facts_of(animal).last_instar;
  return ratio.known() ? std::log(ratio.value) : 0;
}

/// Of a row of the table: 1, 0, or the chance.
double share_of_row(const CollectionFit& fit, const Stadium& s, double instar, const LastInstarChance& chance) {
  const AnimalHistory& history = fit.animal(s.animal).history();
  if (history.matured_molt >= 0) return s.molt + 1 == history.matured_molt ? 1 : 0;
  if (s.molt + 2 < static_cast<int>(history.molts.size())) return 0;
  return chance.of(s.animal, instar);
}

}  // namespace

void add_last_instar_column(CollectionFit& fit) {
  fit.last_instar = {};
  const auto& animals = fit.collection->animals;
  if (fit.options.method != Method::bayes || !fit.options.instar_effect ||
      std::none_of(animals.begin(), animals.end(), [](const Animal& animal) { return log_ratio(animal) != 0; }))
    return;
  const InstarNumbers numbers = instar_numbers(fit);
  const LastInstarChance chance(fit, numbers);
  Eigen::VectorXd rows(static_cast<Index>(fit.data.size())), probes(static_cast<Index>(fit.data.probes()));
  std::vector<double> variances(fit.data.size());
  for (std::size_t row = 0; row < fit.data.size(); ++row) {
    const Stadium& s = fit.table.stadia[row];
    const double ratio = log_ratio(animals[s.animal]);
    const double share = ratio == 0 ? 0 : share_of_row(fit, s, numbers.of_rows[row], chance);
    rows[static_cast<Index>(row)] = ratio * share;
    variances[row] = ratio * ratio * share * (1 - share);
  }
  for (std::size_t i = 0; i < animals.size(); ++i)
    if (fit.animals[i].probe >= 0)
      probes[fit.animals[i].probe] = log_ratio(animals[i]) * chance.of(static_cast<int>(i), numbers.of_animals[i]);
  if ((rows.array() == 0).all() && (probes.array() == 0).all()) return;
  StadiaData& data = fit.data;
  fit.last_instar.column = static_cast<int>(data.covariates.cols());
  data.coefficients.push_back({role_name(CoefficientRole::last_instar), CoefficientRole::last_instar});
  data.covariates.conservativeResize(Eigen::NoChange, data.covariates.cols() + 1);
  data.probe_covariates.conservativeResize(Eigen::NoChange, data.probe_covariates.cols() + 1);
  data.covariates.rightCols(1) = rows;
  data.probe_covariates.rightCols(1) = probes;
  fit.last_instar.row_variances = std::move(variances);
  fit.last_instar.of_animals.resize(animals.size());
  for (std::size_t i = 0; i < animals.size(); ++i) {
    const double ratio = log_ratio(animals[i]), now = numbers.of_animals[i];
    for (int ahead = 0; ratio != 0 && std::isfinite(now) && ahead <= most_ahead; ++ahead)
      fit.last_instar.of_animals[i].push_back(ratio * chance.of(static_cast<int>(i), now + ahead));
  }
}

double last_instar_step(const CollectionFit& fit, int animal, int ahead) {
  const LastInstarEffect& effect = fit.last_instar;
  if (effect.column < 0) return 0;
  const std::vector<double>& values = effect.of_animals[animal];
  if (static_cast<std::size_t>(ahead) >= values.size()) return 0;
  return fit.stadia.coefficients[effect.column] * (values[ahead] - values[0]);
}

}  // namespace moltspan
