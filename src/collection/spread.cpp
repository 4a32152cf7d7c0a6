#include "collection/spread.hpp"

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <map>

#include "collection/instars.hpp"
#include "collection/residuals.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr std::size_t enough_records = 1500;
constexpr std::size_t fewest_records = 10;
constexpr double worth_a_look = 0.5;      ///< gain in log evidence from which it is looked again, with the scales found
constexpr double worth_log_evidence = 5.0;  ///< gain from which scales differ
constexpr std::size_t most_cells = 80;      ///< kinds x instars that are looked at
constexpr double common_sd = 0.3;           ///< of what sigma itself is off by
constexpr double most_range = 0.25;  ///< of what a range of days leaves open, over sigma^2: wider ones tell of themselves
constexpr double jitter = 1e-6;
constexpr double farthest_squared = 9;  ///< squared residuals over their variance: one straggler is no wide spread
constexpr double tried_steps[] = {0, 0.1, 0.25, 0.5}, tried_kinds[] = {0, 0.15, 0.35}, tried_own_steps[] = {0, 0.15};

/// Covariance of the log scales of two cells.
double covariance_of(const SpreadEffect& e, const SpreadEffect::Cell& a, const SpreadEffect::Cell& b) {
  const double i = std::isnan(a.instar) ? 0 : a.instar - e.anchor, j = std::isnan(b.instar) ? 0 : b.instar - e.anchor;
  const double steps = i * j > 0 ? std::min(std::abs(i), std::abs(j)) : 0;
  const bool kin = a.taxon == b.taxon;
  return common_sd * common_sd + e.step_sd * e.step_sd * steps +
         (kin ? e.kind_sd * e.kind_sd + e.kind_step_sd * e.kind_step_sd * steps : 0);
}

struct CellRecords {
  SpreadEffect::Cell cell;
  std::vector<RecordResidual> records;
};

/// Log-likelihood of a cell's records at a log scale, with slope and expected information.
struct CellTerm {
  double value = 0, slope = 0, information = 0;
};

CellTerm cell_term(const CellRecords& cell, double log_scale) {
  CellTerm term;
  for (const RecordResidual& r : cell.records) {
    const double spread = r.spread_variance * std::exp(2 * log_scale), variance = spread + r.known_variance;
    const double square = std::min(r.residual * r.residual / variance, farthest_squared), share = spread / variance;
    term.value -= 0.5 * (std::log(variance) + square);
    term.slope += share * (square - 1);
    term.information += 2 * share * share;
  }
  return term;
}

std::vector<CellRecords> cells_of(const CollectionFit& fit, const StadiaFit& first, const InstarNumbers& numbers) {
  std::map<std::pair<std::string, double>, CellRecords> found;
  for (const RecordResidual& r : record_residuals(fit, first, enough_records)) {
    if (r.range_variance > most_range * r.spread_variance) continue;
    const std::string& taxon = fit.animal(fit.table.stadia[r.row].animal).record().taxon;
    const double instar = numbers.of_rows[r.row];
    CellRecords& cell = found[{taxon, std::isnan(instar) ? -1e9 : instar}];
    cell.cell.taxon = taxon;
    cell.cell.instar = instar;
    cell.records.push_back(r);
  }
  std::vector<CellRecords> cells;
  for (auto& [key, cell] : found) cells.push_back(std::move(cell));
  std::stable_sort(cells.begin(), cells.end(),
                   [](const CellRecords& a, const CellRecords& b) { return a.records.size() > b.records.size(); });
  if (cells.size() > most_cells) cells.resize(most_cells);
  return cells;
}

/// Mode of the log scales at given sds, their weights (K^-1 mode), and Laplace's log evidence.
double solve(const std::vector<CellRecords>& cells, SpreadEffect& effect) {
  const auto n = static_cast<Index>(cells.size());
  MatrixXd prior(n, n);
  for (Index i = 0; i < n; ++i)
    for (Index j = 0; j < n; ++j)
      prior(i, j) = covariance_of(effect, cells[i].cell, cells[j].cell) +
                    (i == j ? jitter : 0);
  VectorXd weights = VectorXd::Zero(n), at = VectorXd::Zero(n), information(n);
  double value = 0, log_determinant = 0;
  for (int round = 0; round < 12; ++round) {
    VectorXd slope(n);
    value = 0;
    for (Index i = 0; i < n; ++i) {
      const CellTerm term = cell_term(cells[i], at[i]);
      value += term.value;
      slope[i] = term.slope;
      information[i] = std::max(term.information, 1e-9);
    }
    // Rasmussen and Williams 2006, algorithm 3.1: B = I + W^1/2 K W^1/2.
    const VectorXd root = information.cwiseSqrt();
    MatrixXd b = root.asDiagonal() * prior * root.asDiagonal();
    b.diagonal().array() += 1;
    const Eigen::LLT<MatrixXd> factor(b);
    log_determinant = factor.matrixLLT().diagonal().array().log().sum();
    const VectorXd target = information.cwiseProduct(at) + slope;
    weights = target - root.cwiseProduct(factor.solve(root.cwiseProduct(prior * target)));
    const VectorXd next = (prior * weights).cwiseMin(1.5).cwiseMax(-1.5);
    const double moved = (next - at).cwiseAbs().maxCoeff();
    at = next;
    if (moved < 1e-6) break;
  }
  effect.cells.clear();
  for (Index i = 0; i < n; ++i) {
    effect.cells.push_back(cells[i].cell);
    effect.cells.back().weight = weights[i];
  }
  return value - 0.5 * at.dot(weights) - log_determinant;
}

double log_scale_of(const SpreadEffect& effect, const std::string& taxon, double instar) {
  double sum = 0;
  for (const SpreadEffect::Cell& cell : effect.cells) sum += cell.weight * covariance_of(effect, {taxon, instar, 0}, cell);
  return sum;
}

}  // namespace

bool look_for_spread_effect(CollectionFit& fit, const StadiaFit& first, bool last_look) {
  const InstarNumbers numbers = instar_numbers(fit);
  const std::vector<CellRecords> cells = cells_of(fit, first, numbers);
  fit.spread = {};
  std::size_t records = 0;
  for (const CellRecords& cell : cells) records += cell.records.size();
  if (cells.size() < 2 || records < fewest_records) return false;
  SpreadEffect tried;
  tried.anchor = std::isnan(cells.front().cell.instar) ? 0 : cells.front().cell.instar;
  const double none = solve(cells, tried);
  double best = none + (last_look ? worth_log_evidence : worth_a_look);
  for (double step : tried_steps)
    for (double kind : tried_kinds)
      for (double own : tried_own_steps) {
        tried.step_sd = step;
        tried.kind_sd = kind;
        tried.kind_step_sd = own;
        const double value = solve(cells, tried);
        if (!(value > best)) continue;
        best = value;
        fit.spread = tried;
        fit.spread.log_evidence_gain = value - none;
      }
  return fit.spread.used();
}

void add_log_scales(CollectionFit& fit) {
  fit.data.log_scale.resize(0);
  fit.data.probe_log_scale.resize(0);
  if (!fit.spread.used()) return;
  const InstarNumbers numbers = instar_numbers(fit);
  fit.spread.of_animals = numbers.of_animals;
  const auto taxon = [&](int animal) { return fit.animal(animal).record().taxon; };
  std::map<std::pair<std::string, double>, double> known;
  const auto scale = [&](int animal, double instar) {
    const auto [found, added] = known.try_emplace({taxon(animal), std::isnan(instar) ? -1e9 : instar}, 0);
    if (added) found->second = log_scale_of(fit.spread, taxon(animal), instar);
    return found->second;
  };
  fit.data.log_scale.resize(static_cast<Index>(fit.data.size()));
  for (std::size_t row = 0; row < fit.data.size(); ++row)
    fit.data.log_scale[static_cast<Index>(row)] = scale(fit.table.stadia[row].animal, numbers.of_rows[row]);
  fit.data.probe_log_scale.resize(static_cast<Index>(fit.data.probes()));
  for (std::size_t i = 0; i < fit.animals.size(); ++i)
    if (fit.animals[i].probe >= 0)
      fit.data.probe_log_scale[fit.animals[i].probe] = scale(static_cast<int>(i), numbers.of_animals[i]);
}

double log_scale_of(const CollectionFit& fit, const std::string& taxon, double instar) {
  return fit.spread.used() ? log_scale_of(fit.spread, taxon, instar) : 0;
}

double spread_step(const CollectionFit& fit, int animal, int ahead) {
  const SpreadEffect& effect = fit.spread;
  if (!effect.used() || static_cast<std::size_t>(animal) >= effect.of_animals.size()) return 0;
  const double now = effect.of_animals[animal];
  if (std::isnan(now)) return 0;
  const std::string& taxon = fit.animal(animal).record().taxon;
  return log_scale_of(effect, taxon, now + ahead) - log_scale_of(effect, taxon, now);
}

}  // namespace moltspan
