#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

#include "moltspan/growth/growth.hpp"
#include "moltspan/growth/latent.hpp"
#include "moltspan/base/health.hpp"

/// @file
/// The mixed model of growth.hpp as a Bayesian posterior: for few animals, rounded readings and several measures.
///
/// `y = x'beta + u_cohort + z'b_animal + w_animal(instar) + sigma_measure e`. `b` is normal with a full covariance or
/// independent parts; `w`, where asked for, is a walk along the molts that begins with the first instar of the table:
/// what growth itself scatters, apart from the error of reading. A rounded reading says that y lay in an interval.
///
/// The declining form is Hiatt's line for log sizes, x' = x + g + decline x a molt. Its solution replaces the instar k,
/// wherever a column is linear in it, by t(k) = c + ((1 + decline)^(k - c) - 1) / decline with c the mean instar, so
/// that the coefficient of `instar` is the log ratio of the molt from instar c to c + 1; the walk is carried on with
/// the same factor.
///
/// Given spreads, correlations and the decline all is Gaussian but rounding: animals are dense blocks of their own
/// readings, intervals enter by expectation propagation (Minka 2001). The rest is integrated numerically
/// (posterior.hpp): sds have half-normal priors, correlations the uniform law over correlation matrices of Lewandowski,
/// Kurowicka & Joe (2009). No random numbers.
namespace moltspan {

/// Rows to fit or to predict for.
struct BayesGrowthRows {
  Eigen::MatrixXd x, z;                   ///< as in MixedData
  Eigen::MatrixXd x_slope, z_slope;       ///< what each entry gains for one more instar; empty = the form is constant
  Eigen::VectorXd instars;                ///< empty = neither walk nor declining form
  std::vector<int> groups, outer_groups;  ///< codes; -1 = a new one (predictions); empty = no such effect
  std::vector<int> measures;              ///< codes; empty = one measure
};

struct BayesGrowthData {
  BayesGrowthRows rows;
  Eigen::VectorXd y;
  Eigen::VectorXd lower, upper;  ///< y lay between these before it was rounded; empty = not rounded
  std::vector<std::string> coefficients, effects, measures;  ///< names; one measure may have none
};

struct BayesGrowthOptions {
  GrowthForm form = GrowthForm::constant;  ///< `weighed`: both are fitted, the likelier one is used
  bool correlated = true;                  ///< full covariance of the effects of an animal, or independent ones
  bool process = false;                    ///< a walk along the molts apart from the error of reading
  /// By name, over the defaults of the table [mixed] of shared/priors.toml: coefficients and `decline` (normal),
  /// `sigma`, `sigma[measure]`, `animal_sd`, `animal_sd[effect]`, `cohort_sd`, `process_sd` (half-normal).
  Priors priors;
  bool log_response = true;  ///< else default priors are in units of the response's own scatter
  int threads = 0;           ///< 0 = as many as the machine has
};

/// One point of the posterior of spreads.
struct BayesGrowthPoint {
  double weight = 0;
  Eigen::VectorXd hyper, beta;
  Eigen::MatrixXd beta_covariance;
  std::vector<double> site_precision, site_pull;  ///< of the rounded readings in order
};

/// Result of `fit_growth_bayes`. Immutable.
struct BayesGrowthFit {
  BayesGrowthData data;
  BayesGrowthOptions options;
  GrowthForm form = GrowthForm::constant;  ///< used
  double declining_weight = 0;             ///< posterior weight of the declining form; NaN where it was not fitted
  double log_evidence = 0;                 ///< log marginal likelihood of the form used
  Eigen::VectorXd beta;                    ///< posterior means of the coefficients
  Eigen::MatrixXd covariance;              ///< and their posterior covariance
  /// `sigma` (`sigma[measure]`), `animal_sd[effect]`, `animal_correlation` (`animal_correlation[a,b]`), `cohort_sd`,
  /// `process_sd`, `decline`: those in the model. `unbounded`: mean and sd of log sd, of Fisher's z of a correlation.
  std::vector<std::string> spread_names;
  std::vector<GrowthEstimate> spreads, unbounded;
  Eigen::MatrixXd effect_covariance;  ///< posterior mean
  std::vector<BayesGrowthPoint> points;
  Priors priors_used;  ///< of all that was fitted
  std::size_t n_rounded = 0;
  int n_groups = 0, n_outer = 0, evaluations = 0;
  std::vector<HealthNote> health;
};

/// Fits the model. Throws std::invalid_argument that names the row or column for faulty data, and for an unknown prior.
BayesGrowthFit fit_growth_bayes(BayesGrowthData data, const BayesGrowthOptions& options = {});

/// Posterior means with `level` intervals of coefficients (from the mixture of normals) and of spreads
/// (log scale, correlations Fisher's z, the decline as it is).
MixedIntervals bayes_growth_intervals(const BayesGrowthFit& fit, double level);

/// exp of a coefficient: posterior median, bounds, and the posterior chance that it is larger than `against`.
struct BayesRatio {
  double ratio = 0, lower = 0, upper = 0, chance_larger = 0;
};
BayesRatio bayes_growth_ratio(const BayesGrowthFit& fit, std::size_t coefficient, double level, double against);

/// Bands at `level` on the scale of y. `estimate`: posterior median of the line of the animal (of the population for a
/// new one); `mean`: band of that line, without the walk still to come; `new`: band of the next reading. A new animal
/// (cohort) adds the spread between animals (cohorts) to `new` alone.
MixedBands predict_growth_bayes(const BayesGrowthFit& fit, const BayesGrowthRows& rows, double level);

/// Posterior means of the effects of the animals, one a row, in the order of their codes.
Eigen::MatrixXd bayes_animal_effects(const BayesGrowthFit& fit);

/// Log of the marginal likelihood at given spreads (order of `spread_names`, on the unbounded scale), without their
/// prior; -infinity where expectation propagation does not come to rest.
double bayes_growth_log_marginal(const BayesGrowthData& data, const BayesGrowthOptions& options,
                                 const Eigen::VectorXd& unbounded);

/// The step to which all of at least eight values are rounded: 10 mm, 1/4 in, 5 mm or 1/8 in; 0 = none of them.
double found_rounding_step_mm(const std::vector<double>& values_mm);

/// Readings of an animal that share its instar with an earlier one: what tells the scatter of growth from that of
/// reading.
std::size_t repeated_readings(const std::vector<int>& groups, const Eigen::VectorXd& instars);

/// Whether there are enough of them for a walk to be told from the error of reading.
bool process_is_told(const std::vector<int>& groups, const Eigen::VectorXd& instars);

}  // namespace moltspan
