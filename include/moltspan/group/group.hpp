#pragma once

#include <Eigen/Core>
#include <array>
#include <limits>
#include <span>
#include <string>
#include <vector>

#include "moltspan/base/health.hpp"
#include "moltspan/stadia/stadia.hpp"

/// @file
/// Groups of animals: tables per instar, growth ratios, sex ratios, and comparisons with their multiple-test care.
///
/// Arguments outside their range throw std::invalid_argument that names function, argument, row, value and rule. What
/// cannot be computed from too few values is NaN.
namespace moltspan {

inline constexpr double unknown_value = std::numeric_limits<double>::quiet_NaN();

struct IntervalEstimate {
  double estimate = unknown_value, lower = unknown_value, upper = unknown_value;
};

/// Sizes of one group. The interval is Student's on the log scale, transformed back: it is about the geometric mean.
struct SizeSummary {
  int n = 0;
  double mean = unknown_value, sd = unknown_value;  ///< arithmetic; sd with n - 1
  IntervalEstimate geometric_mean;                  ///< limits need n >= 2
};
SizeSummary summarize_sizes(std::span<const double> sizes, double level);

/// Ratio after / before of paired sizes: exp of the mean log ratio, Student's interval on the log scale.
struct RatioSummary {
  int n = 0;
  IntervalEstimate ratio;
  double sd_log = unknown_value;
};
RatioSummary growth_ratio(std::span<const double> before, std::span<const double> after, double level);

/// Specific growth rate ln(after / before) / days of each pair, their mean and Student's interval, per day. Assumes
/// pairs of different animals.
struct GrowthRate {
  Eigen::VectorXd per_day;
  IntervalEstimate mean;
};
GrowthRate specific_growth_rate(std::span<const double> before, std::span<const double> after,
                                std::span<const double> days, double level);

/// One size reading for `instar_table`.
struct GroupReading {
  int stratum = 0;    ///< for instance a taxon and sex
  int animal = -1;    ///< -1: an animal of its own
  int step = 0;       ///< molts of the animal before this reading, from any start; pairs readings of unknown instar
  double instar = 0;  ///< NaN = not known
  double size = 0;
};

/// One row: a stratum at an instar, or (instar NaN) the animals of a stratum whose instar is not known.
struct InstarRow {
  int stratum = 0;
  double instar = 0;
  int n_readings = 0;
  SizeSummary size;    ///< of unknown instars n alone: their mean would mean nothing
  RatioSummary ratio;  ///< from this instar to the next, of animals measured in both
};

/// Per stratum and instar: sizes and growth ratio. Several readings of one animal in one instar are one value, their
/// geometric mean. Ratios pair instar k with k + 1 within an animal; where the instar is not known, step k with k + 1,
/// and an animal counts once with the mean of its log ratios. Order: stratum, then instar, unknown last.
std::vector<InstarRow> instar_table(std::span<const GroupReading> readings, double level);

/// Sizes of a collection's animals with the instar they belong to: the one stated at a molt, counted on over the
/// recorded molts to both sides; NaN where the animal's records state none.
struct AnimalReading {
  int animal = 0;  ///< index into StadiaTable::animals
  SizeMeasure measure = SizeMeasure::leg_span;
  int molts_before = 0;
  double instar = unknown_value;
  double size = 0;  ///< mm or g
  bool on_skin = false;
  Day day = 0;
};
std::vector<AnimalReading> animal_readings(const StadiaTable& table);

/// Instar in which each stadium is spent, counted as in `animal_readings`.
std::vector<double> stadium_instars(const StadiaTable& table);

/// The `setup` in force over each whole stadium, as written; blank where none was on record by its first possible day
/// or it changed before its end (or the last day used).
std::vector<std::string> stadium_setups(const Collection& collection, const StadiaTable& table);

/// How many of each sex; an animal of probable sex is of that sex with chance .8.
struct SexCounts {
  int female = 0, male = 0, probable_female = 0, probable_male = 0, unknown = 0;
};

/// Share of males among animals whose sex is stated or probable.
struct SexRatio {
  SexCounts counts;
  double null_share = 0.5, level = 0.95;
  int n = 0;
  IntervalEstimate clopper_pearson, wilson;  ///< estimate: (male + .8 probable male + .2 probable female) / n
  double p_value = 1;
};

/// Share of males with exact (Clopper & Pearson 1934) and Wilson (1927) intervals, and the exact two-sided binomial
/// test of `null_share` that adds up all counts no likelier than the one found. With probable sexes the number of males
/// is random: tail chances and p values are averaged over it, and its variance .16 a probable animal widens Wilson's
/// interval. Unknown sexes are left out.
SexRatio sex_ratio(const SexCounts& counts, double null_share = 0.5, double level = 0.95);

/// Likelihood ratio of nested models fitted by maximum likelihood. `p_value`: chi^2; `p_small_sample`: statistic / df
/// against F(df, residual_df), for few animals or cohorts (an approximation, as the chi^2 is).
struct LikelihoodRatio {
  double statistic = 0;
  int df = 0;
  double residual_df = 0;
  double p_value = 1, p_small_sample = 1;
};
LikelihoodRatio likelihood_ratio(double log_likelihood_full, double log_likelihood_null, int df, double residual_df);

/// p values adjusted by Holm (1979): valid under any dependence.
Eigen::VectorXd adjust_holm(const Eigen::VectorXd& p_values);

/// Linear contrasts of normal estimates.
struct Contrasts {
  Eigen::VectorXd estimate, standard_error;
  Eigen::VectorXd lower, upper;                            ///< each at `level`
  Eigen::VectorXd simultaneous_lower, simultaneous_upper;  ///< all together at `level`, by max-t
  Eigen::VectorXd p_value, p_holm, p_max_t;
  Eigen::VectorXd chance_positive;  ///< Phi(estimate / se): under bayes the posterior chance
  double critical_value = 0;        ///< of max-t
};

/// `weights` x `values` with errors from `covariance`; t quantiles with `df` degrees of freedom (infinite = normal).
/// max-t: the distribution of the largest |t| of all contrasts over 2^14 directions, the radius in closed form
/// (relative error of a chance about .002; kept between the single and the Bonferroni value), so p_max_t is Tukey's
/// where all pairs are compared. With finite df all t share one chi^2.
Contrasts contrasts(const Eigen::VectorXd& values, const Eigen::MatrixXd& covariance, const Eigen::MatrixXd& weights,
                    double level, double df = std::numeric_limits<double>::infinity());

}  // namespace moltspan
