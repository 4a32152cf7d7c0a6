#pragma once

#include <string>
#include <vector>

#include "moltspan/collection/fit.hpp"
#include "moltspan/intervals/intervals.hpp"
#include "moltspan/nonparametric/nonparametric.hpp"

/// @file
/// Numbers that pictures need and that no result carries: checks of a stadium model against its own records, and
/// curves.
///
/// Nothing here draws random numbers. `data` is the table that `fit` was made from; another number of rows, or a fit
/// without records, throws std::invalid_argument.
namespace moltspan {

/// Whether a record is that of its own animal (taxon, cohort), whose effect is then as fitted, or of a new one, over
/// whose effect is averaged. As fitted, a record enters what it is checked against, so that misfit looks a little
/// smaller than it is; over new ones, records of few taxa go together and can all lie to one side though the model
/// holds.
enum class Effects { fitted, averaged };

/// Cox-Snell residuals (Cox & Snell 1968, JRSS-B 30:248): r = -log P(T > t | x) at the estimates, for both bounds of
/// every record and for its late entry. Under the model they are unit exponential with the censoring of the records. A
/// start range is taken into the bounds. `extra_variance` of a record counts.
BoundedTimes cox_snell_residuals(const StadiaFit& fit, const StadiaData& data, Effects effects = Effects::fitted);

/// Quantile against quantile: `expected` of a standard normal against observed ones, which are a range from `low` to
/// `high` where records are ranges (infinite where open).
struct QuantilePairs {
  std::vector<double> expected, low, high;
};

/// Normal scores of unit-exponential residuals against those expected: for each interval with mass of the
/// non-parametric estimate its middle probability p gives Phi^-1(p), its ends r give Phi^-1(1 - exp(-r)). For n
/// different exact residuals p = (i - 1/2) / n. The interval without end is left out: nothing is known of it.
QuantilePairs normal_scores(const BoundedTimes& residuals);

/// Effects of animals beside what normality of them would give. Sorted by `standardized`.
struct EffectCheck {
  std::vector<int> code;             ///< of the animal in the fit's table
  std::vector<double> mean, sd;      ///< posterior of the effect on log T
  std::vector<double> standardized;  ///< mean / sqrt(animal_sd^2 - sd^2), which is standard normal under the model
  std::vector<double> expected;      ///< Phi^-1((i - 3/8) / (n + 1/4)) (Blom 1958)
  std::vector<double> lower, upper;  ///< pointwise band of the i-th of n independent ones: Beta(i, n + 1 - i) quantiles
};

/// Empty where the fit has no animal effect or estimates its sd as 0. An animal whose records say nothing of it (sd not
/// under 0.9999 animal_sd) is left out. Effects are independent up to the estimated coefficients.
EffectCheck animal_effect_check(const StadiaFit& fit, double level = 0.95);

/// The bounds of a table as the non-parametric estimate takes them; start ranges are within the bounds already.
BoundedTimes bounded_times(const StadiaData& data);

/// P(T > t) averaged over the records (by weight), parameter uncertainty included, at each time: what the model expects
/// of a table like this one. Cost: records x points x times.
std::vector<double> mean_survival(const StadiaFit& fit, const StadiaData& data, const std::vector<double>& t_days,
                                  Effects effects = Effects::fitted);

/// Prior and posterior density of one parameter at `n` places that hold nearly all of both.
struct PriorPosterior {
  std::vector<double> at, prior, posterior;
};

/// `name`: a coefficient, `sigma` or `animal_sd`, ... Posterior of a coefficient: the mixture over hyperparameters; of
/// the others: log-normal with the moments of the fit. Maximum likelihood has no prior: NaN. Throws
/// std::invalid_argument for a name that the fit does not have.
PriorPosterior prior_posterior(const StadiaFit& fit, const std::string& name, int n = 200);

/// Chance of the event on each of `n_days` days from `first_day` on (day d: d to d + 1), from quantiles of its time:
/// monotone cubic interpolation (Fritsch & Butland 1984) of the distribution function. What lies beyond the outermost
/// quantiles is not shared out. Throws std::invalid_argument for fewer than four quantiles or ones that do not rise.
std::vector<double> chance_by_day(const std::vector<double>& probabilities, const std::vector<double>& quantile_days,
                                  int first_day, int n_days);

/// Density of each component of a mixture of log-normal sizes, by its weight, per unit of log size: components x sizes.
Eigen::MatrixXd weighted_densities(const Eigen::VectorXd& weights, const Eigen::VectorXd& mean_log,
                                   const Eigen::VectorXd& sd_log, const std::vector<double>& sizes_mm);

/// Quantiles of the stadium of a new animal by its size (leg span, mm), one row a size, one column a probability: all
/// other covariates at 0, that is a female at 25 C. A fit without `log_size` gives the same at every size.
Eigen::MatrixXd stadia_at_sizes(const CollectionFit& fit, const std::vector<double>& sizes_mm,
                                const Eigen::VectorXd& probabilities);

}  // namespace moltspan
