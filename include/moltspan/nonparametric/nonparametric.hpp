#pragma once

#include <array>
#include <cstdint>
#include <limits>
#include <span>
#include <string>
#include <vector>

#include "moltspan/intervals/intervals.hpp"
#include "moltspan/stadia/stadia.hpp"

/// @file
/// Estimates of stadium lengths (and of any time in days) that assume no family of distributions.
///
/// **Convention.** A record says that T lies in (min_days, max_days]; max_days blank (NaN) or infinite: T > min_days;
/// min_days = 0: left-censored; min_days = max_days = t: T is exactly t, which is the interval (t-, t]. `entry_days` =
/// e: the record exists only because T > e (left truncation), so that it counts P(T in ..) / P(T > e). Weights are
/// frequencies: a record of weight 3 is three equal records. Times of one record are independent of how it was watched.
///
/// Faulty arguments throw std::invalid_argument with function, row, argument, value, rule and next step.
namespace moltspan {

/// The records. `entry_days` and `weight` may be empty (0 and 1 for all).
struct BoundedTimes {
  std::vector<double> min_days, max_days, entry_days, weight;

  std::size_t size() const { return min_days.size(); }
};

/// Non-parametric maximum likelihood estimate of the distribution of T (Peto 1973, Applied Statistics 22:86; Turnbull
/// 1976, JRSS-B 38:290).
///
/// **Support.** Mass can lie only in innermost intervals (q, p] where q is the left end of a record, p the right end of
/// a record or - Frydman's correction (1994, JRSS-B 56:71) - an entry time, and no other such end lies between. How
/// mass lies within one of them, the records do not say.
struct Npmle {
  std::vector<double> left, right;  ///< innermost intervals (left, right], in order; left = right for an exact time
  std::vector<double> mass;         ///< adds up to 1; 0 where a candidate interval gets none
  std::vector<double> survival;     ///< P(T > right)
  std::vector<double> hazard;   ///< P(T in the interval | T > its left end); also beyond a point where survival is 0
  std::vector<double> at_risk;  ///< expected number of records that had entered and not ended before the interval
  double log_likelihood = 0;    ///< sum of weight x log P(T in (min, max] | T > entry)
  /// Largest gain per unit of mass and weight: max over j of D_j / total weight, D_j = sum of weight x (1(j in record)
  /// / P(record) - 1(j beyond entry) / P(T > entry)). 0 at the maximum; without late entry the log-likelihood is within
  /// gap x total weight of it. With late entry D_j is multiplied by P(T > left_j), which makes it the gain in the
  /// hazard.
  double gap = 0;
  double support_gap = 0;  ///< largest |D_j| mass_j / total weight: 0 at the maximum
  int iterations = 0;
  std::size_t n_records = 0, n_distinct = 0, n_exact = 0, n_interval = 0, n_left = 0, n_right = 0, n_truncated = 0,
              n_silent = 0;  ///< silent: watched for no time and end unseen; they change nothing
  double total_weight = 0;
  double given_days = 0;            ///< the law is that of T given T > given_days
  std::vector<double> breaks_days;  ///< times at which nobody at risk is known to live on, though others enter later
  std::vector<HealthNote> health;
};

/// Computes it. With late entry the log-likelihood is concave in the log survival, which is where it is maximized: from
/// one step of self-consistency over the iterated convex minorant to Newton's method on the active set. `given_days`:
/// the law of T given T > given_days instead, from the same hazards; the way out where early risk sets are thin.
Npmle stadium_npmle(const BoundedTimes& times, double given_days = 0);

/// A survival probability or a quantile, with the range that the records leave open.
struct OpenRange {
  double estimate = 0;  ///< mass spread evenly within its interval; NaN for times in an interval without end
  double low = 0, high = 0;
};

/// P(T > t): `low` with all undecided mass before t, `high` with all of it after.
OpenRange survival_at(const Npmle& fit, double t_days);

/// Time by which a share `p` has ended. low, high: ends of the interval that holds it (where survival is 1 - p exactly
/// over a stretch, up to the end of the next one; the estimate is then the middle of the stretch, as R survfit has it).
/// Infinite where less than `p` of the mass is bounded.
OpenRange quantile_days(const Npmle& fit, double p);

/// Resampling of records, or of whole clusters (animals), with replacement.
struct ResampleOptions {
  std::vector<int> cluster;  ///< empty: records are independent; else a code a record, from 0
  int resamples = 400;       ///< the standard error of a 95 % limit is then about a twelfth of the band's half width
  std::uint64_t seed = 1;
  double level = 0.95;
  int threads = 1;           ///< does not change the result
  std::uint32_t stream = 0;  ///< independent streams of one seed
};

/// Lower and upper limits, one a time or a probability.
struct Limits {
  std::vector<double> lower, upper;
  int failed = 0;  ///< resamples without an estimate (left out)
};

/// Pointwise percentile band of P(T > t) at each time: quantiles of the lower ends of the open range for the lower
/// limit, of the upper ends for the upper one, so that what the records leave open is inside. The bootstrap of an NPMLE
/// is consistent where looks fall on a grid of days, not where times of looks are continuous (Sen, Banerjee & Woodroofe
/// 2010, Annals of Statistics 38:1953); coverage is measured in benchmarks/.
Limits survival_band(const BoundedTimes& times, std::span<const double> t_days, double given_days,
                     const ResampleOptions& options);

/// The same for quantiles.
Limits quantile_limits(const BoundedTimes& times, std::span<const double> p, double given_days,
                       const ResampleOptions& options);

/// Difference of a quantile between two independent sets, second - first, from resamples of both.
struct Difference {
  double estimate = 0, lower = 0, upper = 0;
};
Difference quantile_difference(const BoundedTimes& first, const BoundedTimes& second, double p,
                               const ResampleOptions& first_options, const ResampleOptions& second_options);

/// Product-limit estimate (Kaplan & Meier 1958, JASA 53:457) with late entry: exact and right-censored times only.
struct ProductLimit {
  std::vector<double> days, at_risk, events, censored;  ///< at each time of an event or of a censoring
  std::vector<double> survival;
  std::vector<double> standard_error;  ///< Greenwood's
  std::vector<double> lower, upper;    ///< log-log limits, 0 and 1 where the estimate is; NaN at survival 0
  double level = 0.95;
  std::vector<HealthNote> health;
};

/// At risk at t: entry < t <= time. An interval-censored record throws.
ProductLimit kaplan_meier(const BoundedTimes& times, double level = 0.95);

/// First time with survival <= 1 - p (the middle of a stretch at exactly 1 - p), and the times at which the log-log
/// limits cross 1 - p (Brookmeyer & Crowley 1982, Biometrics 38:29). Infinite where not reached.
OpenRange quantile_days(const ProductLimit& fit, double p);

/// Cumulative incidence of competing ends of exact times (Aalen & Johansen 1978, Scandinavian Journal of Statistics
/// 5:141), late entry allowed.
struct CumulativeIncidence {
  std::vector<double> days, at_risk;
  std::vector<std::vector<double>> events, incidence, standard_error, lower, upper;  ///< a cause, then a time
  std::vector<double> survival;                                                      ///< none of the causes yet
  double level = 0.95;
  std::vector<HealthNote> health;
};

/// `cause`: 0 = not ended (censored at min_days), else 1 .. n_causes. Standard errors by the delta method (Aalen 1978,
/// Annals of Statistics 6:534, with binomial increments); limits on the log(-log) scale.
CumulativeIncidence cumulative_incidence(const BoundedTimes& times, std::span<const int> cause, int n_causes,
                                         double level = 0.95);

/// The same for interval-censored ends: joint NPMLE of time and cause (Hudgens, Satten & Longini 2001, Biometrics
/// 57:74) by self-consistency to a gap of 1e-9. Causes have innermost intervals of their own.
struct JointIncidence {
  std::vector<std::vector<double>> left, right, mass;  ///< a cause, then an interval
  double unassigned = 0;                               ///< mass beyond the last look, of no cause yet
  double log_likelihood = 0, gap = 0;
  int iterations = 0;
  std::vector<HealthNote> health;
};
JointIncidence joint_incidence(const BoundedTimes& times, std::span<const int> cause, int n_causes);
/// Incidence of a cause at t: estimate and what the records leave open.
OpenRange incidence_at(const JointIncidence& fit, int cause, double t_days);

enum class Scores {
  sun,         ///< Sun (1996, Statistics in Medicine 15:1387): with right-censored times the log-rank scores
  finkelstein  ///< Finkelstein (1986, Biometrics 42:845): the score of grouped proportional hazards
};

/// Generalized log-rank test of equal distributions in k groups.
struct LogRank {
  std::vector<double> n;           ///< weight in each group
  std::vector<double> score;       ///< sum of scores: > 0 = ends come earlier than under equality (observed - expected)
  std::vector<double> covariance;  ///< k x k, of the permutation distribution of the scores within strata
  double chi_square = 0, p_value = 1;
  double p_permutation = std::numeric_limits<double>::quiet_NaN();  ///< (1 + hits) / (1 + permutations)
  int degrees_of_freedom = 0;
  std::vector<HealthNote> health;
};

/// Scores come from the pooled NPMLE of each stratum: (S(l) log S(l) - S(r) log S(r)) / (S(l) - S(r)) - log S(entry),
/// S = survival for `finkelstein`, S = exp(-Nelson-Aalen sum) inside the logarithm for `sun`. The variance is that of
/// permutations of scores within strata, which assumes that groups are watched alike. `group`, `stratum` (may be
/// empty): codes from 0. permutations > 0 also counts random permutations of `seed`.
LogRank log_rank(const BoundedTimes& times, std::span<const int> group, std::span<const int> stratum, Scores scores,
                 int permutations = 0, std::uint64_t seed = 1);

/// How stadia ended, for competing risks. A death at molting comes within `molting_share` of the length of the stadium
/// before, counted from the molt that ended that one: the stadium before then ends with cause 2, and the row of the
/// death stays as censored. Where the stadium before is not on record, the death ends its own row.
enum class StadiumEnd { censored = 0, molted = 1, died_molting = 2, died = 3 };

struct StadiumEnds {
  std::vector<int> row;  ///< rows of the table that are used: all but those of several molts
  std::vector<int> end;  ///< StadiumEnd of each
  /// Bounds of the time to that end; a death is exact at its min_days. One at 0, or at its entry, is put later by half
  /// of the smallest length in the table: it comes before all other ends.
  BoundedTimes times;
  int without_stadium = 0;  ///< deaths within that share of the median stadium whose stadium before is not on record
};

/// Share of a stadium within which a death after a molt is taken for one of that molt: 2 days after one of 100
/// (assumption).
inline constexpr double usual_molting_share = 0.02;

/// `animal`: codes; `start`: any number that orders the stadia of an animal; `status`: as in StadiumStatus, or -1 for a
/// row that spans several molts, which is no stadium and gives no end. Throws std::invalid_argument for a share
/// outside [0, 1) and for faulty times, with the row.
StadiumEnds stadium_ends(const BoundedTimes& times, std::span<const int> animal, std::span<const double> start,
                         std::span<const int> status, double molting_share = usual_molting_share);

/// Age and instar at the molt into maturity, a row an animal whose `hatched` is known (ages) or whose instars are
/// counted.
struct MaturityTable {
  std::vector<int> animal;  ///< index into Collection::animals
  BoundedTimes age_days;    ///< NaN min_days where no age is known
  BoundedTimes instar;      ///< instar reached by that molt; NaN min_days where instars are not counted
  int mature_at_entry = 0;  ///< animals that were mature before they were watched, left out: when is not known
};

/// Immature animals are censored at their last watched day; animals acquired after hatching count from that age on.
MaturityTable maturity_records(const Collection& collection, const StadiaTable& stadia);

}  // namespace moltspan
