#pragma once

#include <Eigen/Core>
#include <cstdint>
#include <string>
#include <vector>

#include "moltspan/base/health.hpp"

/// @file
/// Instars from a sample of sizes: a Gaussian mixture on natural-log size, one component an instar.
///
/// `log size | instar k ~ N(mu_k, Sigma_k)` with weight pi_k, for one to three traits of the same animals. The means of
/// each trait follow Dyar's rule, `mu_k = a + b k` with growth ratio exp(b) (Dyar 1890, Psyche 5:420), a declining or
/// rising ratio, `a + b k + c k^2`, or are free. Sizes in mm; any one unit gives the same instars, as it moves a only.
/// Log-likelihoods are densities of log size, all constants in; where sizes were read to a step they are probabilities
/// of [size - step / 2, size + step / 2). Assumed: animals are drawn independently, each from one of the instars, and a
/// known instar says no more than which component the animal came from.
namespace moltspan {

enum class Spacing { dyar, declining, free };

/// sd of log size within an instar: one for all, its logarithm linear in the instar, or one an instar. Free ones are
/// kept over `least_spread` times the common sd of equal spread, as the likelihood has no maximum without a bound
/// (Hathaway 1985, Annals of Statistics 13:795; from memory).
enum class Spread { equal, linear, free };

/// Of several traits within an instar. `diagonal`: independent given the instar.
enum class Covariance { full, diagonal };

inline constexpr int instar_not_known = -1;

struct InstarSizes {
  Eigen::MatrixXd sizes_mm;  ///< animals x traits (1 to 3), all positive
  std::vector<int> known;  ///< instar of an animal whose molts were counted, 0 or more; instar_not_known; empty = none
};

struct InstarOptions {
  int n_instars = 0;     ///< 0 = the number from 1 to `max_instars` with the smallest BIC
  int max_instars = 15;  ///< few arthropods molt more often before maturity (common practice, no source)
  Spacing spacing = Spacing::dyar;
  Spread spread = Spread::equal;
  Covariance covariance = Covariance::full;
  double least_spread = 0.1;  ///< in (0, 1): lower bound of free spreads, against the common sd; an assumption
  std::vector<double> reading_step_mm;  ///< one a trait; empty = exact. Several traits then need `diagonal`
  int bootstrap = 0;                    ///< replicates of the tests of neighboring numbers; 0 = not run
  std::uint64_t seed = 1;               ///< of the bootstrap, the only random part
  int threads = 0;                      ///< of the bootstrap; 0 = as many as the machine has
};

/// Maximum-likelihood fit of one number of instars.
struct InstarFit {
  int n_instars = 0, first_instar = 1;  ///< instars are first_instar, first_instar + 1, ...
  double log_likelihood = 0;
  int n_parameters = 0;                         ///< weights (n_instars - 1), means and spreads
  double bic = 0;                               ///< n_parameters log n - 2 log_likelihood: smaller is better
  double icl = 0;                               ///< bic - 2 sum log(largest posterior): smaller is better
  Eigen::VectorXd weights;                      ///< one an instar
  Eigen::MatrixXd mean_log, sd_log;             ///< instars x traits, of log mm
  std::vector<Eigen::MatrixXd> covariance_log;  ///< one an instar
  Eigen::VectorXd log_ratio, log_ratio_error;   ///< mean step of mean_log an instar, by trait; NaN with one instar
  Eigen::VectorXd expected_count;               ///< animals an instar, n times weight
  int iterations = 0, newton_steps = 0;         ///< of the start that won
  double gradient = 0;                          ///< Newton decrement at the end: twice what is left to gain
  bool converged = false, spread_at_floor = false;
  std::vector<std::pair<double, double>>
      others;  ///< other local maxima: (log ratio of the first trait, log-likelihood)
};

/// Fits one number. Throws std::invalid_argument as `instar_mixture` does.
InstarFit fit_instars(const InstarSizes& sizes, int n_instars, const InstarOptions& options = {});

/// Likelihood-ratio test of n against n + 1 instars by parametric bootstrap (McLachlan 1987, from memory; Applied
/// Statistics 36:318): p = (1 + replicates with a ratio at least as large) / (1 + replicates). Counter-based random
/// numbers: the same seed gives the same p with any number of threads.
struct InstarTest {
  int n_instars = 0;  ///< the smaller number
  double likelihood_ratio = 0;
  double p_value = 1;
  int replicates = 0;
};

/// Part of the size axis and the instar most probable in it.
struct InstarRange {
  int instar = 0;
  double lower_mm = 0, upper_mm = 0;  ///< 0 and infinity at the ends
};

/// How often the most probable instar is the wrong one, of new animals from the fitted mixture.
struct Misclassification {
  double overall = 0;
  Eigen::VectorXd of_instar;  ///< given that instar
  double standard_error = 0;  ///< of `overall` where it was simulated; 0 where it is exact
};

/// Result of `instar_mixture`. Immutable; says what was asked and what was done.
struct InstarMixture {
  InstarOptions options;
  std::size_t n = 0, n_known = 0;
  InstarFit best;
  std::vector<InstarFit> fits;  ///< of all numbers tried, ascending
  Eigen::MatrixXd posterior;    ///< animals x instars; 1 for a known instar
  std::vector<int> instar;      ///< most probable one
  Misclassification misclassified;
  std::vector<std::vector<InstarRange>> ranges;  ///< by trait, from that trait alone
  std::vector<InstarTest> tests;
  std::vector<HealthNote> health;
};

/// Fits, chooses the number by BIC, classifies. The first instar in the sample is 1 unless `known` says otherwise; then
/// all offsets that fit the known ones are tried. Throws std::invalid_argument that names the row for sizes that are
/// not positive, known instars out of range, fewer different sizes than instars; a weak sample gives a stated health.
InstarMixture instar_mixture(const InstarSizes& sizes, const InstarOptions& options = {});

/// Posterior of the instars of other animals under a fit: animals x instars.
Eigen::MatrixXd instar_posterior(const InstarFit& fit, const InstarSizes& sizes, const InstarOptions& options = {});

/// Tests n - 1 against n and n against n + 1 of a result, as `options.bootstrap` does.
std::vector<InstarTest> instar_bootstrap(const InstarSizes& sizes, const InstarMixture& result, int replicates,
                                         std::uint64_t seed, int threads = 0);

}  // namespace moltspan

#ifndef MOLTSPAN_COMPILED
#include "moltspan/instars/impl/em.hpp"
#include "moltspan/instars/impl/even.hpp"
#include "moltspan/instars/impl/newton.hpp"
#include "moltspan/instars/impl/starts.hpp"
#include "moltspan/instars/impl/classify.hpp"
#include "moltspan/instars/impl/bootstrap.hpp"
#include "moltspan/instars/impl/health.hpp"
#include "moltspan/instars/impl/instars.hpp"
#endif
