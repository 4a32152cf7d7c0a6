#pragma once

#include <Eigen/Core>
#include <array>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "moltspan/base/health.hpp"
#include "moltspan/numeric/maximum.hpp"
#include "moltspan/stadium/term.hpp"

/// @file
/// Stadium lengths: location-scale models of log T with censoring, truncation and nested Gaussian effects.
///
/// `log T = offset + x'beta + u_taxon + u_cohort + u_animal + sigma W`, W of one of three laws. Log-likelihoods are
/// densities of T on the time scale (Jacobian 1/t included), as in the standard survival software. T in days.
namespace moltspan {

/// Nested groups, outermost first: every member of a level lies in one member of the level above.
enum class Level { genus, taxon, cohort, animal };
inline constexpr int n_levels = 4;

/// Name of the standard deviation of a level's effects: `genus_sd`, `taxon_sd`, `cohort_sd`, `animal_sd`.
std::string sd_name(Level level);

/// What a coefficient stands for. The role alone chooses its prior in shared/priors.toml; any other has that of `other`.
enum class CoefficientRole {
  other,
  intercept,
  log_size,
  kind_pace,
  last_instar,
  warmth_c,
  warmth_squared,
  male,
  near_adult_female,
  pace_slow,
  pace_fast,
  limb_lost,
  egg_sac
};

/// Name of a role as formulas, collections and shared/priors.toml spell it: `Intercept`, `log_size`, ...
std::string role_name(CoefficientRole role);
/// The role of that name; `other` for any other name.
CoefficientRole role_named(std::string_view name);

/// A column of covariates: the name is a label for people and for priors that are stated.
struct Coefficient {
  std::string name;
  CoefficientRole role = CoefficientRole::other;
};

/// Coefficients with a Gaussian prior about 0 whose sd is learned (bayes only): half-normal under its name.
struct LearnedSpread {
  std::string name;               ///< `instar_sd`, ...: as in shared/priors.toml
  std::vector<int> coefficients;  ///< columns of the covariates
};

/// Stadia to fit: one row a record.
struct StadiaData {
  std::vector<StadiumBounds> bounds;
  Eigen::MatrixXd covariates;             ///< rows x coefficients, the intercept column included
  std::vector<Coefficient> coefficients;  ///< one a column
  std::vector<LearnedSpread> learned;     ///< of some of them, in place of priors of their own; empty = none
  Eigen::VectorXd weights;                ///< empty = all 1
  Eigen::VectorXd extra_variance;         ///< of log T, a record's own, known; empty = none
  /// Known log of how much wider or narrower than sigma a record's spread is; empty = 0 of all. Bayes only.
  Eigen::VectorXd log_scale, probe_log_scale;
  std::array<std::vector<int>, n_levels>
      groups;  ///< code of each record in each level; empty = no such effect; -1 = a group of its own

  /// log of the weights of 0, 1, 2 hidden molts within each record (see hidden_molts.hpp), and the step in log length
  /// from one stadium to the next; empty = none anywhere. A record with {0, -inf, -inf} has none. Bayes only.
  std::vector<std::array<double, 3>> hidden_log_weights;
  double hidden_log_step = 0;

  /// Record whose end is this one's start, the same day; -1 = none, empty = not known. Where given, fits that use
  /// Laplace's approximation take the records of a chain together (see SharedDates).
  std::vector<int> follows;

  /// Rows without a record whose predictors are wanted: their covariates and groups, as above.
  Eigen::MatrixXd probe_covariates;
  std::array<std::vector<int>, n_levels> probe_groups;
  /// Variance added to the effects of single animals (code, variance), for what is not known of an animal as a whole.
  std::vector<std::pair<int, double>> animal_extra_variance;

  /// Whether molts may be hidden within a record.
  bool hides_molts(std::size_t record) const;
  std::size_t size() const { return bounds.size(); }
  std::size_t probes() const { return static_cast<std::size_t>(probe_covariates.rows()); }
  Eigen::Index column(CoefficientRole role) const;  ///< -1 = none has it
};

/// One prior: `normal` (mean, sd) of a coefficient or `half_normal` (sd) of a standard deviation.
struct Prior {
  enum class Kind { normal, half_normal } kind = Kind::normal;
  double mean = 0, sd = 1;
};

using Priors = std::vector<std::pair<std::string, Prior>>;

enum class Method { ml, bayes };

struct StadiaOptions {
  Family family = Family::lognormal;
  Method method = Method::ml;
  Truncation truncation = Truncation::conditional;
  int quadrature = 0;     ///< adaptive Gauss-Hermite nodes; 0 = doubled until the change is under 1e-9; 1 = Laplace
  Priors priors;          ///< only what differs from the defaults
  int threads = 0;        ///< 0 = as many as the machine has
  int points = 0;         ///< most hyperparameter points under bayes; 0 = by the size of the table
  Eigen::VectorXd start;  ///< hyperparameters (log sigma, log sds) to start the search from; empty = usual values
  Maximiser maximiser;    ///< of the search for the mode of the hyperparameters; empty = usual_maximiser()
};

/// Parameters in one vector: coefficients, log sigma, log sd of each effect that was estimated, then of each learned
/// spread of coefficients.
struct StadiaEstimate {
  std::vector<std::string> names;  ///< coefficients, `log_sigma`, `log_animal_sd`, ...
  Eigen::VectorXd values;
  Eigen::MatrixXd covariance;  ///< inverse observed information (ml) or posterior covariance (bayes)
};

/// Gaussian posteriors of linear predictors, one mixture point a row: what predictions are made of.
struct PredictorMixture {
  Eigen::VectorXd weights;         ///< one a point, adding up to 1
  Eigen::VectorXd log_sigma;       ///< one a point
  Eigen::MatrixXd mean, variance;  ///< points x predictors
  Eigen::VectorXd log_scale = {};  ///< one a predictor, beside log_sigma; empty = 0 of all
};

class LazyStadiaPosterior;

/// Result of `fit_stadia`. Immutable; says what was asked and what was done.
struct StadiaFit {
  StadiaOptions options;
  std::vector<std::string> coefficient_names;
  std::vector<CoefficientRole> coefficient_roles;
  std::vector<Level> levels;  ///< levels with an effect, outermost first
  Eigen::VectorXd coefficients, coefficient_errors;
  double sigma = 0, sigma_error = 0;
  std::vector<double> level_sds, level_sd_errors;  ///< one a level of `levels`
  std::vector<std::string> learned_names;          ///< of StadiaData::learned
  std::vector<double> learned_sds, learned_sd_errors;
  StadiaEstimate estimate;
  double log_likelihood = 0;          ///< at the maximum (ml), or the log marginal likelihood (bayes)
  double laplace_log_likelihood = 0;  ///< Laplace's value at the same point, beside the quadrature's
  int iterations = 0, quadrature_nodes = 0, points = 0;
  std::size_t n_records = 0, n_exact = 0, n_interval = 0, n_left = 0, n_running = 0, n_truncated = 0, n_doubly = 0;
  std::array<int, n_levels> n_members{};  ///< groups that are named, and animals
  std::vector<HealthNote> health;
  std::vector<int> running_rows;                   ///< rows of the table whose end was not seen
  std::shared_ptr<LazyStadiaPosterior> posterior;  ///< for predictions; made when first asked for

  Eigen::Index column(CoefficientRole role) const;  ///< of the coefficients; -1 = none has it
  double coefficient(CoefficientRole role, double otherwise = 0) const;
};

/// Fits the model. Throws std::invalid_argument that names the row for faulty bounds; a weak table gives a stated
/// health.
StadiaFit fit_stadia(const StadiaData& data, const StadiaOptions& options = {});

/// Log-likelihood of a table at given parameters (order of StadiaEstimate), by adaptive quadrature as in fit_stadia.
double stadia_log_likelihood(const StadiaData& data, const StadiaOptions& options, const Eigen::VectorXd& parameters);

/// Predictors of the running rows of the fit, each without its own term.
PredictorMixture running_predictors(const StadiaFit& fit);

/// The points of a posterior: hyperparameters (log sigma, log sds of the estimated levels and of learned spreads) and
/// Gaussian coefficients.
struct PosteriorPoints {
  Eigen::VectorXd weights;
  Eigen::MatrixXd hyper, coefficient_mean, coefficient_sd;  ///< one row a point
};
PosteriorPoints posterior_points(const StadiaFit& fit);

/// Predictors of the probes of the fit's data.
PredictorMixture probe_predictors(const StadiaFit& fit);

/// Share of the variance of each animal's effect (by code) that its own records have removed: 0 none, 1 all.
std::vector<std::pair<int, double>> own_weights(const StadiaFit& fit);

/// Codes of members that stand for no member of the fit: a new one adds its level's variance, one left out has effect 0.
inline constexpr int new_member_code = -1, left_out_code = -2;

/// Posterior of x'beta + effects for rows of covariates; `members[level]` holds the group codes of the fit or those above,
/// a row each; empty where the level is left out of all. The posterior is solved once for all rows.
PredictorMixture predict_stadia(const StadiaFit& fit, const Eigen::MatrixXd& covariates,
                                const std::array<std::vector<int>, n_levels>& members);

/// Survival P(T > t_days) of one predictor of a mixture, parameter uncertainty included.
double mixture_survival(Family family, const PredictorMixture& mixture, Eigen::Index predictor, double t_days);

/// Quantiles of T given T > elapsed_days, by root finding: each hyperparameter point counts with its own survival to
/// elapsed_days, so that the running stadium enters once. Mixture points must be without the running record's own term.
Eigen::VectorXd conditional_quantiles(Family family, const PredictorMixture& mixture, Eigen::Index predictor,
                                      double elapsed_days, const Eigen::VectorXd& probabilities);

/// `conditional_quantiles` of every predictor: one row a predictor.
Eigen::MatrixXd running_quantiles(Family family, const PredictorMixture& mixture, const Eigen::VectorXd& elapsed_days,
                                  const Eigen::VectorXd& probabilities);

/// Quantiles of a new T of every predictor.
Eigen::MatrixXd mixture_quantiles(Family family, const PredictorMixture& mixture, const Eigen::VectorXd& probabilities);

/// Quantiles of the median length of every predictor: parameter uncertainty alone.
Eigen::MatrixXd median_quantiles(Family family, const PredictorMixture& mixture, const Eigen::VectorXd& probabilities);

}  // namespace moltspan
