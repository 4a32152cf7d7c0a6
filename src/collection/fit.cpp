#include "collection/uncalibrated.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <stdexcept>

#include "collection/clock.hpp"
#include "collection/covariates.hpp"
#include "collection/errors.hpp"
#include "collection/families.hpp"
#include "collection/growth.hpp"
#include "collection/hidden.hpp"
#include "collection/instars.hpp"
#include "collection/kinds.hpp"
#include "collection/last.hpp"
#include "collection/last_instar.hpp"
#include "collection/own.hpp"
#include "collection/sizes.hpp"
#include "collection/spread.hpp"
#include "facts/husbandry.hpp"
#include "intervals/predictive.hpp"
#include "intervals/model.hpp"
#include "moltspan/posterior/posterior.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr std::size_t rough_records = 1500;  ///< of a rough fit
constexpr std::size_t many_records = 5000;   ///< from which two rounds of weighing last molts have to do
constexpr double last_molt_heeded = 0.05;    ///< chance of a last molt, or change of it, that is worth a fit
constexpr double least_log_sd = -7;  ///< to start a search from; records without any spread lead the rough fit astray
constexpr double least_sigma = 1e-4;  ///< under which lengths show no spread: the posterior grows without bound there
constexpr double rounded_days_variance = 1.0 / 6;  ///< of a length between two moments that are each known to the day
constexpr double prior_exponent = 0.8;             ///< with which size errors count until the records tell
constexpr int looks_at_spread = 3;                 ///< each with the scales found before
constexpr double prior_warmth = -0.08;             ///< the same of a degree

/// Codes of a collection's groups, one of each level an animal, and the names of the codes.
std::array<std::vector<int>, n_levels> animal_codes(const Collection& collection,
                                                    std::array<std::vector<std::string>, n_levels>& names) {
  std::array<std::vector<int>, n_levels> codes;
  std::array<std::map<std::string, int>, n_levels> known;
  bool any_cohort = false;
  const auto code = [&](Level level, const std::string& key, const std::string& name) {
    auto& codes_known = known[static_cast<int>(level)];
    if (name.empty()) return -1;
    const auto [found, added] = codes_known.try_emplace(key, static_cast<int>(codes_known.size()));
    if (added) names[static_cast<std::size_t>(level)].push_back(name);
    return found->second;
  };
  for (std::size_t i = 0; i < collection.animals.size(); ++i) {
    const Animal& a = collection.animals[i];
    codes[0].push_back(code(Level::genus, a.genus, a.genus));
    codes[1].push_back(code(Level::taxon, a.taxon, a.taxon));
    codes[2].push_back(code(Level::cohort, a.taxon + "\n" + a.cohort, a.cohort));
    codes[3].push_back(static_cast<int>(i));
    names[3].push_back(a.id);
    any_cohort = any_cohort || !a.cohort.empty();
  }
  if (!any_cohort) codes[2].clear();
  return codes;
}

bool wants_probe(const AnimalHistory& history, const Animal& animal, Day as_of) {
  if (animal.set_aside || history.state != AnimalState::alive || history.molts_no_more) return false;
  return history.recorded || !animal.acquired || *animal.acquired <= as_of;
}

/// The caller's priors of the growth model (without their `growth.`), or those of the others.
Priors priors_of(const Priors& given, bool growth) {
  const std::string mark = "growth.";
  Priors result;
  for (const auto& [name, prior] : given)
    if (name.starts_with(mark) == growth) result.push_back({growth ? name.substr(mark.size()) : name, prior});
  return result;
}

/// Whether a stadium begins with the molt that ends the one before it in the table.
bool follows_last(const std::vector<Stadium>& stadia, const Stadium& s) {
  if (&s == stadia.data()) return false;
  const Stadium& before = *(&s - 1);
  return before.animal == s.animal && before.molt + 1 == s.molt && before.end == s.start;
}

/// Sizes of all animals, hidden molts as far as they are found: by the growth model where it can be fitted.
void size_animals(CollectionFit& fit, const std::array<std::vector<int>, n_levels>& codes) {
  fit.animals = size_inputs(*fit.collection, fit.table);
  fit.growth = nullptr;
  if (!fit.options.growth_model) return;
  std::erase_if(fit.health, [](const HealthNote& note) { return note.topic == "growth_model"; });
  try {
    fit.growth = fit_collection_growth(*fit.collection, fit.animals, fit.table, fit.hidden, codes, priors_of(fit.options.priors, true),
                      fit.options.threads);
  } catch (const std::runtime_error& error) {
    fit.health.push_back(
        {HealthState::warning, "growth_model",
         std::string("growth could not be learned (") + error.what() + "): sizes go on at the usual ratio"});
  }
}

void count_kin(CollectionFit& fit) {
  std::map<std::string, int> closed;
  for (std::size_t i = 0; i < fit.animals.size(); ++i)
    closed[fit.collection->animals[i].taxon] += fit.animals[i].own_stadia;
  for (std::size_t i = 0; i < fit.animals.size(); ++i)
    fit.animals[i].taxon_stadia = closed[fit.collection->animals[i].taxon] - fit.animals[i].own_stadia;
}

/// Fills fit.data and what each animal enters with, from the beginning.
void build_data(CollectionFit& fit) {
  const Collection& collection = *fit.collection;
  fit.data = {};
  fit.group_names = {};
  const auto codes = animal_codes(collection, fit.group_names);
  size_animals(fit, codes);
  CovariateRows rows(collection, fit.table, fit.animals, fit.options);
  std::vector<CovariateRow> records, probes;
  const auto add_codes = [&](std::array<std::vector<int>, n_levels>& groups, int animal) {
    for (int level = 0; level < n_levels; ++level)
      if (!codes[level].empty()) groups[level].push_back(codes[level][animal]);
  };
  for (const Stadium& s : fit.table.stadia) {
    AnimalInputs& inputs = fit.animals[s.animal];
    const int row = static_cast<int>(records.size());
    if (s.status == StadiumStatus::running)
      inputs.running_row = row;
    else
      inputs.previous_row = row;
    inputs.own_stadia += s.end.has_value();
    fit.data.follows.push_back(follows_last(fit.table.stadia, s) ? row - 1 : -1);
    records.push_back(rows.of(s.animal, static_cast<std::size_t>(s.molt) + 1, s.temperature_c, s.limb_lost, s.egg_sac));
    fit.data.bounds.push_back(
        {s.min_days, s.max_days, s.start_range_days, s.entry_days, s.end ? s.end->width_days() : 0.0});
    add_codes(fit.data.groups, s.animal);
  }
  for (std::size_t i = 0; i < fit.animals.size(); ++i) {
    AnimalInputs& inputs = fit.animals[i];
    if (inputs.never_measured)
      fit.data.animal_extra_variance.push_back({static_cast<int>(i), inputs.shared_size_variance});
    if (inputs.running_row >= 0 || !wants_probe(fit.table.animals[i], collection.animals[i], fit.table.as_of)) continue;
    inputs.probe = static_cast<int>(probes.size());
    probes.push_back(rows.of(static_cast<int>(i), inputs.sizes.size() - 1, unknown_number, false, false));
    add_codes(fit.data.probe_groups, static_cast<int>(i));
  }
  set_design(fit.data, records, probes);
  run_by_clock(fit);
  add_own_covariates(fit);
  add_last_instar_column(fit);
  add_instar_columns(fit);
  add_log_scales(fit);
  count_kin(fit);
}

/// Learns the signs from closed stadia, those that hide no molt.
void learn_signs(CollectionFit& fit) {
  fit.sign_timelines = sign_timelines(*fit.collection, fit.table);
  std::vector<SignStadium> closed;
  for (std::size_t row = 0; row < fit.table.stadia.size(); ++row) {
    const Stadium& s = fit.table.stadia[row];
    if (!s.end) continue;
    const auto animal = static_cast<std::size_t>(s.animal);
    const Day from = signs_count_from(fit, s.animal, s.molt);
    closed.push_back({s.animal, static_cast<double>(from), *s.end,
                      fit.animals[animal].sizes[s.molt + 1].mean,
                      fit.hidden.used() ? fit.hidden.chances[row][0] : 1.0});
  }
  fit.signs = fit_signs(*fit.collection, fit.sign_timelines, closed);
}

double finite_coefficient(const StadiaFit& stadia, CoefficientRole role, double otherwise) {
  const double found = stadia.coefficient(role, otherwise);
  return std::isfinite(found) ? found : otherwise;
}

/// Effects with which errors of size and temperature count.
struct ErrorEffects {
  double exponent = prior_exponent, warmth = prior_warmth, last_instar = 1;
};

/// A rough fit of some of the animals: those effects, and where to start the search. Finds out on the way whether instars
/// and kinds differ in length and spread.
ErrorEffects rough_effects(CollectionFit& fit, StadiaOptions& options, bool look_at_instars) {
  StadiaOptions rough = options;
  rough.points = 8;
  StadiaFit first = fit_stadia(thinned(fit.data, rough_records), rough);
  if (look_at_instars) {
    look_for_instar_effect(fit, first);
    if (fit.instars.used()) {
      add_instar_columns(fit);
      return rough_effects(fit, options, false);
    }
  }
  for (int look = 1; look <= looks_at_spread && fit.options.spread_effect; ++look) {
    const bool found = look_for_spread_effect(fit, first, look == looks_at_spread);
    add_log_scales(fit);
    if (!found) break;
    first = fit_stadia(thinned(fit.data, rough_records), rough);
  }
  const VectorXd start = first.estimate.values.tail(first.estimate.values.size() - first.coefficients.size());
  if (start.allFinite()) options.start = start.cwiseMax(least_log_sd);
  return {finite_coefficient(first, CoefficientRole::log_size, prior_exponent),
          finite_coefficient(first, CoefficientRole::warmth_c, prior_warmth),
          finite_coefficient(first, CoefficientRole::last_instar, 1)};
}

/// The plain fit. Lengths that show no spread have no posterior: then what rounding to days hides is taken for it.
void fit_plain(CollectionFit& fit, StadiaOptions options) {
  try {
    fit.stadia = fit_stadia(fit.data, options);
    if (fit.data.size() == 0 || fit.stadia.sigma > least_sigma || fit.options.method == Method::ml) return;
  } catch (const std::runtime_error&) {
  }
  options.start.resize(0);
  for (std::size_t row = 0; row < fit.data.size(); ++row) {
    const StadiumBounds& b = fit.data.bounds[row];
    if (b.max_days == b.min_days)
      fit.data.extra_variance[static_cast<Index>(row)] += rounded_days_variance / (b.min_days * b.min_days);
  }
  fit.stadia = fit_stadia(fit.data, options);
  fit.health.push_back(
      {HealthState::warning, "no_spread",
       "lengths of stadia show no spread of their own: what rounding to days hides is taken for it, and "
       "bands rest on that"});
}

/// Chance of each running stadium to last longer than watched; the start is taken in the middle of its range.
std::vector<double> survival_at_last_day(const CollectionFit& fit) {
  std::vector<double> chances(fit.animals.size(), 1);
  const PredictorMixture running = running_predictors(fit.stadia);
  const auto& rows = fit.stadia.running_rows;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const Stadium& s = fit.table.stadia[rows[i]];
    const StadiumBounds& bounds = fit.data.bounds[rows[i]];
    const double watched = bounds.min_days + 0.5 * bounds.start_range_days, extra = fit.data.extra_variance[rows[i]],
                 counted = fit.data.weights.size() > 0 ? fit.data.weights[rows[i]] : 1;
    double without = 0, with = 0;
    for (PredictiveComponent point : predictive_components(running, static_cast<Index>(i))) {
      point.variance += extra;
      const double survival = std::max(predictive_survival(fit.options.family, point, watched), 1e-300);
      without += point.weight / std::pow(survival, counted);
      with += point.weight * std::pow(survival, 1 - counted);
    }
    chances[s.animal] = with / without;
  }
  return chances;
}

/// Weight of each record: of a running stadium the chance that a molt is to come, 1 elsewhere.
VectorXd weights_of_records(const CollectionFit& fit, const std::vector<double>& survival) {
  const LastMolts last(fit, [&](int animal) { return survival[animal]; });
  VectorXd weights = VectorXd::Ones(static_cast<Index>(fit.data.size()));
  for (std::size_t i = 0; i < fit.animals.size(); ++i)
    if (const double chance = last.chance(static_cast<int>(i)); chance > 0 && fit.animals[i].running_row >= 0)
      weights[fit.animals[i].running_row] = 1 - chance;
  return weights;
}

/// A running stadium that is likely no stadium, as no molt ends it, counts less: the fit is made again with it weighed
/// by the chance that a molt is to come, until the weights stand still. The first weights take every stadium to be over
/// already: long last stadia that were in the fit would explain themselves.
void weigh_last_molts(CollectionFit& fit, StadiaOptions options) {
  const int rounds = fit.data.size() > many_records ? 2 : 5;
  VectorXd before = VectorXd::Zero(static_cast<Index>(fit.data.size()));
  for (int round = 0; round < rounds; ++round) {
    const VectorXd weights =
        weights_of_records(fit, round == 0 ? std::vector<double>(fit.animals.size(), 0.0) : survival_at_last_day(fit));
    if (round == 0 && (weights.size() == 0 || weights.minCoeff() > 1 - last_molt_heeded)) return;
    if ((weights - before).cwiseAbs().maxCoeff() < last_molt_heeded) return;
    fit.data.weights = before = weights;
    options.start = fit.stadia.estimate.values.tail(fit.stadia.estimate.values.size() - fit.stadia.coefficients.size());
    fit.stadia = fit_stadia(fit.data, options);
  }
}

}  // namespace

Day signs_count_from(const CollectionFit& fit, int animal, int molt) {
  const AnimalView view = fit.animal(animal);
  const AnimalHistory& history = view.history();
  const double leg_span_mm = 20 * std::exp(view.inputs().sizes[molt + 1].mean);
  const double wait = days_by_stage(husbandry().hardening, leg_span_mm, view.record().adult_leg_span_mm,
                                    history.matured && molt >= history.matured_molt);
  const Day hard = history.molts[molt].when.latest + std::max(1, static_cast<int>(wait));
  return std::max(hard, history.watched_from);
}

CollectionFit fit_uncalibrated(std::shared_ptr<const Collection> collection, const CollectionOptions& options) {
  CollectionFit fit;
  fit.collection = std::move(collection);
  fit.options = options;
  fit.families = {{options.family, 1}};
  fit.table = build_stadia(*fit.collection, options.as_of, options.watched);
  build_data(fit);
  StadiaOptions stadia_options;
  stadia_options.family = options.family;
  stadia_options.method = options.method;
  stadia_options.truncation = options.truncation;
  stadia_options.priors = priors_of(options.priors, false);
  stadia_options.threads = options.threads;
  if (fit.data.size() == 0 && fit.data.probes() == 0) {
    fit.health.push_back({HealthState::not_run, "nothing_to_fit",
                          "no animal with a stadium and none that molts on: nothing was fitted"});
    return fit;
  }
  const bool bayes = options.method == Method::bayes;
  ErrorEffects effects;
  weigh_covariate_errors(fit, effects.exponent, effects.warmth, effects.last_instar);
  if (bayes && fit.data.size() > 0) {
    effects = rough_effects(fit, stadia_options, options.instar_effect);
    if (options.clock && learn_clock(fit, stadia_options, effects.warmth))
      stadia_options.priors = clock_priors(fit, stadia_options.priors);
    weigh_covariate_errors(fit, effects.exponent, effects.warmth, effects.last_instar);
  }
  const auto size_again = [&] {
    build_data(fit);
    weigh_covariate_errors(fit, effects.exponent, effects.warmth, effects.last_instar);
  };
  const bool search = bayes && options.hidden_molts.value_or(fit.data.size() <= most_searched_stadia);
  const bool fitted = search && fit_with_hidden_molts(fit, stadia_options, size_again);
  if (!fitted) fit_plain(fit, stadia_options);
  if (bayes && fit.data.size() > 0) weigh_last_molts(fit, stadia_options);
  fit.stadia.options.priors = priors_of(options.priors, false);  // those that the clock moved are its own affair
  fit.families = weigh_families(fit);
  learn_signs(fit);
  fit.health.insert(fit.health.begin(), fit.stadia.health.begin(), fit.stadia.health.end());
  if (fit.growth) fit.health.insert(fit.health.end(), fit.growth->health.begin(), fit.growth->health.end());
  note_hidden_molts(fit);
  return fit;
}

}  // namespace moltspan
