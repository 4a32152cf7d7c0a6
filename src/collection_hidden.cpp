#include "collection_hidden.hpp"

#include <algorithm>
#include <cmath>
#include <exception>
#include <limits>
#include <string>
#include <tuple>

#include "collection_jumps.hpp"
#include "collection_last.hpp"
#include "intervals_model.hpp"
#include "intervals_posterior.hpp"
#include "moltspan/posterior.hpp"

namespace moltspan {
namespace {

constexpr int most_rounds = 10;          ///< of weights, chances, jump, then spreads
constexpr double settled_share = 0.005;  ///< change of the expected number of hidden molts that ends the search
constexpr double overstep = 2;           ///< of the chance: steps of EM are short where much is doubtful
constexpr double least_log_sigma = -3.5, wide_log_sigma = -1.2;  ///< of the search: .03, .3
constexpr double few_hidden = 0.5;                               ///< molts expected to be hidden in all gaps together
constexpr std::size_t search_records = 1000;                     ///< of the search
constexpr double plain_below = 1e-3;                             ///< chance of a hidden molt
constexpr double credible_chance = 0.35;  ///< of a missed molt: beyond, lengths alone cannot tell how many there were
/// A stadium of which so little would be left to last, and the chance of a last molt it then has, are reason for doubt.
constexpr double overdue_survival = 0.01, may_be_last_from = 0.05;
constexpr double widest = 4;  ///< variance of a predictor that nothing but its own record tells of
constexpr double never = -std::numeric_limits<double>::infinity();
constexpr HiddenWeights none_hidden{0, never, never};

/// Improves one hyperparameter by a parabola through three points, within bounds: four solves at most.
class AxisSearch {
 public:
  AxisSearch(const StadiaModel& model, ConditionalPosterior& posterior) : model_(model), posterior_(posterior) {}

  void improve(Eigen::VectorXd& hyper, Eigen::Index axis, double least) {
    constexpr double step = 0.15, longest = 0.5;
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
    return posterior_.log_marginal() + model_.log_hyper_prior(hyper);
  }

  const StadiaModel& model_;
  ConditionalPosterior& posterior_;
};

/// The search on some or all records of a fit.
class Search {
 public:
  Search(const CollectionFit& fit, StadiaOptions options, Jumps& jumps, std::vector<Eigen::Index> rows)
      : fit_(fit), options_(std::move(options)), jumps_(jumps), rows_(std::move(rows)) {
    data_ = picked_rows(fit.data, rows_);
    hyper_ = options_.start;
    hyper_[0] = std::max(hyper_[0], least_log_sigma);
    const LastMolts last(fit, [](int) { return overdue_survival; });
    for (const Stadium& s : fit.table.stadia)
      may_be_last_.push_back(!s.end && last.chance(s.animal) > may_be_last_from);
    Eigen::Index closed = 0, stated = 0;
    for (Eigen::Index row : rows_) {
      if (!fit.table.stadia[static_cast<std::size_t>(row)].end) continue;
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
      ConditionalPosterior posterior(model, options_.threads);
      solve_from_wide(posterior);
      if (round > 0 && before > few_hidden) improve_spreads(model, posterior);
      update_exponent(posterior);
      set_chances(model, posterior, hidden);
      improve_parameters(hidden, round > 1 ? overstep : 1);
      const double now = expected_in_gaps(hidden);
      if (round > 1 && (now < few_hidden || std::abs(now - before) < settled_share * now)) break;
      before = now;
    }
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
    set_chances(model, posterior, hidden);
  }

  const StadiaData& data() const { return data_; }
  const Eigen::VectorXd& hyper() const { return hyper_; }
  double exponent() const { return exponent_; }
  void set_exponent(double exponent) { exponent_ = exponent; }

 private:
  /// From a wide sigma the mode of records without hidden molts is reached first.
  void solve_from_wide(ConditionalPosterior& posterior) const {
    Eigen::VectorXd wide = hyper_;
    wide[0] = std::max(wide[0], wide_log_sigma);
    posterior.solve(wide);
    posterior.solve(hyper_);
  }

  void improve_spreads(const StadiaModel& model, ConditionalPosterior& posterior) {
    AxisSearch search(model, posterior);
    for (Eigen::Index axis = 0; axis < hyper_.size(); ++axis)
      search.improve(hyper_, axis, axis == 0 ? least_log_sigma : -10);
    posterior.solve(hyper_);
  }

  void update_exponent(const ConditionalPosterior& posterior) {
    const Eigen::VectorXd coefficients = posterior.node_mean(0);
    for (std::size_t i = 0; i < data_.coefficients.size(); ++i)
      if (data_.coefficients[i] == "log_size") exponent_ = coefficients[static_cast<Eigen::Index>(i)];
  }

  double expected_in_gaps(const HiddenFit& hidden) const {
    double sum = 0;
    for (Eigen::Index row : rows_)
      if (fit_.table.stadia[static_cast<std::size_t>(row)].end)
        sum += expected_hidden(hidden.chances[static_cast<std::size_t>(row)]);
    return sum;
  }

  void set_chances(const StadiaModel& model, const ConditionalPosterior& posterior, HiddenFit& hidden) const {
    for (std::size_t i = 0; i < rows_.size(); ++i)
      hidden.chances[static_cast<std::size_t>(rows_[i])] = chances_of(model, posterior, i);
  }

  /// The record's weights times its likelihoods, its predictor without the record's own term integrated out.
  HiddenWeights chances_of(const StadiaModel& model, const ConditionalPosterior& posterior, std::size_t record) const {
    auto [mean, variance] = predictor_without_record(posterior, model, record, hyper_);
    if (!(variance < widest)) std::tie(mean, variance) = posterior.predictor_moments(model.predictors[record]);
    return hidden_shares(options_.family, data_.bounds[record], mean, variance, hyper_[0],
                         data_.extra_variance[static_cast<Eigen::Index>(record)], data_.hidden_log_weights[record],
                         data_.hidden_log_step);
  }

  /// Chance of a missed molt (its posterior mean at the present weights) and the usual jump. A stadium whose end was
  /// not seen counts by what its age says of it, but not where it may be long as no molt ends it, nor where most gaps
  /// are counted by instar numbers, which tell the chance whatever the lengths.
  void improve_parameters(HiddenFit& hidden, double step) const {
    const MissedMoltPrior& prior = missed_molt_prior();
    double missed = prior.a, molts = prior.a + prior.b;
    for (Eigen::Index row : rows_) {
      const bool open = !fit_.table.stadia[static_cast<std::size_t>(row)].end;
      if (open && (numbers_tell_ || may_be_last_[static_cast<std::size_t>(row)])) continue;
      const HiddenWeights& chances = hidden.chances[static_cast<std::size_t>(row)];
      missed += expected_hidden(chances);
      molts += expected_hidden(chances) + 1 - chances[most_hidden];  // the last class: that many or more
    }
    const double next = missed / molts, stretched = hidden.missed_chance + step * (next - hidden.missed_chance);
    hidden.missed_chance = std::clamp(stretched, 0.5 * next, 2 * next);
    jumps_.improve(rows_, hidden);
  }

  const CollectionFit& fit_;
  StadiaOptions options_;
  Jumps& jumps_;
  std::vector<Eigen::Index> rows_;
  std::vector<char> may_be_last_;  ///< by stadium
  bool numbers_tell_ = false;      ///< most gaps have stated instar numbers on both sides
  StadiaData data_;
  Eigen::VectorXd hyper_;
  double exponent_ = 0;
};

std::vector<Eigen::Index> all_rows(const StadiaData& data) {
  std::vector<Eigen::Index> rows(data.size());
  for (std::size_t i = 0; i < rows.size(); ++i) rows[i] = static_cast<Eigen::Index>(i);
  return rows;
}

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

void forget(CollectionFit& fit, const std::string& reason) {
  fit.hidden = {};
  fit.data.hidden_log_weights.clear();
  fit.data.hidden_log_step = 0;
  fit.health.push_back({HealthState::warning, "hidden_molts", reason});
}

}  // namespace

void find_hidden_molts(CollectionFit& fit, StadiaOptions& options) {
  if (options.start.size() == 0) return;
  Jumps jumps(fit);
  HiddenFit& hidden = fit.hidden;
  hidden.chances.assign(fit.data.size(), HiddenWeights{1, 0, 0});
  hidden.missed_chance = missed_molt_prior().a / (missed_molt_prior().a + missed_molt_prior().b);
  jumps.begin(hidden);
  auto rows = thinned_rows(fit.data, search_records);
  if (rows.empty()) rows = all_rows(fit.data);
  Search search(fit, options, jumps, rows);
  search.set_exponent(fit.exponent_for_size_error);
  search.run(hidden);
  if (!(hidden.missed_chance < credible_chance) || !search.hyper().allFinite())
    return forget(fit,
                  "the gaps between molts are so uneven that their number of hidden molts cannot be told: none is "
                  "reckoned with");
  options.start = search.hyper();
  Search all(fit, options, jumps, all_rows(fit.data));
  all.set_exponent(search.exponent());
  all.weigh(hidden);
  all.update_chances(hidden);
  keep_weights(fit, all.data());
}

bool fit_with_hidden_molts(CollectionFit& fit, StadiaOptions options) {
  std::string reason = "the fit with them has no sound answer";
  try {
    find_hidden_molts(fit, options);
    fit.stadia = fit_stadia(fit.data, options);
    if (fit.data.hidden_log_weights.empty() || is_sound(fit.stadia)) return true;
  } catch (const std::exception& error) {
    reason = error.what();
  }
  forget(fit, "hidden molts could not be reckoned with (" + reason + "): the stadia are fitted without them");
  fit.stadia = {};
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
