#pragma once

#include <Eigen/Core>
#include <array>
#include <limits>
#include <string>
#include <vector>

#include "moltspan/base/health.hpp"
#include "moltspan/intervals/intervals.hpp"

/// @file
/// Growth from molt to molt with sizes that are never seen exactly: the Bayesian model.
///
/// On `x = log(size / reference)`, the animal's size in successive instars is a walk:
///   `x_(k+1) = x_k + m_k g + shift_k + sqrt(m_k) process_sd Z`,   `g = log_ratio + r_genus + r_taxon + r_cohort +
///   r_animal`,
/// with m_k molts between two instars. The declining form (Hiatt's log-log line) has `x_(k+1) = x_k + decline x_k + g`
/// at each molt, so that `g` is the log ratio at the reference size. A reading is `log value = x + columns' b + bias +
/// reading_sd Z`, known to lie within its rounding step where that is wide; `b` are parameters shared by all animals
/// (with a Gaussian deviation by taxon where asked for), such as log ratios of one measure to another. `exp(log_ratio)`
/// is Dyar's ratio.
///
/// Growth ends: of a molt at size x only the share h(x) of `g` (and of the decline) is added, which falls from 1 in small
/// animals to about 0 where the size comes near a limit (AdultNode). In the fit the shares are given
/// (`GrowthAnimal::slowing`), so that it stays linear; sizes ahead take a mixture of limits (`GrowthModelFit::adult`).
///
/// Given the spreads all is Gaussian but rounding: sizes are a chain with a band of width 1, eliminated first, then
/// animals, cohorts, taxa, genera; one pass costs O(readings). Rounding intervals enter by expectation propagation
/// (Minka 2001), whose moments hold where an interval is wide against the error of a reading. The spreads are
/// integrated numerically as in posterior.hpp. No random numbers.
namespace moltspan {

/// What is read: its error and how it differs from the latent size.
struct GrowthMeasure {
  std::string name;
  double reading_sd = 0.06;     ///< usual sd of a log reading
  double log_sd_spread = 0.35;  ///< prior sd of the log of the true sd over the usual one; 0 = half-normal(reading_sd)
  double bias = 0;              ///< of a log reading; known
};

/// A linear parameter of readings, shared by all animals.
struct GrowthParameter {
  std::string name;
  double mean = 0, sd = 1;  ///< normal prior
  double taxon_sd = 0;      ///< of its deviation by taxon; 0 = none
};

struct GrowthReading {
  int animal = 0;
  int instar = 0;  ///< index among the animal's instars
  int measure = 0;
  double log_value = 0;         ///< log(value / reference)
  double lower = 0, upper = 0;  ///< value / reference lay between these before it was rounded; 0 = not rounded
};

/// One animal: its successive instars.
struct GrowthAnimal {
  std::vector<double> molts;   ///< molts between instar k and k + 1; one less than instars
  std::vector<double> shifts;  ///< known growth at that step in place of g; empty = none; NaN = g
  double next_shift = std::numeric_limits<double>::quiet_NaN();  ///< the same for steps after the last instar
  std::vector<double> slowing;  ///< share of g that each step adds, over 0 and up to about 1; empty = all
  std::vector<double> slowing_variance;  ///< of a step, as that share is not known for sure; empty = none
};

/// One possible end of an animal's growth: with u = size / limit a molt adds the share h = soft(1 - u^steepness) of its
/// log ratio, soft(w) ~ max(w, 0) with a rounded corner, so that a grown animal still adds a little.
struct AdultNode {
  double weight = 1;
  double log_limit = 0;     ///< log(size / reference) at which growth has come to an end
  double log_adult = 0;     ///< of the size that is called adult: below the limit where maturity ends all molts
  double steepness = 4;     ///< 1/2, 1, 2, 4, 8 or 16: from a ratio that falls all life to one that stays until near the end
  double ratio_change = 0;  ///< of g, given this end: who ends early has had the larger ratio
  double with_size = 0;     ///< part of an error of its present size that its limit shares: near it all of it
};

/// Share of its log ratio that a molt at this log size adds.
double growth_share(const AdultNode& node, double log_size);

/// Variance of a molt that adds this share, over that of one that adds all.
double spread_share(double growth_share);

/// Readings to fit, by animal. Sizes of an instar without a reading are inferred.
struct GrowthData {
  std::vector<GrowthMeasure> measures;
  std::vector<GrowthParameter> parameters;
  std::vector<GrowthAnimal> animals;
  std::vector<GrowthReading> readings;  ///< animals in order
  Eigen::MatrixXd columns;              ///< readings x parameters
  std::array<std::vector<int>, n_levels>
      groups;  ///< codes of each animal; empty = no such effect; -1 = none of its own
};

enum class GrowthForm { constant, declining, weighed };

struct GrowthModelOptions {
  GrowthForm form = GrowthForm::weighed;  ///< `weighed`: both are fitted, the likelier one is used
  /// Names as in the table [growth] of shared/priors.toml: `log_ratio`, `decline` (normal); `process_sd`, `genus_sd`,
  /// `taxon_sd`, `cohort_sd`, `animal_sd` (half-normal).
  Priors priors;
  int threads = 0;                     ///< 0 = as many as the machine has
  std::size_t search_readings = 2500;  ///< beyond so many the spreads are found on every k-th animal
  int points = 0;                      ///< most points of the spreads; 0 = by the number of readings
  /// Animals are taken as of about one size when their readings begin: Student's law with `first_size_freedom` degrees
  /// of freedom, its place and spread from the first readings. False: flat on the log scale, which puts slings that are
  /// read in wide steps too low.
  bool alike_at_first = false;
};

inline constexpr double first_size_freedom = 4;

/// Posterior mean and sd of a quantity.
struct GrowthEstimate {
  double mean = 0, sd = 0;
};

/// Mean and variance of a log size.
struct LatentSize {
  double mean = 0, variance = 0;
  bool measured = false;    ///< read in this instar
  double own_variance = 0;  ///< given the animal's g and the parameters of readings: what its instars do not share
};

/// Posterior at one point of the spreads: what predictions are made of.
struct GrowthPoint {
  double weight = 0, process_variance = 0, decline = 0;
  std::vector<double> last_size, last_variance, growth, growth_variance, covariance;  ///< one an animal
};

/// Result of `fit_growth_model`. Immutable.
struct GrowthModelFit {
  GrowthModelOptions options;
  GrowthForm form = GrowthForm::constant;  ///< used
  double declining_weight = 0;             ///< posterior weight of the declining form; NaN where it was not fitted
  double log_evidence = 0;                 ///< of the form used
  GrowthEstimate log_ratio;                ///< of all animals together (at the reference size)
  GrowthEstimate decline;                  ///< 0 unless the declining form is used
  std::vector<std::string> spread_names;   ///< `process_sd`, `reading_sd.<measure>`, `animal_sd`, ...
  std::vector<GrowthEstimate> spreads;
  std::vector<std::string> parameter_names;
  std::vector<GrowthEstimate> parameters;
  Eigen::MatrixXd parameter_covariance;
  std::vector<Level> levels;  ///< with an effect, outermost first
  /// Log ratio of each member of a level (the effects above included), by code; animals: all, in order.
  std::array<std::vector<std::pair<int, GrowthEstimate>>, n_levels> member_log_ratio;
  /// Chance that an animal's log ratio exceeds that of another of its cohort or kind; NaN = never read.
  std::vector<double> chance_grows_more;
  std::vector<std::vector<LatentSize>> sizes;  ///< smoothed, an animal, an instar; empty for an animal never read
  std::vector<double> next_shift;              ///< of animals, as given
  std::vector<std::vector<AdultNode>> adult;   ///< of each animal; empty (or of no animal) = grows on at its ratio
  std::vector<GrowthPoint> points;
  std::size_t n_readings = 0, n_rounded = 0, n_animals_read = 0, n_searched = 0;
  int evaluations = 0;
  std::vector<HealthNote> health;
};

/// Fits the model. Throws std::invalid_argument that names the animal or reading for faulty data or an unknown prior.
GrowthModelFit fit_growth_model(const GrowthData& data, const GrowthModelOptions& options = {});

/// Log size of an animal after its next 1, 2, ..., n molts, one column each: the predictor's mean and variance at each
/// point of the spreads without the last molt's own spread, which is `log_sigma`; mixture_quantiles(Family::lognormal,
/// ...) gives quantiles of size / reference. Where the animal has ends of growth each is a row of its own, the points being
/// gathered to a few (by the spread of a molt). Throws std::invalid_argument for an animal never read or molts_ahead < 1.
PredictorMixture size_after(const GrowthModelFit& fit, int animal, int molts_ahead);

}  // namespace moltspan
