#pragma once

#include <Eigen/Core>
#include <memory>
#include <string>
#include <vector>

#include "moltspan/base/health.hpp"

/// @file
/// Growth as a linear mixed model: `y = x'beta + u_cohort + z'b_animal + sigma e`, Gaussian throughout.
///
/// With y = log size and x = z = (1, instar), exp(slope) is the growth ratio of Dyar (1890) and b holds what an animal
/// has of its own. Nothing here takes logarithms: any response and design can be fitted. `b_animal` has a full
/// covariance matrix or independent parts; `u_cohort` is an optional nested effect, as sibs are no replicates.
///
/// The likelihood is exact. Each animal enters through the QR decomposition of its own rows, so that a pass costs
/// O(animals), without differences of large sums; first and second derivatives are exact.
///
/// Log-likelihoods hold all constants. REML is that of lme4 and nlme: log-likelihood of n - p error contrasts,
/// -1/2 log|X'V^-1 X| + p/2 log 2 pi, without the term log|X'X|.
namespace moltspan {

/// Rows to fit. `groups` are codes 0, 1, ... of the animal (or other group) of each row; rows of any order.
struct MixedData {
  Eigen::VectorXd y;
  Eigen::MatrixXd x;                      ///< rows x coefficients, the intercept column included
  std::vector<std::string> coefficients;  ///< names of its columns
  std::vector<int> groups;                ///< empty = no random effects
  Eigen::MatrixXd z;                      ///< rows x effects (1 to 3)
  std::vector<std::string> effects;       ///< names of its columns
  std::vector<int> outer_groups;          ///< codes of the cohort of each row; empty = no such effect
  std::string group_name = "animal", outer_name = "cohort";
  std::vector<std::string> group_labels;  ///< for names and messages; may be empty
};

enum class MixedMethod { ml, reml };

struct MixedOptions {
  MixedMethod method = MixedMethod::ml;
  bool correlated = true;  ///< full covariance of the effects of a group, or independent ones
};

/// Degrees of freedom of the t intervals of coefficients. `satterthwaite`: from the observed information of the
/// spreads; `kenward_roger`: from the expected one, with the covariance of Kenward & Roger (1997), exact in balanced
/// designs; `residual`: n - p.
enum class MixedDegrees { satterthwaite, kenward_roger, residual };

class MixedBlocks;
class MixedPoints;

/// Result of `fit_mixed_model`. Immutable; says what was asked and what was done.
struct MixedFit {
  MixedOptions options;
  std::vector<std::string> coefficients, effects;  ///< as fitted: what the rows do not tell is left out, health says so
  Eigen::VectorXd beta;
  Eigen::MatrixXd covariance;         ///< (X'V^-1 X)^-1
  Eigen::MatrixXd effect_covariance;  ///< of the effects of a group
  double sigma = 0, outer_sd = 0;
  double correlation = 0;  ///< of the first two effects; NaN where an sd is 0 or there is one effect
  double log_likelihood = 0, max_gradient = 0;
  int iterations = 0;
  bool converged = true, singular = false, has_outer = false;  ///< has_outer: the outer effect is in the model
  std::size_t n_rows = 0;
  int n_groups = 0, n_outer = 0;
  std::string group_name, outer_name;
  /// Two groups (outer groups): the last coefficient is their difference.
  bool fixed_difference = false, fixed_outer_difference = false;
  std::vector<HealthNote> health;
  Eigen::VectorXd
      relative;  ///< search parameters: Cholesky factor of the whitened relative covariance, outer sd / sigma
  std::shared_ptr<const MixedBlocks> blocks;
  std::shared_ptr<MixedPoints> points;  ///< made when first asked for
};

/// Fits the model. Throws std::invalid_argument that names the row or column: sizes that do not match, numbers that are
/// not finite, columns that depend on others, no row left over, no scatter. Weak tables give a stated health: fewer
/// than three groups are not given a spread (one: none; two: a fixed difference).
MixedFit fit_mixed_model(MixedData data, const MixedOptions& options = {});

/// The same model by the other method.
MixedFit refit(const MixedFit& fit, MixedMethod method);

/// The log-likelihood at other spreads: relative covariance matrix of the effects (covariance / sigma^2) and variance
/// of the outer effect / sigma^2; beta and sigma at their best.
double mixed_log_likelihood(const MixedFit& fit, const Eigen::MatrixXd& relative_covariance, double relative_outer = 0);

/// Estimates with bounds.
struct MixedIntervals {
  std::vector<std::string> names;
  Eigen::VectorXd estimate, error, degrees_of_freedom, lower, upper;
};

/// t intervals of linear combinations `contrasts` (one a row) of the coefficients. They rest on the REML fit of the
/// same model also where the fit is by ML, whose spreads are too small in few animals; the centre is the fit's own.
/// A spread estimated 0 counts as known.
MixedIntervals contrast_intervals(const MixedFit& fit, const Eigen::MatrixXd& contrasts, double level,
                                  MixedDegrees degrees = MixedDegrees::satterthwaite);

/// Intervals of sigma, of the sds (log scale) and correlations (Fisher's z) from the observed information of the fit.
/// An sd at 0 has lower bound 0 and an upper bound from the curvature of the log-likelihood there.
MixedIntervals spread_intervals(const MixedFit& fit, double level);

/// exp of a contrast of the coefficients, with its interval and its comparison with another ratio.
struct RatioTest {
  double ratio = 0, lower = 0, upper = 0, degrees_of_freedom = 0, t = 0, p_value = 0;
};

/// Growth ratio exp(slope) for `contrast` = the slope's place; `against` another ratio, such as Przibram's 2^(1/3)
/// (Przibram & Megusar 1912). The p-value is two-sided.
RatioTest ratio_test(const MixedFit& fit, const Eigen::MatrixXd& contrast, double level, MixedDegrees degrees,
                     double against);

/// What rounding to a step adds to sigma: a note where it makes up more than a quarter of sigma^2, an exception that
/// names the row where a size is no multiple of the step. `log`: the fit is of log sizes. Step 0: nothing to say.
std::vector<HealthNote> rounding_health(const MixedFit& fit, const Eigen::VectorXd& sizes_mm, double step_mm, bool log);

/// Lack of fit of the line over the instar: a note where its square would gain more than 4 in log-likelihood, bad from 8 on.
/// `data`: what was fitted; `instar`: of its rows. Nothing where the formula has no line in it, bends already or has too few
/// rows.
std::vector<HealthNote> bend_health(const MixedFit& fit, MixedData data, const Eigen::VectorXd& instar,
                                    const std::string& name);

/// Likeliest effects of the groups, given the readings, one a row, in the order of their codes.
Eigen::MatrixXd conditional_modes(const MixedFit& fit);

/// Rows to predict for. `groups`: codes of the fit, -1 = a new one; likewise `outer_groups`.
struct MixedRows {
  Eigen::MatrixXd x, z;
  std::vector<int> groups, outer_groups;
};

struct MixedBands {
  Eigen::VectorXd estimate, mean_lower, mean_upper, new_lower, new_upper;
};

/// Estimates and bands at `level` on the scale of y. `estimate`: x'beta plus the likeliest effect of a known group.
/// `mean`: band of that line (of the population's line for a new group); `new`: band of the next reading, with the
/// spread between groups where the group is new.
///
/// The bands integrate over coefficients, sigma and the relative covariance Psi of the effects under the prior
/// 1 / sigma^2 |I + A Psi|^-q, with A the mean of Z'Z of a group and q effects: a mixture of Student t over a grid of
/// Psi. For q = 1 this is the prior of Box & Tiao (1973, section 5.2), for two effects the one whose posterior of one
/// contrast has the degrees of freedom of the exact t. No random numbers. For a new
/// group with a single effect that prior covers too much where the spread is small: there `new` is Student's t with
/// Satterthwaite's degrees of freedom of the total variance, at REML. From 200 groups on, or with three effects,
/// Psi stays at its REML estimate.
MixedBands predict_mixed(const MixedFit& fit, const MixedRows& rows, double level);

}  // namespace moltspan
