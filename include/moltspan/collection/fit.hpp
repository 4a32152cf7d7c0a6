#pragma once

#include <array>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "moltspan/clock/clock.hpp"
#include "moltspan/growth/latent.hpp"
#include "moltspan/intervals/hidden_molts.hpp"
#include "moltspan/intervals/intervals.hpp"
#include "moltspan/score/recalibration.hpp"
#include "moltspan/records/records.hpp"
#include "moltspan/signs/signs.hpp"
#include "moltspan/stadia/stadia.hpp"

/// @file
/// The joint fit of a collection: stadia of all its animals, nested by genus, taxon, cohort and animal, with the
/// covariates that the records hold.
namespace moltspan {

/// Stadia of a collection up to which molts that are not in the records are looked for unasked.
inline constexpr std::size_t most_searched_stadia = 1000;

/// A covariate of the user's own, one value an animal, alone or times a covariate of the model.
struct OwnCovariate {
  std::string name;
  std::vector<double> of_animals;  ///< in the order of the collection
  std::string times;               ///< `log_size`, ...; blank = alone. Left out where the records hold no such covariate
  std::string spread;  ///< not blank: one of those whose prior sd is learned together under this name, as `tub_sd`
};

struct CollectionOptions {
  std::optional<Day> as_of;  ///< last day used; default: the last recorded day
  Watched watched = Watched::all;
  Family family = Family::lognormal;
  Method method = Method::bayes;
  Truncation truncation = Truncation::renewal;  ///< animals come at random moments of their stadia
  Priors priors;  ///< of stadia by name; of growth as `growth.log_ratio`, `growth.animal_sd`, ...
  int threads = 0;
  /// Sizes from the growth model in place of a usual ratio a molt; gives `CollectionFit::growth`, sizes after the next
  /// molt, and the growth of courses of life and of housing. Without any reading of a size there is none.
  bool growth_model = true;
  /// Reckon with molts that are not in the records (bayes only; see hidden_molts.hpp). Where a fit with them is not
  /// sound, the plain fit stands and health says so. Not stated: up to `most_searched_stadia`, beyond which it can take
  /// far longer than the fit.
  std::optional<bool> hidden_molts;
  /// Covariates beside those that the records hold. A fault of one (of_animals of another length) is refused.
  std::vector<OwnCovariate> own;
  /// Stadia may differ between instars beyond what size tells (bayes only; see InstarEffect).
  bool instar_effect = true;
  /// Kinds and instars may scatter unlike (bayes only; see SpreadEffect).
  bool spread_effect = true;
  /// Forecasts of running stadia mix the families as far as the records bear each (bayes only; see
  /// CollectionFit::families).
  bool mix_families = true;
  /// Lengths are days of a clock that runs with the temperature rows of each animal and with a season of the records
  /// (bayes only; see clock.hpp); false: days of the calendar, temperatures as means of stadia.
  bool clock = true;
  /// Forecasts of running stadia are recalibrated by what came of past ones (bayes only; see CollectionFit::recalibration).
  bool recalibrate = true;
};

struct FamilyWeight {
  Family family = Family::lognormal;
  double weight = 1;
};

/// Size of an animal in one instar on the scale log(leg span / 20 mm), with its error.
struct InstarSize {
  double mean = 0, variance = 0;
  bool measured = false;  ///< read in this instar, not carried over from another
  /// What enters the spread of its own stadium: the variance given the animal's growth ratio, as an error of the ratio
  /// moves all its instars together and would count anew in each.
  double record_variance = 0;
};

/// What an animal enters the fit with.
struct AnimalInputs {
  std::vector<InstarSize> sizes;  ///< [0] before the first recorded molt, [k] after the k-th
  bool never_measured = false;
  SizeMeasure read_measure = SizeMeasure::leg_span;  ///< leg span where it was ever read on it, else the usual one
  /// Whether sizes are leg spans: one was read on it, or it is a tarantula, for which a usual ratio is known.
  /// Else sizes are `read_measure` times that ratio, which only puts them on the scale of the others.
  bool leg_span_known = true;
  double shared_size_variance = 0;  ///< of log size, common to all its instars, where it was never measured
  bool temperature_known = false;
  int running_row = -1;                  ///< row of the fit that is its running stadium; -1 = none
  int previous_row = -1;                 ///< row of the stadium before that one; -1 = none
  int probe = -1;                        ///< probe of an animal without a known start; -1 = none
  int own_stadia = 0, taxon_stadia = 0;  ///< stadia with a seen end: its own, and of others of its taxon
};

/// Random walk over instars on the scale of log T: steps between neighboring instars are normal about 0 with sds that
/// are learned (`instar_sd`; of single kinds about it `taxon_instar_sd`), added up from the anchor. It is in the model
/// where the records bear it: where the mean residuals by kind and instar gain 2 or more in log evidence; and where most
/// animals, not measured, are in an instar that nobody has seen end, while no more than two have been seen. An instar
/// that nobody has seen yet is one step off the last.
struct InstarEffect {
  bool of_all = false, of_kinds = false;
  double anchor = unknown_number;  ///< the instar with most stadia
  double log_evidence_gain = 0;
  struct Step {
    int column = 0;     ///< of the covariates
    std::string taxon;  ///< blank = of all kinds
    double instar = 0;  ///< that it leads to
  };
  std::vector<Step> steps;
  std::vector<double> of_animals;  ///< present instar of each animal; NaN = not known
  bool used() const { return of_all || of_kinds; }
};

/// The last instar before the adult or the pupa, which takes longer than size tells in groups whose facts say so: covariate
/// `last_instar`, its ratio's log times the chance that a stadium is that instar.
struct LastInstarEffect {
  int column = -1;                                 ///< of the covariates; -1 = no animal has it
  std::vector<std::vector<double>> of_animals;     ///< the covariate now and in instars to come; blank = none
  std::vector<double> row_variances;               ///< of the covariate in each row of the table
};

/// How the spread of stadia about their predictors differs between kinds and instars: log scales beside log sigma,
/// normal with an effect of each kind and random walks over instars, at their mode. Used where it gains 5 or more in
/// log evidence.
struct SpreadEffect {
  double step_sd = 0, kind_sd = 0, kind_step_sd = 0;  ///< found on a grid
  double anchor = 0, log_evidence_gain = 0;
  struct Cell {
    std::string taxon;
    double instar = unknown_number;
    double weight = 0;  ///< of the cell's covariances with others in their log scales
  };
  std::vector<Cell> cells;
  std::vector<double> of_animals;  ///< present instar of each animal; NaN = not known
  bool used() const { return log_evidence_gain > 0; }
};

class AnimalView;

/// A fitted collection. Immutable.
struct CollectionFit {
  std::shared_ptr<const Collection> collection;
  CollectionOptions options;
  StadiaTable table;
  ClockFit clock;
  StadiaData data;   ///< record i is stadium i of the table, in days of the clock
  StadiaFit stadia;  ///< without records: only priors stand behind it
  std::shared_ptr<const GrowthModelFit>
      growth;  ///< animals in the same order; null where not asked for and where no size was read
  std::vector<AnimalInputs> animals;  ///< one an animal of the collection
  std::array<std::vector<std::string>, n_levels>
      group_names;                           ///< by code; of a cohort its own name; of animals all ids
  std::vector<HealthNote> health;            ///< of the fit, and what was assumed for all
  InstarEffect instars;
  LastInstarEffect last_instar;                      ///< not used where size tells all, or nobody numbers instars
  SpreadEffect spread;                       ///< not used where kinds and instars scatter alike
  HiddenFit hidden;                          ///< molts that went unrecorded; empty where none were looked for
  SignModels signs;                          ///< what the signs of a coming molt are worth here
  std::vector<SignTimeline> sign_timelines;  ///< one an animal
  /// Families of W that the law of a running stadium mixes, that of `options` first, with weights that add up to 1.
  /// Each has the mean and sd of log T that the fit has. Weight: a prior share (shared/priors.toml) times the product
  /// over the records of p(record | the others), predictors integrated (pseudo Bayes factor; Geisser and Eddy 1979,
  /// Journal of the American Statistical Association 74:153), from 1,500 records at most. Under 1/1000: left out.
  std::vector<FamilyWeight> families{{}};
  /// What forecasts from some past days, made anew with what was known then, say of those of today; applied to running
  /// stadia where `options.recalibrate`.
  Recalibration recalibration;
  double exponent_for_size_error = 0;  ///< exponent of size with which size errors entered the variances
  /// sd of log T of a stadium whose temperature nobody has measured: its animal's usual one stands for it, and stadia
  /// lie about their animal's mean with the pooled sd of those measured. 0 = not known.
  double unmeasured_warmth_sd = 0;

  /// All that it holds of one animal (animal_view.hpp). Throws std::out_of_range.
  AnimalView animal(int index) const;
};

/// First day after a molt (an index into the animal's molts) from which a sign tells of the next one: it has hardened by
/// the days of its size, as retreats stay shut and food is refused until then.
Day signs_count_from(const CollectionFit& fit, int animal, int molt);

/// How the log leg span of an animal goes on at a molt while it is not mature: log_ratio + decline log(leg span / 20
/// mm), of which a share is added that falls towards its adult size (`adult`), known with `ratio_sd`, the same error at all its molts, which goes with the error of its present size, and with
/// a spread of each molt.
struct GrowthAhead {
  double log_ratio = 0, decline = 0, ratio_sd = 0, molt_sd = 0, size_covariance = 0;
  bool learned = false;  ///< from the records; else the usual ratio of shared/husbandry.toml
  /// Where its growth may end, with chances; empty = not known, or mature: then it grows on, or as grown animals do.
  std::vector<AdultNode> adult;
};
GrowthAhead growth_ahead(const CollectionFit& fit, int animal);

}  // namespace moltspan
