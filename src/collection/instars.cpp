#include "collection/instars.hpp"

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <set>

#include "collection/last_instar.hpp"
#include "collection/numbers.hpp"
#include "collection/residuals.hpp"
#include "collection/spread.hpp"
#include "moltspan/collection/instar_effects.hpp"
#include "moltspan/intervals/wald.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr std::size_t enough_records = 1500;   ///< to see whether instars differ
constexpr double worth_log_evidence = 2.0;     ///< gain from which the effect is in the model
constexpr std::size_t most_cells = 150;        ///< kinds x instars that are looked at
constexpr std::size_t most_columns = 40;       ///< of the effect: kinds with few stadia share that of all
constexpr std::size_t few_of_instar = 2;       ///< kinds with fewer instars have no walk of their own
constexpr double pace_variance = 0.25;         ///< of what a kind has in all its instars: nothing of the effect
constexpr double size_apart = 0.15;            ///< log sizes that are taken as one instar
constexpr double tried_sds[] = {0, 0.05, 0.1, 0.2, 0.4};

/// Instars by size, of a kind.
class InstarsBySize {
 public:
  void add(double log_size, double instar) { sizes_.insert({log_size, instar}); }
  double at(double log_size) const {
    double sum = 0, n = 0;
    for (auto it = sizes_.lower_bound(log_size - size_apart); it != sizes_.end() && it->first <= log_size + size_apart; ++it) {
      sum += it->second;
      ++n;
    }
    return n > 0 ? std::round(sum / n) : unknown_number;
  }

 private:
  std::multimap<double, double> sizes_;
};

/// Mean residual of the stadia of one kind in one instar.
struct Cell {
  int taxon = -1;
  double instar = 0, precision = 0, mean = 0;
};

int taxon_code(const CollectionFit& fit, Index row) {
  return fit.animal(fit.table.stadia[row].animal).group(Level::taxon);
}

/// The cells with most records.
std::vector<Cell> cells_of(const CollectionFit& fit, const StadiaFit& first, const std::vector<double>& instars) {
  std::map<std::pair<int, double>, Cell> found;
  for (const RecordResidual& r : record_residuals(fit, first, enough_records)) {
    const double instar = instars[r.row], variance = r.known_variance + r.scaled_variance;
    if (std::isnan(instar)) continue;
    const int taxon = taxon_code(fit, static_cast<Index>(r.row));
    Cell& cell = found[{taxon, instar}];
    cell.taxon = taxon;
    cell.instar = instar;
    cell.precision += 1 / variance;
    cell.mean += r.residual / variance;
  }
  std::vector<Cell> cells;
  for (auto& [key, cell] : found) {
    cell.mean /= cell.precision;
    cells.push_back(cell);
  }
  if (cells.size() > most_cells) {
    std::stable_sort(cells.begin(), cells.end(), [](const Cell& a, const Cell& b) { return a.precision > b.precision; });
    cells.resize(most_cells);
  }
  return cells;
}

/// Log density of the cells' means where instars are random walks of these sds.
double log_evidence(const std::vector<Cell>& cells, double anchor, double all_sd, double taxon_sd) {
  const auto n = static_cast<Index>(cells.size());
  MatrixXd covariance(n, n);
  VectorXd mean(n);
  const auto shared = [&](double a, double b) {
    a -= anchor;
    b -= anchor;
    return a * b > 0 ? std::min(std::abs(a), std::abs(b)) : 0.0;
  };
  for (Index i = 0; i < n; ++i) {
    const Cell& one = cells[i];
    mean[i] = one.mean;
    for (Index j = 0; j <= i; ++j) {
      const Cell& other = cells[j];
      const double steps = shared(one.instar, other.instar);
      covariance(i, j) = all_sd * all_sd * steps + pace_variance;
      if (one.taxon == other.taxon) covariance(i, j) += taxon_sd * taxon_sd * steps + pace_variance;
    }
    covariance(i, i) += 1 / one.precision;
  }
  const Eigen::LLT<MatrixXd> factor(covariance);
  return -0.5 * mean.dot(factor.solve(mean)) - factor.matrixLLT().diagonal().array().log().sum();
}

/// The instar with most stadia.
double most_frequent(const std::vector<double>& instars) {
  std::map<double, int> counts;
  for (double k : instars)
    if (std::isfinite(k)) ++counts[k];
  const auto most = std::max_element(counts.begin(), counts.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
  return most == counts.end() ? unknown_number : most->first;
}

/// Share of a step between instar k - 1 and k that the effect of an instar has: 1 above the anchor, -1 below, else 0.
double share_of_step(double k, double instar, double anchor) {
  if (std::isnan(instar)) return 0;
  return k > anchor ? (instar >= k ? 1 : 0) : (instar < k ? -1 : 0);
}

/// Whether too few instars are known to tell if they differ, most animals are in one that nobody has seen end, and there are
/// no sizes to go by.
bool is_new_ground(const CollectionFit& fit, const std::vector<Cell>& cells, const InstarNumbers& numbers) {
  std::set<double> seen;
  for (const Cell& cell : cells) seen.insert(cell.instar);
  if (seen.empty() || seen.size() > few_of_instar) return false;
  int running = 0, unseen = 0;
  for (std::size_t i = 0; i < fit.animals.size(); ++i) {
    const double instar = numbers.of_animals[i];
    if (fit.animals[i].running_row < 0 || std::isnan(instar)) continue;
    ++running;
    unseen += !seen.contains(instar) && !fit.animals[i].sizes.back().measured;
  }
  return 2 * unseen > running;
}

int taxon_of_animal(const CollectionFit& fit, int animal, std::map<std::string, int>& codes) {
  return codes.try_emplace(fit.animal(animal).record().taxon, static_cast<int>(codes.size()))
      .first->second;
}

}  // namespace

InstarNumbers instar_numbers(const CollectionFit& fit) {
  const auto& animals = fit.collection->animals;
  const std::vector<std::vector<double>> numbers = molt_numbers(*fit.collection, fit.table);
  std::map<std::string, InstarsBySize> by_size;
  for (const Stadium& s : fit.table.stadia) {
    const auto i = static_cast<std::size_t>(s.animal), molt = static_cast<std::size_t>(s.molt);
    if (std::isfinite(numbers[i][molt])) by_size[animals[i].taxon].add(fit.animals[i].sizes[molt + 1].mean, numbers[i][molt]);
  }
  const auto of = [&](std::size_t i, std::size_t place) {  // place 0: before the first molt
    if (any_known(numbers[i])) return place == 0 ? numbers[i][0] - 1 : numbers[i][place - 1];
    const auto known = by_size.find(animals[i].taxon);
    return known == by_size.end() ? unknown_number : known->second.at(fit.animals[i].sizes[place].mean);
  };
  InstarNumbers result;
  for (const Stadium& s : fit.table.stadia)
    result.of_rows.push_back(of(static_cast<std::size_t>(s.animal), static_cast<std::size_t>(s.molt) + 1));
  for (std::size_t i = 0; i < animals.size(); ++i) result.of_animals.push_back(of(i, fit.table.animals[i].molts.size()));
  return result;
}

void look_for_instar_effect(CollectionFit& fit, const StadiaFit& first) {
  const InstarNumbers numbers = instar_numbers(fit);
  const std::vector<Cell> cells = cells_of(fit, first, numbers.of_rows);
  if (is_new_ground(fit, cells, numbers)) {
    fit.instars.of_all = true;
    fit.instars.anchor = most_frequent(numbers.of_rows);
    return;
  }
  if (cells.size() < few_of_instar) return;
  std::set<int> taxa;
  for (const Cell& cell : cells) taxa.insert(cell.taxon);
  const double anchor = most_frequent(numbers.of_rows), none = log_evidence(cells, anchor, 0, 0);
  double best = none + worth_log_evidence;
  for (double all_sd : tried_sds)
    for (double taxon_sd : tried_sds) {
      if (taxon_sd > 0 && taxa.size() < 2) continue;
      const double value = log_evidence(cells, anchor, all_sd, taxon_sd);
      if (value <= best) continue;
      best = value;
      fit.instars.of_all = all_sd > 0;
      fit.instars.of_kinds = taxon_sd > 0;
      fit.instars.anchor = anchor;
      fit.instars.log_evidence_gain = value - none;
    }
}

void add_instar_columns(CollectionFit& fit) {
  InstarEffect& effect = fit.instars;
  effect.steps.clear();
  if (!effect.used()) return;
  const InstarNumbers numbers = instar_numbers(fit);
  effect.of_animals = numbers.of_animals;
  std::map<std::string, int> codes;
  std::map<int, std::pair<std::set<double>, int>> kinds;  // instars, stadia
  std::set<double> all;
  for (std::size_t row = 0; row < fit.table.stadia.size(); ++row) {
    const double k = numbers.of_rows[row];
    if (std::isnan(k)) continue;
    auto& [instars, stadia] = kinds[taxon_of_animal(fit, fit.table.stadia[row].animal, codes)];
    instars.insert(k);
    ++stadia;
    all.insert(k);
  }
  std::vector<std::pair<int, double>> steps;  // taxon or -1, instar reached
  const auto add_steps = [&](int taxon, const std::set<double>& instars) {
    const double low = std::min(*instars.begin(), effect.anchor), high = std::max(*instars.rbegin(), effect.anchor);
    for (double k = low + 1; k <= high; ++k) steps.push_back({taxon, k});
  };
  if (effect.of_all && !all.empty()) add_steps(-1, all);
  const std::size_t n_shared = steps.size();
  std::vector<std::pair<int, int>> order;  // -stadia, taxon
  for (const auto& [taxon, found] : kinds)
    if (effect.of_kinds && found.first.size() >= few_of_instar) order.push_back({-found.second, taxon});
  std::sort(order.begin(), order.end());
  for (const auto& [less, taxon] : order)
    if (steps.size() + kinds[taxon].first.size() <= most_columns) add_steps(taxon, kinds[taxon].first);
  const auto taxon_named = [&](int code) {
    for (const auto& [name, known] : codes)
      if (known == code) return name;
    return std::string();
  };
  StadiaData& data = fit.data;
  const Index before = data.covariates.cols(), more = static_cast<Index>(steps.size());
  data.covariates.conservativeResize(Eigen::NoChange, before + more);
  data.probe_covariates.conservativeResize(Eigen::NoChange, before + more);
  LearnedSpread shared{"instar_sd", {}}, own{"taxon_instar_sd", {}};
  for (Index c = 0; c < more; ++c) {
    const auto [taxon, k] = steps[c];
    const std::string name = "instar_" + std::to_string(static_cast<int>(k)) + (taxon < 0 ? "" : ":" + taxon_named(taxon));
    data.coefficients.push_back({name});
    effect.steps.push_back({static_cast<int>(before + c), taxon < 0 ? std::string() : taxon_named(taxon), k});
    (static_cast<std::size_t>(c) < n_shared ? shared : own).coefficients.push_back(static_cast<int>(before + c));
    const auto value = [&](int animal, double instar) {
      return taxon < 0 || taxon_of_animal(fit, animal, codes) == taxon ? share_of_step(k, instar, effect.anchor) : 0.0;
    };
    for (std::size_t row = 0; row < fit.table.stadia.size(); ++row)
      data.covariates(static_cast<Index>(row), before + c) = value(fit.table.stadia[row].animal, numbers.of_rows[row]);
    for (std::size_t i = 0; i < fit.animals.size(); ++i)
      if (fit.animals[i].probe >= 0)
        data.probe_covariates(fit.animals[i].probe, before + c) = value(static_cast<int>(i), numbers.of_animals[i]);
  }
  for (const LearnedSpread& spread : {shared, own})
    if (!spread.coefficients.empty()) data.learned.push_back(spread);
}

InstarStep instar_step(const CollectionFit& fit, int animal, int ahead) {
  InstarStep result{last_instar_step(fit, animal, ahead), 0};
  const InstarEffect& effect = fit.instars;
  if (effect.steps.empty() || static_cast<std::size_t>(animal) >= effect.of_animals.size()) return result;
  const double now = effect.of_animals[animal], then = now + ahead;
  if (std::isnan(now)) return result;
  const std::string& taxon = fit.animal(animal).record().taxon;
  double highest_shared = -INFINITY, highest_own = -INFINITY;
  for (const InstarEffect::Step& step : effect.steps) {
    if (!step.taxon.empty() && step.taxon != taxon) continue;
    (step.taxon.empty() ? highest_shared : highest_own) =
        std::max(step.taxon.empty() ? highest_shared : highest_own, step.instar);
    const double change = share_of_step(step.instar, then, effect.anchor) - share_of_step(step.instar, now, effect.anchor);
    if (change == 0) continue;
    result.mean += change * fit.stadia.coefficients[step.column];
    result.variance += std::pow(change * fit.stadia.coefficient_errors[step.column], 2);
  }
  for (std::size_t k = 0; k < fit.stadia.learned_sds.size(); ++k) {  // instars that no step leads to
    const double highest = std::max(fit.stadia.learned_names[k] == "instar_sd" ? highest_shared : highest_own, now);
    if (std::isfinite(highest) && then > highest) result.variance += (then - highest) * std::pow(fit.stadia.learned_sds[k], 2);
  }
  return result;
}

/// Mean and variance of a sum of coefficients.
InstarStep sum_of(const StadiaFit& stadia, const VectorXd& shares) {
  const Index n = shares.size();
  return {shares.dot(stadia.coefficients), shares.dot(stadia.estimate.covariance.topLeftCorner(n, n) * shares)};
}

/// Mean of the covariate `last_instar` by kind and instar, where the fit has it.
std::map<std::pair<std::string, double>, double> mean_last_instars(const CollectionFit& fit, const InstarNumbers& numbers) {
  std::map<std::pair<std::string, double>, double> sums, rows;
  if (fit.last_instar.column < 0) return sums;
  for (std::size_t row = 0; row < fit.table.stadia.size(); ++row) {
    if (!std::isfinite(numbers.of_rows[row])) continue;
    const int animal = fit.table.stadia[row].animal;
    const std::pair key{fit.animal(animal).record().taxon, numbers.of_rows[row]};
    sums[key] += fit.data.covariates(static_cast<Index>(row), fit.last_instar.column);
    ++rows[key];
  }
  for (auto& [key, sum] : sums) sum /= rows[key];
  return sums;
}

static InstarEstimate estimate_of(InstarEstimate one, int closed_stadia) {
  const Intervals limits = log_wald_intervals(VectorXd::Constant(1, one.log_mean), VectorXd::Constant(1, one.log_sd));
  one.factor = limits.estimate[0];
  one.factor_lower = limits.lower[0];
  one.factor_upper = limits.upper[0];
  one.spread_factor = std::exp(one.log_scale);
  one.closed_stadia = closed_stadia;
  return one;
}

std::vector<InstarEstimate> instar_estimates(const CollectionFit& fit) {
  std::vector<InstarEstimate> result;
  if (!fit.instars.used() && !fit.spread.used()) return result;
  const InstarNumbers numbers = instar_numbers(fit);
  const auto last = mean_last_instars(fit, numbers);
  std::map<std::pair<std::string, double>, int> closed;
  for (std::size_t row = 0; row < fit.table.stadia.size(); ++row) {
    const Stadium& s = fit.table.stadia[row];
    if (std::isfinite(numbers.of_rows[row]))
      closed[{fit.animal(s.animal).record().taxon, numbers.of_rows[row]}] += s.end.has_value();
  }
  for (const auto& [key, n] : closed) {
    const auto& [taxon, instar] = key;
    VectorXd shares = VectorXd::Zero(fit.stadia.coefficients.size());
    for (const InstarEffect::Step& step : fit.instars.steps)
      if (step.taxon.empty() || step.taxon == taxon) shares[step.column] = share_of_step(step.instar, instar, fit.instars.anchor);
    if (const auto found = last.find(key); found != last.end()) shares[fit.last_instar.column] = found->second;
    const InstarStep effect = sum_of(fit.stadia, shares);
    result.push_back(estimate_of({taxon, instar, effect.mean, std::sqrt(std::max(effect.variance, 0.0)), log_scale_of(fit, taxon, instar)}, n));
  }
  return result;
}

}  // namespace moltspan
