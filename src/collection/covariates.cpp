#include "collection/covariates.hpp"

#include <array>
#include <cmath>
#include <set>

#include "facts/husbandry.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;

constexpr double reference_c = 25;
constexpr std::size_t enough_temperatures = 3;  ///< of animals, to see how the rate bends
constexpr double wide_temperatures_c = 3;       ///< their sd

struct Covariate {
  CoefficientRole role;
  double CovariateRow::*value;
  double absent;  ///< value that says nothing: a column of it is left out
};

const std::array<Covariate, 10>& covariates() {
  static const std::array<Covariate, 10> all{{{CoefficientRole::log_size, &CovariateRow::log_size, NAN},
                                             {CoefficientRole::kind_pace, &CovariateRow::kind_pace, 0},
                                             {CoefficientRole::warmth_c, &CovariateRow::warmth_c, 0},
                                             {CoefficientRole::warmth_squared, &CovariateRow::warmth_squared, 0},
                                             {CoefficientRole::male, &CovariateRow::male, 0.5},
                                             {CoefficientRole::near_adult_female, &CovariateRow::near_adult_female, 0},
                                             {CoefficientRole::pace_slow, &CovariateRow::pace_slow, 0},
                                             {CoefficientRole::pace_fast, &CovariateRow::pace_fast, 0},
                                             {CoefficientRole::limb_lost, &CovariateRow::limb_lost, 0},
                                             {CoefficientRole::egg_sac, &CovariateRow::egg_sac, 0}}};
  return all;
}

/// Usual temperature by taxon, of its animals with any.
std::map<std::string, double> taxon_temperatures(const Collection& collection, const StadiaTable& table) {
  std::map<std::string, std::pair<double, int>> sums;
  for (std::size_t i = 0; i < table.animals.size(); ++i) {
    const double usual = table.animals[i].temperature_c;
    if (!std::isfinite(usual)) continue;
    auto& sum = sums[collection.animals[i].taxon];
    sum.first += usual;
    ++sum.second;
  }
  std::map<std::string, double> means;
  for (const auto& [taxon, sum] : sums) means[taxon] = sum.first / sum.second;
  return means;
}

/// Whether animals live at so many and so different temperatures that the rate of development need not be exponential
/// in all of them.
bool temperatures_bend(const StadiaTable& table) {
  std::set<double> distinct;
  double n = 0, sum = 0, squares = 0;
  for (const AnimalHistory& animal : table.animals) {
    const double c = animal.temperature_c - reference_c;
    if (!std::isfinite(c)) continue;
    distinct.insert(std::round(c));
    ++n;
    sum += c;
    squares += c * c;
  }
  return distinct.size() >= enough_temperatures && squares - sum * sum / n > n * wide_temperatures_c * wide_temperatures_c;
}

/// Columns in use, and the matrix of a list of rows.
std::vector<Covariate> used_covariates(const std::vector<CovariateRow>& rows, const std::vector<CovariateRow>& probes) {
  std::vector<Covariate> used;
  for (const Covariate& c : covariates()) {
    const auto says = [&](const CovariateRow& row) { return std::isnan(c.absent) || row.*c.value != c.absent; };
    bool any = false;
    for (const auto* list : {&rows, &probes})
      for (const auto& row : *list) any = any || says(row);
    if (any) used.push_back(c);
  }
  return used;
}

MatrixXd design(const std::vector<CovariateRow>& rows, const std::vector<Covariate>& used) {
  MatrixXd x(static_cast<Index>(rows.size()), static_cast<Index>(used.size()) + 1);
  for (Index i = 0; i < x.rows(); ++i) {
    x(i, 0) = 1;
    for (Index c = 1; c < x.cols(); ++c)
      x(i, c) = rows[i].*used[c - 1].value;
  }
  return x;
}

}  // namespace

CovariateRows::CovariateRows(const Collection& collection, const StadiaTable& table, std::vector<AnimalInputs>& inputs,
                             const CollectionOptions& options)
    : collection_(collection),
      table_(table),
      inputs_(inputs),
      paces_(kind_paces(collection, inputs, options)),
      temperatures_(taxon_temperatures(collection, table)),
      bend_(temperatures_bend(table)) {}

CovariateRow CovariateRows::of(int animal, std::size_t instar, double temperature_c, bool limb_lost, bool egg_sac) {
  const Animal& a = collection_.animals[animal];
  const AnimalHistory& history = table_.animals[animal];
  CovariateRow row;
  row.log_size = inputs_[animal].sizes[instar].mean;
  row.warmth_c = warmth(animal, temperature_c);
  if (bend_) row.warmth_squared = row.warmth_c * row.warmth_c;
  row.kind_pace = paces_[animal].of(row.log_size, inputs_[animal].temperature_known);
  row.male = history.male_chance;
  const double leg_span_mm = 20 * std::exp(row.log_size);
  const bool matured = history.matured_molt >= 0 && static_cast<int>(instar) > history.matured_molt;
  if (matured || leg_span_mm > husbandry().adult_share * a.adult_leg_span_mm)
    row.near_adult_female = 1 - history.male_chance;
  row.pace_slow = a.pace == Pace::slow;
  row.pace_fast = a.pace == Pace::fast;
  row.limb_lost = limb_lost;
  row.egg_sac = egg_sac;
  return row;
}

double CovariateRows::warmth(int animal, double temperature_c) {
  double t = temperature_c;
  if (!std::isfinite(t)) t = table_.animals[animal].temperature_c;
  if (!std::isfinite(t)) {
    const auto found = temperatures_.find(collection_.animals[animal].taxon);
    if (found != temperatures_.end()) t = found->second;
  }
  inputs_[animal].temperature_known = std::isfinite(t);
  return std::isfinite(t) ? t - reference_c : 0;
}

void set_design(StadiaData& data, const std::vector<CovariateRow>& rows, const std::vector<CovariateRow>& probes) {
  const auto used = used_covariates(rows, probes);
  const auto add = [&](CoefficientRole role) { data.coefficients.push_back({role_name(role), role}); };
  data.coefficients.clear();
  add(CoefficientRole::intercept);
  for (const Covariate& c : used) add(c.role);
  data.covariates = design(rows, used);
  data.probe_covariates = design(probes, used);
}

}  // namespace moltspan
