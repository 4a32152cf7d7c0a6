#include "collection/hidden.hpp"

#include <algorithm>
#include <cmath>
#include <exception>
#include <limits>
#include <set>
#include <string>

#include "collection/hidden_animals.hpp"
#include "collection/jumps.hpp"
#include "collection/last.hpp"
#include "intervals/model.hpp"
#include "moltspan/posterior/posterior.hpp"

namespace moltspan {
namespace {

constexpr int most_rounds = 10;          ///< of weights, chances, jump, then spreads
constexpr double settled_share = 0.005;  ///< change of the expected number of hidden molts that ends the search
constexpr double overstep = 2;           ///< of the chance: steps of EM are short where much is doubtful
constexpr double least_log_sigma = -3.5, wide_log_sigma = -1.2;  ///< of the search: .03, .3
constexpr double few_hidden = 0.5;                               ///< molts expected to be hidden in all gaps together
constexpr std::size_t search_records = 1000;                     ///< of the search
constexpr double doubted_from = 0.01;                            ///< chance of another number of hidden molts
constexpr double plain_below = 1e-3;                             ///< chance of a hidden molt
constexpr double credible_chance = 0.35;  ///< of a missed molt: beyond, lengths alone cannot tell how many there were
/// A stadium of which so little would be left to last, and the chance of a last molt it then has, are reason for doubt.
constexpr double overdue_survival = 0.01, may_be_last_from = 0.05;
constexpr double never = -std::numeric_limits<double>::infinity();
constexpr HiddenWeights none_hidden{0, never, never};

/// Improves one hyperparameter by a parabola through three points, within bounds: four solves at most.
class AxisSearch {
 public:
  AxisSearch(const StadiaModel& model, const HiddenAnimals& animals, ConditionalPosterior& posterior)
      : model_(model), animals_(animals), posterior_(posterior) {}

  void improve(Eigen::VectorXd& hyper, Eigen::Index axis, double least) {
    constexpr double step = 0.05, longest = 0.5;
    const double here = at(hyper, axis, hyper[axis]), up = at(hyper, axis, hyper[axis] + step);
    const double low = std::max(hyper[axis] - step, least), down = low < hyper[axis] ? at(hyper, axis, low) : here - 1;
    const double curve = (up - 2 * here + down) / (step * step), slope = 0.5 * (up - down) / step;
    double move = curve < -1e-6 ? std::clamp(-slope / curve, -longest, longest) : slope > 0 ? longest : -longest;
    move = std::max(move, least - hyper[axis]);
    const double there = at(hyper, axis, hyper[axis] + move), best = std::max({here, up, down, there});
    if (!std::isfinite(best) || best == here) return;
    hyper[axis] = best == there ? hyper[axis] + move : best == up ? hyper[axis] + step : low;
  }

 private:
  double at(Eigen::VectorXd hyper, Eigen::Index axis, double value) {
    hyper[axis] = value;
    if (!posterior_.solve(hyper)) return -std::numeric_limits<double>::infinity();
    return posterior_.log_marginal() + animals_.beyond_laplace(posterior_) + model_.log_hyper_prior(hyper);
  }

  const StadiaModel& model_;
  const HiddenAnimals& animals_;
  ConditionalPosterior& posterior_;
};

std::vector<Eigen::Index> all_rows(const StadiaData& data) {
  std::vector<Eigen::Index> rows(data.size());
  for (std::size_t i = 0; i < rows.size(); ++i) rows[i] = static_cast<Eigen::Index>(i);
  return rows;
}

/// Molts expected to be hidden in the gaps among some rows.
double expected_in_gaps(const CollectionFit& fit, const std::vector<Eigen::Index>& rows) {
  double sum = 0;
  for (Eigen::Index row : rows)
    if (fit.table.stadia[row].end)
      sum += expected_hidden(fit.hidden.chances[row]);
  return sum;
}

/// The search on some or all records of a fit.
class Search {
 public:
  Search(const CollectionFit& fit, StadiaOptions options, SizeJumps& jumps, std::vector<Eigen::Index> rows)
      : fit_(fit), options_(std::move(options)), jumps_(jumps), rows_(std::move(rows)) {
    data_ = picked_rows(fit.data, rows_);
    hyper_ = options_.start;
    hyper_[0] = std::max(hyper_[0], least_log_sigma);
    const LastMolts last(fit, [](int) { return overdue_survival; });
    for (const Stadium& s : fit.table.stadia)
      may_be_last_.push_back(!s.end && last.chance(s.animal) > may_be_last_from);
    Eigen::Index closed = 0, stated = 0;
    for (Eigen::Index row : rows_) {
      if (!fit.table.stadia[row].end) continue;
      ++closed;
      stated += jumps_.states_hidden(row);
    }
    numbers_tell_ = 2 * stated > closed;
  }

  /// Improves weights, chances, usual jump and, once anything seems hidden, spreads in turn.
  void run(HiddenFit& hidden) {
    double before = 0;
    for (int round = 0; round < most_rounds; ++round) {
      weigh(hidden);
      const StadiaModel model(data_, options_, false);
      const HiddenAnimals animals = animals_of(model, hidden);
      ConditionalPosterior posterior(model, options_.threads);
      solve_from_wide(posterior);
      if (round > 0 && before > few_hidden) improve_spreads(model, animals, posterior);
      update_exponent(posterior);
      set_chances(animals, posterior, hidden);
      improve_parameters(hidden, round > 1 ? overstep : 1);
      const double now = expected_in_gaps(fit_, rows_);
      if (round > 1 && (now < few_hidden || std::abs(now - before) < settled_share * now)) break;
      before = now;
    }
    improve_parameters(hidden, 1);  // longer steps may have gone too far
  }

  /// Puts the log weights of all rows into the data.
  void weigh(HiddenFit& hidden) {
    hidden.log_step = data_.hidden_log_step = exponent_ * hidden.log_ratio;
    data_.hidden_log_weights.clear();
    const HiddenWeights chances = hidden_chances(hidden.missed_chance);
    jumps_.filter(hidden);
    for (Eigen::Index row : rows_) data_.hidden_log_weights.push_back(jumps_.log_weights(row, chances, hidden));
  }

  /// Chances of hidden molts within each row at the present weights.
  void update_chances(HiddenFit& hidden) {
    const StadiaModel model(data_, options_, false);
    ConditionalPosterior posterior(model, options_.threads);
    solve_from_wide(posterior);
    set_chances(animals_of(model, hidden), posterior, hidden);
  }

  const StadiaData& data() const { return data_; }
  const Eigen::VectorXd& hyper() const { return hyper_; }
  double exponent() const { return exponent_; }
  void set_exponent(double exponent) { exponent_ = exponent; }

 private:
  /// The animals searched, by records of this search.
  HiddenAnimals animals_of(const StadiaModel& model, const HiddenFit& hidden) const {
    std::vector<Eigen::Index> record_of_row(fit_.data.size(), -1);
    std::set<int> animals;
    for (std::size_t i = 0; i < rows_.size(); ++i) {
      record_of_row[rows_[i]] = static_cast<Eigen::Index>(i);
      animals.insert(fit_.table.stadia[rows_[i]].animal);
    }
    std::vector<AnimalGaps> result;
    for (int animal : animals) {
      auto [gaps, rows] = jumps_.gaps(animal, hidden);
      const bool doubtful = std::any_of(rows.begin(), rows.end(), [&](Eigen::Index row) {
        return row >= 0 && fit_.table.stadia[row].end &&
               std::ranges::max(hidden.chances[row]) < 1 - doubted_from;
      });
      for (Eigen::Index& row : rows)
        if (row >= 0) row = record_of_row[row];
      result.push_back({std::move(gaps), std::move(rows), doubtful});
    }
    return {model, std::move(result), {hidden.log_ratio, hidden.ratio_log_sd}};
  }

  /// From a wide sigma the mode of records without hidden molts is reached first.
  void solve_from_wide(ConditionalPosterior& posterior) const {
    Eigen::VectorXd wide = hyper_;
    wide[0] = std::max(wide[0], wide_log_sigma);
    posterior.solve(wide);
    posterior.solve(hyper_);
  }

  void improve_spreads(const StadiaModel& model, const HiddenAnimals& animals, ConditionalPosterior& posterior) {
    AxisSearch search(model, animals, posterior);
    for (Eigen::Index axis = 0; axis < hyper_.size(); ++axis)
      search.improve(hyper_, axis, axis == 0 ? least_log_sigma : -10);
    posterior.solve(hyper_);
  }

  void update_exponent(const ConditionalPosterior& posterior) {
    const Eigen::VectorXd coefficients = posterior.node_mean(0);
    if (const Eigen::Index size = data_.column(CoefficientRole::log_size); size >= 0) exponent_ = coefficients[size];
  }

  void set_chances(const HiddenAnimals& animals, const ConditionalPosterior& posterior, HiddenFit& hidden) const {
    const std::vector<HiddenWeights> chances = animals.chances(posterior);
    for (std::size_t i = 0; i < rows_.size(); ++i) hidden.chances[rows_[i]] = chances[i];
  }

  /// Chance of a missed molt (its posterior mean at the present weights) and the usual jump. A stadium whose end was
  /// not seen counts by what its age says of it, but not where it may be long as no molt ends it, nor where most gaps
  /// are counted by instar numbers, which tell the chance whatever the lengths.
  void improve_parameters(HiddenFit& hidden, double step) const {
    const MissedMoltPrior& prior = missed_molt_prior();
    double missed = prior.a, molts = prior.a + prior.b;
    for (Eigen::Index row : rows_) {
      const bool open = !fit_.table.stadia[row].end;
      if (open && (numbers_tell_ || may_be_last_[row])) continue;
      const HiddenWeights& chances = hidden.chances[row];
      missed += expected_hidden(chances);
      molts += expected_hidden(chances) + 1 - chances[most_hidden];  // the last class: that many or more
    }
    const double next = missed / molts, stretched = hidden.missed_chance + step * (next - hidden.missed_chance);
    hidden.missed_chance = std::clamp(stretched, 0.5 * next, 2 * next);
    jumps_.improve(rows_, hidden);
  }

  const CollectionFit& fit_;
  StadiaOptions options_;
  SizeJumps& jumps_;
  std::vector<Eigen::Index> rows_;
  std::vector<char> may_be_last_;  ///< by stadium
  bool numbers_tell_ = false;      ///< most gaps have stated instar numbers on both sides
  StadiaData data_;
  Eigen::VectorXd hyper_;
  double exponent_ = 0;
};

/// Chance of a molt hidden within a gap or, of a stadium whose end was not seen, hidden already.
double chance_so_far(const CollectionFit& fit, std::size_t row) {
  const double none = fit.hidden.chances[row][0];
  return fit.table.stadia[row].end ? 1 - none : 1 - none / (1 - fit.hidden.missed_chance);
}

/// Records that hide next to nothing are plain ones.
void keep_weights(CollectionFit& fit, const StadiaData& weighed) {
  fit.data.hidden_log_step = weighed.hidden_log_step;
  fit.data.hidden_log_weights = weighed.hidden_log_weights;
  bool any = false;
  for (std::size_t i = 0; i < fit.data.size(); ++i) {
    if (chance_so_far(fit, i) < plain_below) fit.data.hidden_log_weights[i] = none_hidden;
    any = any || fit.data.hidden_log_weights[i] != none_hidden;
  }
  if (!any) fit.data.hidden_log_weights.clear();
}

/// Whether a fit can stand: finite, and no check of it came out bad.
bool is_sound(const StadiaFit& stadia) {
  return stadia.estimate.values.allFinite() &&
         std::none_of(stadia.health.begin(), stadia.health.end(),
                      [](const HealthNote& note) { return note.state == HealthState::bad; });
}

void begin(CollectionFit& fit, const SizeJumps& jumps) {
  fit.hidden.chances.assign(fit.data.size(), HiddenWeights{1, 0, 0});
  fit.hidden.missed_chance = missed_molt_prior().a / (missed_molt_prior().a + missed_molt_prior().b);
  jumps.begin(fit.hidden);
}

/// Fills fit.hidden and the weights of fit.data, going on from what is known of them, and moves options.start to the
/// spreads that are left once hidden molts are accounted for. Throws std::runtime_error where they cannot be told.
void find_hidden_molts(CollectionFit& fit, StadiaOptions& options) {
  SizeJumps jumps(fit);
  HiddenFit& hidden = fit.hidden;
  if (!hidden.used()) begin(fit, jumps);
  auto rows = thinned_rows(fit.data, search_records);
  if (rows.empty()) rows = all_rows(fit.data);
  Search search(fit, options, jumps, rows);
  search.set_exponent(fit.exponent_for_size_error);
  search.run(hidden);
  if (!(hidden.missed_chance < credible_chance) || !search.hyper().allFinite())
    throw std::runtime_error("the gaps between molts are so uneven that their number of hidden molts cannot be told");
  options.start = search.hyper();
  Search all(fit, options, jumps, all_rows(fit.data));
  all.set_exponent(search.exponent());
  all.weigh(hidden);
  all.update_chances(hidden);
  keep_weights(fit, all.data());
}

}  // namespace

bool fit_with_hidden_molts(CollectionFit& fit, StadiaOptions options, const std::function<void()>& size_again) {
  if (options.start.size() == 0) return false;
  std::string reason = "the fit with them has no sound answer";
  bool sized_again = false;
  try {
    find_hidden_molts(fit, options);
    if (fit.growth && expected_in_gaps(fit, all_rows(fit.data)) > few_hidden) {
      sized_again = true;
      fit.hidden.sized_with.clear();
      for (const HiddenWeights& chances : fit.hidden.chances) fit.hidden.sized_with.push_back(expected_hidden(chances));
      size_again();
      find_hidden_molts(fit, options);
    }
    fit.stadia = fit_stadia(fit.data, options);
    if (fit.data.hidden_log_weights.empty() || is_sound(fit.stadia)) return true;
  } catch (const std::exception& error) {
    reason = error.what();
  }
  fit.hidden = {};
  fit.stadia = {};
  fit.data.hidden_log_weights.clear();
  fit.data.hidden_log_step = 0;
  if (sized_again) size_again();
  fit.health.push_back(
      {HealthState::warning, "hidden_molts",
       "hidden molts could not be fitted (" + reason + "): the stadia are fitted without them"});
  return false;
}

void note_hidden_molts(CollectionFit& fit) {
  if (!fit.hidden.used()) return;
  int listed = 0;
  for (std::size_t i = 0; i < fit.data.size(); ++i)
    listed += fit.table.stadia[i].end && fit.hidden.chance_of_any(i) > missed_molt_prior().listed;
  if (listed > 0)
    fit.health.push_back({HealthState::warning, "hidden_molts",
                          std::to_string(listed) + (listed == 1 ? " gap" : " gaps") +
                              " between molts may hide a molt that is not on record; the doubts of the forecast name " +
                              (listed == 1 ? "it" : "them") + " (hidden_molts)"});
}

}  // namespace moltspan
