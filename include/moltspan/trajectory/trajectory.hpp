#pragma once

#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "moltspan/base/note.hpp"
#include "moltspan/collection/fit.hpp"

/// @file
/// Courses of life: joint draws of the dates of an animal's next molts and of its sizes after them.
///
/// A draw takes the day of the first molt by inverting the forecast's own law (start range, signs and the time watched
/// included), then, given that day, one point of the hyperparameters and one predictor of the animal, which all its
/// later stadia share: log T_k = eta + exponent (x_k - x_0) + changes of covariates + sigma W_k, x = log(leg span / 20
/// mm). x_0 is drawn with its error, which moves eta with it, and with it, from one point of the growth model's
/// spreads, the animal's log ratio: x after the first molt has the law of size_after. Each course
/// draws once where its growth ends (AdultNode): what a molt adds falls towards that. A mature animal grows by
/// shared/housing.toml, each molt less. Of the covariates size, `near_adult_female` and what belongs to the running stadium only
/// (`limb_lost`, `egg_sac`) change; temperature stays, but for the spread of stadia about their animal's usual one. The
/// exponent is drawn from its own posterior, independently of eta (an approximation). A draw that has molted unseen
/// since the last molt on record, with the chance of that, is one molt further when it begins. The first molt is
/// conditional on there being one; after it, where the kind and the sex drawn stop at maturity, the molt that brings
/// the animal to the adult share of the adult size drawn is the last.
///
/// Random numbers: Philox4x32-10, key = seed, counter = (draw, molt and purpose, hash of the animal's name): the same
/// bytes whatever the threads, the other animals and their order.
namespace moltspan {

struct TrajectoryOptions {
  int molts = 5;
  int draws = 10000;
  std::uint64_t seed = 1;
  std::optional<double> growth_ratio, growth_log_sd;  ///< of all molts, in place of the animals' own
  int threads = 0;                                    ///< 0 = as the fit
};

/// What the draws of one animal stand on.
struct TrajectoryAnimal {
  int animal = -1;  ///< index into Collection::animals
  std::string id, taxon, why_none;
  double adult_leg_span_mm = unknown_number;  ///< share of it from which an animal counts as grown
  double pace_percentile = unknown_number;    ///< chance that one of its kind is slower, in percent; NaN = not known
  double ratio_percentile = unknown_number;   ///< chance that one of its kind grows less at a molt; NaN = not known
  std::vector<Note> notes;
};

/// Quantiles of the leg span over time; rows = days.
struct TrajectoryFan {
  std::vector<double> days, levels;
  std::vector<double> leg_span_mm;  ///< days x levels
  std::vector<double> complete;     ///< share of the draws whose course reaches so far; the others keep their last size
};

/// When a size is reached.
struct FirstPassage {
  double leg_span_mm = 0;
  double chance_already = 0, chance = 0;  ///< reached on the as_of day; within the molts drawn
  double chance_never = 0;  ///< its growth ends below it; what is left to 1 is later than the molts drawn
  std::vector<double> days;               ///< one a draw: 0 = already, infinite = not within these molts
  /// Day by which it is reached with chance p; infinite where the draws do not go so far.
  double quantile_days(double p) const;
};

/// Draws of several animals. Immutable.
struct Trajectories {
  TrajectoryOptions options;
  Day as_of = 0;
  std::vector<TrajectoryAnimal> animals;  ///< those with draws
  std::vector<TrajectoryAnimal> without;  ///< those without, and why
  std::shared_ptr<const double[]>
      dates_days;  ///< animals x draws x molts, from the beginning of the as_of day; NaN = no such molt
  std::shared_ptr<const double[]> leg_span_mm;        ///< animals x draws x molts, after each molt
  std::shared_ptr<const double[]> start_leg_span_mm;  ///< animals x draws
  /// Animals x draws: the size that its growth comes to, however many molts it takes; infinite where no end is known.
  std::shared_ptr<const double[]> end_leg_span_mm;
  std::vector<HealthNote> health;

  const double* dates_of(std::size_t index) const { return dates_days.get() + index * per_animal(); }
  const double* sizes_of(std::size_t index) const { return leg_span_mm.get() + index * per_animal(); }
  std::size_t per_animal() const {
    return static_cast<std::size_t>(options.draws) * static_cast<std::size_t>(options.molts);
  }

  /// All of these throw std::invalid_argument for an index or molt that was not drawn, and a level or chance that does
  /// not lie between 0 and 1.
  /// `days` empty: 41 days from the as_of day to the last day that 9 in 10 courses reach. Levels are quantiles.
  TrajectoryFan fan(std::size_t index, const std::vector<double>& levels, std::vector<double> days = {}) const;
  FirstPassage first_passage(std::size_t index, double leg_span_mm) const;
  /// Quantile of the day of the molt-th molt (from 0) among draws that have it; NaN where none has.
  double date_quantile(std::size_t index, int molt, double p) const;
  double size_quantile(std::size_t index, int molt, double p) const;
  /// Share of the draws that have this molt.
  double chance_of_molt(std::size_t index, int molt) const;
};

/// Draws the trajectories of `animals` (indices; empty = all). Throws std::invalid_argument for molts outside 1 to 100,
/// draws outside 1 to 2^31 - 1, more than 2e8 dates in all, a growth ratio or spread that is none.
Trajectories draw_trajectories(const CollectionFit& fit, const std::vector<int>& animals,
                               const TrajectoryOptions& options = {});

}  // namespace moltspan
