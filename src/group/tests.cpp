#include <Eigen/Eigenvalues>
#include <algorithm>
#include <boost/math/distributions/beta.hpp>
#include <boost/math/distributions/binomial.hpp>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/fisher_f.hpp>
#include <boost/math/special_functions/beta.hpp>
#include <boost/math/special_functions/gamma.hpp>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <numeric>

#include "group/stats.hpp"
#include "moltspan/group/group.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;
using group::require;

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr double chance_of_probable = 0.8;

double binomial_chance(int n, double p, int k) {
  if (p <= 0) return k == 0;
  if (p >= 1) return k == n;
  return pdf(boost::math::binomial(n, p), k);
}

/// Chances of the number of males: known ones, and probable ones by their chance.
std::vector<double> chances_of_males(const SexCounts& c) {
  std::vector<double> chance(static_cast<std::size_t>(c.male + c.probable_male + c.probable_female + 1 + c.female));
  for (int i = 0; i <= c.probable_male; ++i)
    for (int j = 0; j <= c.probable_female; ++j)
      chance[static_cast<std::size_t>(c.male + i + j)] += binomial_chance(c.probable_male, chance_of_probable, i) *
                                                          binomial_chance(c.probable_female, 1 - chance_of_probable, j);
  return chance;
}

/// P(X >= k) and P(X <= k), k the random number of males, averaged.
double upper_tail(const std::vector<double>& chance, int n, double share) {
  double sum = 0;
  for (std::size_t k = 0; k < chance.size(); ++k)
    if (chance[k] > 0)
      sum += chance[k] * (k == 0 ? 1 : cdf(complement(boost::math::binomial(n, share), static_cast<double>(k) - 1)));
  return sum;
}

double lower_tail(const std::vector<double>& chance, int n, double share) {
  double sum = 0;
  for (std::size_t k = 0; k < chance.size(); ++k)
    if (chance[k] > 0) sum += chance[k] * cdf(boost::math::binomial(n, share), static_cast<double>(k));
  return sum;
}

template <class F>
double root_of_share(const F& f) {
  constexpr double edge = 1e-15;
  if (f(edge) * f(1 - edge) >= 0) return unknown_value;
  std::uintmax_t steps = 200;
  const auto bracket =
      boost::math::tools::toms748_solve(f, edge, 1 - edge, boost::math::tools::eps_tolerance<double>(50), steps);
  return 0.5 * (bracket.first + bracket.second);
}

IntervalEstimate clopper_pearson(const std::vector<double>& chance, int n, double estimate, double level) {
  const double tail = (1 - level) / 2;
  const double low = root_of_share([&](double p) { return upper_tail(chance, n, p) - tail; });
  const double high = root_of_share([&](double p) { return lower_tail(chance, n, p) - tail; });
  return {estimate, std::isnan(low) ? 0 : low, std::isnan(high) ? 1 : high};
}

/// |share - p| <= z sqrt(p (1 - p) / n + extra), solved for p.
IntervalEstimate wilson(double share, int n, double extra, double level) {
  const double z = group::t_quantile(level, infinity), w = z * z / n;
  const double half = std::sqrt(w * share * (1 - share) + w * w / 4 + (1 + w) * z * z * extra);
  const double middle = share + w / 2;
  return {share, std::max(0.0, (middle - half) / (1 + w)), std::min(1.0, (middle + half) / (1 + w))};
}

/// Chance under `share` of all counts no likelier than k.
double exact_p(int n, double share, int k) {
  constexpr double same = 1 + 1e-7;  // counts of equal chance differ by rounding
  const double found = binomial_chance(n, share, k);
  double sum = 0;
  for (int i = 0; i <= n; ++i)
    if (const double chance = binomial_chance(n, share, i); chance <= found * same) sum += chance;
  return std::min(1.0, sum);
}

}  // namespace

constexpr int most_animals = 1'000'000;
constexpr double most_terms = 1e7;  ///< some seconds

SexRatio sex_ratio(const SexCounts& counts, double null_share, double level) {
  constexpr const char* name = "sex_ratio";
  group::require_level(name, level);
  require(null_share > 0 && null_share < 1, name, "null_share", -1, null_share,
          "a share of males lies between 0 and 1");
  for (int count : {counts.female, counts.male, counts.probable_female, counts.probable_male, counts.unknown})
    require(count >= 0, name, "counts", -1, count, "a count is not negative");
  const double all = 0.0 + counts.female + counts.male + counts.probable_female + counts.probable_male;
  require(all <= most_animals, name, "counts", -1, all, "an exact test is worked out for up to 1000000 animals");
  SexRatio result{
      counts, null_share, level, static_cast<int>(all),
      {},     {},         1};
  require(result.n > 0, name, "counts", -1, 0, "a ratio needs an animal of stated or probable sex");
  const int probable = counts.probable_female + counts.probable_male, n = result.n;
  require((1.0 + probable) * n <= most_terms, name, "counts", -1, n,
          "with so many probable sexes an exact test is worked out for up to 10000000 / (1 + probable ones) animals");
  const double males =
      counts.male + chance_of_probable * counts.probable_male + (1 - chance_of_probable) * counts.probable_female;
  const auto chance = chances_of_males(counts);
  const double variance = chance_of_probable * (1 - chance_of_probable) * probable / (static_cast<double>(n) * n);
  result.clopper_pearson = clopper_pearson(chance, n, males / n, level);
  result.wilson = wilson(males / n, n, variance, level);
  result.p_value = 0;
  for (std::size_t k = 0; k < chance.size(); ++k)
    if (chance[k] > 0) result.p_value += chance[k] * exact_p(n, null_share, static_cast<int>(k));
  return result;
}

LikelihoodRatio likelihood_ratio(double log_likelihood_full, double log_likelihood_null, int df, double residual_df) {
  constexpr const char* name = "likelihood_ratio";
  require(df > 0, name, "df", -1, df, "the models have to differ by 1 coefficient or more");
  LikelihoodRatio result;
  result.df = df, result.residual_df = residual_df;
  // nested maxima cannot fall; what is left of that is the search's own error
  result.statistic = std::max(0.0, 2 * (log_likelihood_full - log_likelihood_null));
  result.p_value = cdf(complement(boost::math::chi_squared(df), result.statistic));
  result.p_small_sample = residual_df > 0 && std::isfinite(residual_df)
                              ? cdf(complement(boost::math::fisher_f(df, residual_df), result.statistic / df))
                              : result.p_value;
  return result;
}

VectorXd adjust_holm(const VectorXd& p_values) {
  const auto n = static_cast<std::size_t>(p_values.size());
  std::vector<Eigen::Index> order(n);
  std::iota(order.begin(), order.end(), 0);
  std::sort(order.begin(), order.end(), [&](auto l, auto r) { return p_values[l] < p_values[r]; });
  VectorXd adjusted(p_values.size());
  double largest = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const double p = p_values[order[i]];
    require(p >= 0 && p <= 1, "adjust_holm", "p_values", order[i], p, "a p value lies between 0 and 1");
    largest = std::max(largest, std::min(1.0, static_cast<double>(n - i) * p));
    adjusted[order[i]] = largest;
  }
  return adjusted;
}

namespace {

constexpr int lattice_points = 1 << 14, directions_a_bin = 64;

/// A square root of the correlation of the contrasts: rows x rank.
MatrixXd half_of(const MatrixXd& correlation) {
  const Eigen::SelfAdjointEigenSolver<MatrixXd> eigen(correlation);
  std::vector<Eigen::Index> kept;
  for (Eigen::Index i = correlation.rows() - 1; i >= 0; --i)
    if (eigen.eigenvalues()[i] > 1e-10 * correlation.rows()) kept.push_back(i);
  MatrixXd half(correlation.rows(), static_cast<Eigen::Index>(kept.size()));
  for (std::size_t j = 0; j < kept.size(); ++j)
    half.col(static_cast<Eigen::Index>(j)) =
        eigen.eigenvectors().col(kept[j]) * std::sqrt(eigen.eigenvalues()[kept[j]]);
  return half;
}

/// Fractional parts of i sqrt(prime_j): a lattice that fills the cube evenly (Richtmyer 1951).
std::vector<double> lattice_steps(Eigen::Index dimensions) {
  std::vector<double> steps;
  for (int candidate = 2; static_cast<Eigen::Index>(steps.size()) < dimensions; ++candidate) {
    bool prime = true;
    for (int d = 2; d * d <= candidate; ++d) prime = prime && candidate % d != 0;
    if (prime) steps.push_back(std::sqrt(static_cast<double>(candidate)) - std::floor(std::sqrt(candidate)));
  }
  return steps;
}

double lattice_uniform(int point, double step) {
  const double at = (point + 0.5) * step, u = at - std::floor(at);
  return std::clamp(u, 0x1p-53, 1 - 0x1p-53);
}

/// The law of the largest |t| of several contrasts. The normal vector behind them is a direction times a radius: given
/// the direction the chance is a tail of F (of chi^2 with infinite df), which is exact however far out. Directions are
/// those of a lattice, neighbors in what counts of them taken together.
class LargestT {
 public:
  LargestT(const MatrixXd& correlation, double df) : df_(df) {
    const MatrixXd half = half_of(correlation);
    rank_ = static_cast<double>(half.cols());
    const auto steps = lattice_steps(half.cols());
    std::vector<double> square_of_largest;
    VectorXd z(half.cols());
    for (int i = 0; i < lattice_points; ++i) {
      for (Eigen::Index j = 0; j < z.size(); ++j)
        z[j] = numeric::normal_quantile(lattice_uniform(i, steps[static_cast<std::size_t>(j)]));
      square_of_largest.push_back((half * z).cwiseAbs2().maxCoeff() / z.squaredNorm());
    }
    std::sort(square_of_largest.begin(), square_of_largest.end());
    for (auto at = square_of_largest.begin(); at != square_of_largest.end(); at += directions_a_bin)
      square_of_largest_.push_back(std::accumulate(at, at + directions_a_bin, 0.0) / directions_a_bin);
  }

  double chance_beyond(double t) const {
    double sum = 0;
    for (double largest : square_of_largest_) {
      const double square = t * t / largest;
      sum += std::isfinite(df_) ? boost::math::ibetac(0.5 * rank_, 0.5 * df_, square / (square + df_))
                                : boost::math::gamma_q(0.5 * rank_, 0.5 * square);
    }
    return sum / static_cast<double>(square_of_largest_.size());
  }

  /// The t that is passed with `chance`, between two that bracket it.
  double quantile(double chance, double low, double high) const {
    const auto excess = [&](double t) { return chance_beyond(t) - chance; };
    const double at_low = excess(low), at_high = excess(high);
    if (!(at_low > 0)) return low;
    if (!(at_high < 0)) return high;
    std::uintmax_t steps = 100;
    const auto found = boost::math::tools::toms748_solve(excess, low, high, at_low, at_high,
                                                         boost::math::tools::eps_tolerance<double>(30), steps);
    return 0.5 * (found.first + found.second);
  }

 private:
  double df_, rank_ = 0;
  std::vector<double> square_of_largest_;
};

void set_max_t(Contrasts& c, const MatrixXd& covariance, double level, double df) {
  const auto n = static_cast<double>(c.estimate.size());
  c.critical_value = group::t_quantile(level, df);
  c.p_max_t = c.p_value;
  if (n > 1 && c.standard_error.minCoeff() > 0) {
    const VectorXd inverse = c.standard_error.cwiseInverse();
    const LargestT law(inverse.asDiagonal() * covariance * inverse.asDiagonal(), df);
    c.critical_value = law.quantile(1 - level, c.critical_value, group::t_quantile(1 - (1 - level) / n, df));
    for (Eigen::Index i = 0; i < c.estimate.size(); ++i)
      c.p_max_t[i] = std::clamp(law.chance_beyond(c.estimate[i] / c.standard_error[i]), c.p_value[i],
                                std::min(1.0, n * c.p_value[i]));
  }
  c.simultaneous_lower = c.estimate - c.critical_value * c.standard_error;
  c.simultaneous_upper = c.estimate + c.critical_value * c.standard_error;
}

}  // namespace

Contrasts contrasts(const VectorXd& values, const MatrixXd& covariance, const MatrixXd& weights, double level,
                    double df) {
  constexpr const char* name = "contrasts";
  group::require_level(name, level);
  require(weights.cols() == values.size(), name, "columns of weights", -1, static_cast<double>(weights.cols()),
          "they have to be as many as values");
  require(covariance.rows() == values.size() && covariance.cols() == values.size(), name, "rows of covariance", -1,
          static_cast<double>(covariance.rows()), "they have to be as many as values");
  require(df > 0, name, "df", -1, df,
          "degrees of freedom are positive; there are too few animals or cohorts to compare");
  Contrasts c;
  const MatrixXd joint = weights * covariance * weights.transpose();
  c.estimate = weights * values;
  c.standard_error = joint.diagonal().cwiseSqrt();
  for (Eigen::Index i = 0; i < c.estimate.size(); ++i)
    require(c.standard_error[i] > 0 && std::isfinite(c.standard_error[i]), name, "standard error", i,
            c.standard_error[i], "it has to be positive and finite: the records do not determine this contrast");
  const double t = group::t_quantile(level, df);
  c.lower = c.estimate - t * c.standard_error, c.upper = c.estimate + t * c.standard_error;
  c.p_value.resize(c.estimate.size()), c.chance_positive.resize(c.estimate.size());
  for (Eigen::Index i = 0; i < c.estimate.size(); ++i) {
    c.p_value[i] = group::t_two_sided(c.estimate[i] / c.standard_error[i], df);
    c.chance_positive[i] = numeric::Phi(c.estimate[i] / c.standard_error[i]);
  }
  c.p_holm = adjust_holm(c.p_value);
  if (c.estimate.size() > 0) set_max_t(c, joint, level, df);
  return c;
}

}  // namespace moltspan
