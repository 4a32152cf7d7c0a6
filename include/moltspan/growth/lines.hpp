#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "moltspan/base/health.hpp"
#include "moltspan/numeric/least_squares.hpp"

/// @file
/// The textbook lines of growth, by least squares: Dyar's line of log size on instar, and the size after a molt on the
/// size before it (Hiatt), with every band under its own name. For records of several animals with their own growth,
/// the mixed model is the better tool: here animals are fitted apart or share a slope.
///
/// Sizes in mm (any one linear measure), or any positive unit throughout; instars are numbers, gaps allowed. Arguments
/// outside their range throw std::invalid_argument with function, argument, row, value and rule. Weak data gives NaN
/// where nothing is known and a note in `health`.
namespace moltspan {

/// Przibram's ratio of linear size at one molt, 2^(1/3): mass doubles (Przibram & Megusar 1912, Arch. Entw. Mech. Org.
/// 34:680).
inline constexpr double przibram_ratio = 1.2599210498948732;

struct LineInterval {
  double estimate = 0, lower = 0, upper = 0;
};

/// The exact t interval of a coefficient; NaN bounds without residual degrees of freedom.
LineInterval t_interval(double estimate, double standard_error, int residual_df, double level);

/// A t or F test. NaN where the data cannot tell.
struct LineTest {
  double statistic = 0, p_value = 0;
  int df = 0;
};

/// Three bands, on the scale of the sizes. `mean`: the line at that one place. `simultaneous`: the line at all places
/// at once, sqrt(p F(p, df)) standard errors (Working & Hotelling 1929, J. Am. Stat. Assoc. 24:73). `next`: one further
/// size at that place, scatter included. On the log scale the line is the mean; in mm it is the median size.
struct LineBands {
  Eigen::VectorXd estimate, mean_lower, mean_upper, simultaneous_lower, simultaneous_upper, new_lower, new_upper;
  std::vector<bool> extrapolated;  ///< outside the fitted range
};

/// One step of Crosby's check (T. K. Crosby 1973, N.Z. Entomologist 5:175; formula from memory): 100 (r_i / r_(i-1) -
/// 1) percent, r the ratio of the sizes before and after; across a gap of d instars its d-th root. Beyond 10 % it says
/// "look": a wrongly grouped or skipped instar is one reason among others.
struct CrosbyRow {
  double instar = 0;  ///< the middle one of the three
  double ratio_before = 0, ratio_after = 0, percent = 0;
  bool look = false;
};

struct CrosbyCheck {
  std::vector<CrosbyRow> rows;
  int beyond = 0;  ///< rows beyond 10 %
  /// Rows expected beyond 10 % with no instar missing: from independent residuals of the line's sd; NaN without one.
  double expected_beyond = 0;
  /// The same from the typical (median) size of the percentages themselves, which a bend of the line does not swell.
  double expected_beyond_typical = 0;
};

/// Observed against calculated size. Dyar took differences up to .1 mm as agreement and up to .2 mm as not
/// significant (Dyar 1890, Psyche 5:420, as told by Taylor 1931, Ann. Ent. Soc. Am. 24:451). Absolute, so strict on
/// large animals.
struct SizeCheck {
  double instar = 0, size_mm = 0, calculated_mm = 0, difference_mm = 0;
  enum class State { agrees, note, warn } state = State::agrees;  ///< up to .1 mm, up to .2 mm, beyond
};

/// log size = a + b instar + e, Var e = sigma^2 / weight. exp(b) is Dyar's ratio.
struct DyarFit {
  Eigen::VectorXd instars, sizes_mm, weights;
  numeric::LinearFit line;  ///< of log size on (1, instar)
  int n_instars = 0;        ///< distinct ones that count
  double ratio = 0;         ///< exp(b); NaN with one instar
  /// Coefficient of instar^2 beside the line, its error and t test: negative where the ratio declines.
  double quadratic = 0, quadratic_error = 0;
  LineTest quadratic_test;
  CrosbyCheck crosby;             ///< of the geometric means of the instars; empty under three
  std::vector<SizeCheck> checks;  ///< one a row
  std::vector<HealthNote> health;
};

/// Ordinary (weights empty) or weighted least squares. Weights say how exact a row is; estimates are those of rows
/// written `weight` times, degrees of freedom count rows. A row of weight 0 does not count, and health says so.
DyarFit dyar_fit(const Eigen::VectorXd& instars, const Eigen::VectorXd& sizes_mm, const Eigen::VectorXd& weights = {});

/// exp of the exact t interval of the slope; NaN bounds without residual degrees of freedom.
LineInterval growth_ratio(const DyarFit& fit, double level);

/// t test of the hypothesis that the ratio is `ratio`, for one: przibram_ratio.
LineTest test_ratio(const DyarFit& fit, double ratio);

/// Sizes along the line.
LineBands predict_sizes(const DyarFit& fit, const Eigen::VectorXd& instars, double level);

/// Molts from one size to another at a constant ratio: log(size / start) / log(ratio), and the whole number that
/// suffices; 0 where the size is reached, infinite where the ratio does not grow. Bounds: at the bounds of the ratio.
struct MoltCount {
  double exact = 0, molts = 0;
  double start_mm = 0, ratio = 0;
  double lower = 0, upper = 0;  ///< of `exact`; NaN where the ratio was given
};
MoltCount molts_to_reach(double size_mm, double start_mm, double ratio);

/// From the fit: `start_mm` blank = the geometric mean of the last instar, `ratio` blank = the fitted one.
MoltCount molts_to_reach(const DyarFit& fit, double size_mm, std::optional<double> start_mm = {},
                         std::optional<double> ratio = {}, double level = 0.95);

/// Own intercepts, one slope: log size = a_animal + b instar + e. Animals are fixed: this is no mixed model, its bands
/// are for these animals, and it takes all to have the same ratio.
struct PooledDyar {
  double ratio = 0, slope = 0, slope_error = 0, residual_sd = 0, r_squared_within = 0;
  int residual_df = 0, n = 0, n_animals = 0;
  Eigen::VectorXd intercepts;  ///< one an animal
  LineTest equal_slopes;       ///< F test of one slope against own slopes; df = that of the denominator
  int equal_slopes_df = 0;     ///< of the numerator
  std::vector<HealthNote> health;
};

struct DyarAnimals {
  std::vector<DyarFit> animals;  ///< one a code
  PooledDyar pooled;
};

/// One line an animal and the pooled fit. `animal`: codes 0 .. k - 1, each at least once.
DyarAnimals dyar_fit_animals(const Eigen::VectorXd& instars, const Eigen::VectorXd& sizes_mm,
                             const std::vector<int>& animal, const Eigen::VectorXd& weights = {});

LineInterval growth_ratio(const PooledDyar& fit, double level);
LineTest test_ratio(const PooledDyar& fit, double ratio);

// Increments: size after a molt on the size before it.

/// `hiatt`: post = a + b pre (Hiatt 1948, Pacific Science 2:135); `log`: the same of logarithms; `bent`: post = a + b
/// pre + c max(0, pre - breakpoint), the breakpoint estimated.
enum class IncrementForm { hiatt, log, bent };
enum class IncrementLoss { squares, huber };

struct IncrementOptions {
  IncrementForm form = IncrementForm::hiatt;
  IncrementLoss loss = IncrementLoss::squares;  ///< huber: outlying molts (a limb regrown) count less; not for `bent`
};

/// Profile interval of a breakpoint: where the sum of squares rises by less than F(level; 1, n - 4) residual
/// variances. An end that the data does not close is the end of the searched range, and flagged.
struct BreakpointInterval {
  double estimate = 0, lower = 0, upper = 0;
  bool lower_open = false, upper_open = false;
};

struct IncrementFit {
  IncrementOptions options;
  Eigen::VectorXd pre_mm, post_mm;
  std::vector<std::string> names;  ///< `intercept`, `slope`, for `bent` also `slope_change`, `breakpoint`
  Eigen::VectorXd coefficients;
  Eigen::MatrixXd covariance;  ///< `bent`: from the derivatives in all four, to first order
  Eigen::VectorXd fitted_mm;
  Eigen::VectorXd row_weights;            ///< 1; under huber smaller for outlying rows
  double residual_sd = 0, r_squared = 0;  ///< on the scale of the line; huber: its scale, and NaN
  double residual_sum_of_squares = 0;     ///< likewise; huber: NaN
  double straight_sd = 0;                 ///< `bent`: residual sd of the straight line, to compare
  int residual_df = 0, n = 0;
  std::vector<HealthNote> health;

  double standard_error(Eigen::Index coefficient) const;
};

/// Pairs (size before, size after one molt). Molts of one animal are taken as independent.
IncrementFit increment_fit(const Eigen::VectorXd& pre_mm, const Eigen::VectorXd& post_mm,
                           const IncrementOptions& options = {});

/// Sizes after a molt from sizes before it. `bent` and huber: to first order.
LineBands predict_post(const IncrementFit& fit, const Eigen::VectorXd& pre_mm, double level);

/// Interval of a bent line's breakpoint.
BreakpointInterval breakpoint_interval(const IncrementFit& fit, double level);

/// A size before the molt that fits one size after it, as a set of values (Fieller 1954, J. R. Stat. Soc. B 16:175):
/// all x for which |post - a - b x| <= t sqrt(s^2 + Var(a + b x)). `bounded`: between lower and upper; `outside`: below
/// lower or above upper; `everything`: the slope is not told from 0, and nothing is excluded.
struct InverseInterval {
  enum class Kind { bounded, outside, everything, unknown } kind = Kind::unknown;
  double estimate = 0, lower = 0, upper = 0;
};

/// Inverse prediction for one animal of that size; `mean` = true leaves out its own scatter (s^2). For straight lines.
InverseInterval predict_pre(const IncrementFit& fit, double post_mm, double level, bool mean = false);

// Sizes and periods along molts, from coefficients.

/// Size after a molt. `hiatt`: a + b pre; `log`: exp(a + b log pre); `bent`: pre + a + b pre - c max(0, pre -
/// breakpoint), the increment's own line (Wainwright & Armstrong 1993, J. Crust. Biol. 13:36); `constant`: pre + a;
/// `factor`: pre (1 + a b^(k - 1)) at molt k: the growth factor a falls by Mauchline's molt slope factor b at each molt
/// (Mauchline 1976, Mar. Biol. 35:79; growth factor taken as increment / size before, from memory).
struct IncrementModel {
  enum class Kind { hiatt, log, bent, constant, factor } kind = Kind::hiatt;
  double a = 0, b = 0, c = 0, breakpoint = 0;
};

/// Days of the stadium before a molt. `constant`: a; `factor`: a b^(k - 1), b Mauchline's intermolt period slope
/// factor; `degree_days`: exp(a + b size) / T', T' = 0 below lower_c, else min(temperature_c, upper_c) - lower_c;
/// `belehradek`: a (temperature_c - b)^-c.
struct PeriodModel {
  enum class Kind { none, constant, factor, degree_days, belehradek } kind = Kind::none;
  double a = 0, b = 0, c = 0;
  double temperature_c = 0, lower_c = 0, upper_c = 0;
};

double size_after(const IncrementModel& model, double pre_mm, int molt);

/// Throws where the temperature allows no development.
double period_days(const PeriodModel& model, double size_mm, int molt);

struct ProjectedMolt {
  int molt = 0;  ///< 1 = the first one after the start
  double pre_mm = 0, post_mm = 0;
  double period_days = 0, age_days = 0;  ///< NaN without a period model; age at that molt, counted from the start
};
std::vector<ProjectedMolt> project_molts(double start_mm, int molts, const IncrementModel& increment,
                                         const PeriodModel& period = {});

/// The increment model that a fit with these coefficients is.
IncrementModel increment_model(const IncrementFit& fit);

/// Mauchline's factors from sizes after and periods before successive molts: exp of the slopes of log((s_(k+1) - s_k) /
/// s_k) and of log period on molt number. NaN where a series has under two values or an increment is not positive.
struct SlopeFactors {
  double molt = 0, period = 0;
};
SlopeFactors slope_factors(const Eigen::VectorXd& sizes_mm, const Eigen::VectorXd& periods_days);

}  // namespace moltspan

#ifndef MOLTSPAN_COMPILED
#include "moltspan/growth/impl/lines_law.hpp"
#include "moltspan/growth/impl/lines.hpp"
#include "moltspan/growth/impl/lines_animals.hpp"
#include "moltspan/growth/impl/lines_crosby.hpp"
#include "moltspan/growth/impl/lines_increment.hpp"
#include "moltspan/growth/impl/lines_bent.hpp"
#include "moltspan/growth/impl/lines_molts.hpp"
#endif
