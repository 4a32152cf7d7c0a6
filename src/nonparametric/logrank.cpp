#include <Eigen/Dense>
#include <algorithm>
#include <boost/math/distributions/chi_squared.hpp>
#include <cmath>
#include <limits>
#include <map>
#include <sstream>
#include <stdexcept>

#include "moltspan/numeric/philox.hpp"
#include "nonparametric/support.hpp"

namespace moltspan {
namespace {

using nonparametric::Cell;
using nonparametric::Support;

constexpr std::uint32_t permutation_purpose = 0x4c52;

/// Sums of hazard, before each interval, in both measures; each part after a break begins anew at 0.
struct Sums {
  std::vector<double> log_survival, nelson_aalen;  ///< -log S and sum of hazards before interval j
  std::vector<int> part_end;                       ///< last interval of the part that j belongs to
};

Sums sums_of(const Npmle& fit) {
  const int m = static_cast<int>(fit.hazard.size());
  Sums sums{std::vector<double>(m + 1, 0.0), std::vector<double>(m + 1, 0.0), std::vector<int>(m, m - 1)};
  for (int j = 0, from = 0; j < m; ++j) {
    const bool ends = fit.hazard[j] >= 1;
    sums.log_survival[j + 1] = ends ? 0 : sums.log_survival[j] - std::log1p(-fit.hazard[j]);
    sums.nelson_aalen[j + 1] = ends ? 0 : sums.nelson_aalen[j] + fit.hazard[j];
    if (!ends) continue;
    for (int k = from; k <= j; ++k) sums.part_end[k] = j;
    from = j + 1;
  }
  return sums;
}

/// Score of one record: see the header. With H = -log S, x = H_right - H_left it is
/// -(L_left - L_entry) + (L_right - L_left) / (exp(x) - 1), L = H or the Nelson-Aalen sum.
double score_of(const Cell& c, const Sums& sums, Scores kind) {
  const auto& inside = kind == Scores::sun ? sums.nelson_aalen : sums.log_survival;
  const double survived = -(inside[c.first] - inside[c.entry]);
  if (c.last >= sums.part_end[c.first]) return survived;  // survival after it is 0
  const double x = sums.log_survival[c.last + 1] - sums.log_survival[c.first];
  return survived + (inside[c.last + 1] - inside[c.first]) / std::expm1(x);
}

/// One stratum: which rows, their scores and groups.
struct Stratum {
  std::vector<double> score, weight;
  std::vector<int> group;
};

void check_codes(const BoundedTimes& times, std::span<const int> group, std::span<const int> stratum) {
  if (group.size() != times.size() || (!stratum.empty() && stratum.size() != times.size()))
    throw std::invalid_argument("log_rank: one group (and stratum) a record is needed");
  const auto negative = [](int code) { return code < 0; };
  if (std::any_of(group.begin(), group.end(), negative) || std::any_of(stratum.begin(), stratum.end(), negative))
    throw std::invalid_argument("log_rank: groups and strata are codes of 0 or more");
  if (std::adjacent_find(group.begin(), group.end(), std::not_equal_to<>()) == group.end())
    throw std::invalid_argument("log_rank: only one group; a test compares at least two");
}

std::vector<Stratum> make_strata(const BoundedTimes& times, std::span<const int> group, std::span<const int> stratum,
                                 Scores scores, LogRank& result) {
  std::map<int, std::vector<int>> rows;
  for (std::size_t i = 0; i < times.size(); ++i)
    if (nonparametric::says_something(times, i)) rows[stratum.empty() ? 0 : stratum[i]].push_back(static_cast<int>(i));
  std::vector<Stratum> strata;
  bool broken = false;
  for (const auto& [code, members] : rows) {
    const BoundedTimes part = nonparametric::rows_of(times, members);
    const Npmle fit = stadium_npmle(part);
    const Support support = nonparametric::make_support(part);
    const Sums sums = sums_of(fit);
    broken = broken || !fit.breaks_days.empty();
    Stratum s;
    for (std::size_t i = 0; i < members.size(); ++i) {
      s.score.push_back(score_of(support.of_record[i], sums, scores));
      s.weight.push_back(part.weight[i]);
      s.group.push_back(group[members[i]]);
    }
    strata.push_back(std::move(s));
  }
  if (broken)
    result.health.push_back(
        {HealthState::warning, "break",
         "late entry leaves a time with nobody known to live on: scores before and after are not comparable"});
  return strata;
}

/// Scores of each group, summed over strata.
Eigen::VectorXd group_scores(const std::vector<Stratum>& strata, int k) {
  Eigen::VectorXd sum = Eigen::VectorXd::Zero(k);
  for (const Stratum& s : strata)
    for (std::size_t i = 0; i < s.score.size(); ++i) sum[s.group[i]] += s.weight[i] * s.score[i];
  return sum;
}

/// Covariance of the group scores over permutations of the scores within strata: c2 (n_g 1(g = h) - n_g n_h / n),
/// c2 = sum of w (c - mean)^2 / (n - 1). Adds the expectation to `mean`.
Eigen::MatrixXd permutation_covariance(const std::vector<Stratum>& strata, int k, Eigen::VectorXd& mean) {
  Eigen::MatrixXd covariance = Eigen::MatrixXd::Zero(k, k);
  for (const Stratum& s : strata) {
    Eigen::VectorXd n = Eigen::VectorXd::Zero(k);
    double sum = 0, squares = 0;
    for (std::size_t i = 0; i < s.score.size(); ++i) {
      n[s.group[i]] += s.weight[i];
      sum += s.weight[i] * s.score[i];
    }
    const double total = n.sum(), average = sum / total;
    for (std::size_t i = 0; i < s.score.size(); ++i) squares += s.weight[i] * std::pow(s.score[i] - average, 2);
    if (total <= 1) continue;
    mean += average * n;
    const Eigen::MatrixXd spread = Eigen::MatrixXd(n.asDiagonal()) - n * n.transpose() / total;
    covariance += squares / (total - 1) * spread;
  }
  return covariance;
}

/// Fisher-Yates within each stratum.
void shuffle(std::vector<Stratum>& strata, numeric::RandomStream& random) {
  for (Stratum& s : strata)
    for (std::size_t i = s.group.size(); i > 1; --i)
      std::swap(s.group[i - 1], s.group[static_cast<std::size_t>(random.uniform() * static_cast<double>(i))]);
}

double permutation_p(std::vector<Stratum> strata, const Eigen::MatrixXd& inverse, const Eigen::VectorXd& mean,
                     double observed, int permutations, std::uint64_t seed) {
  for (const Stratum& s : strata)
    for (const double w : s.weight)
      if (w != 1)
        throw std::invalid_argument("log_rank: permutations need records of weight 1; give each record its own row");
  int hits = 0;
  for (int repeat = 0; repeat < permutations; ++repeat) {
    numeric::RandomStream random(seed, {permutation_purpose, 0, static_cast<std::uint32_t>(repeat)});
    shuffle(strata, random);
    const Eigen::VectorXd off = group_scores(strata, static_cast<int>(mean.size())) - mean;
    hits += off.dot(inverse * off) >= observed * (1 - 1e-10);
  }
  return (1.0 + hits) / (1.0 + permutations);
}

void judge(const BoundedTimes& times, LogRank& result) {
  if (result.degrees_of_freedom == 0)
    result.health.push_back({HealthState::bad, "nothing",
                             "the records do not tell any two lengths apart (all equal, or no end seen): there is "
                             "nothing to compare"});
  if (*std::min_element(result.n.begin(), result.n.end()) < 5)
    result.health.push_back({HealthState::warning, "few",
                             "a group has fewer than 5 records: the chi-square law is rough, "
                             "use permutations"});
  for (std::size_t i = 0; i < times.size(); ++i) {
    if (nonparametric::entry_of(times, i) == 0) continue;
    result.health.push_back({HealthState::warning, "permutation",
                             "late entry: the variance holds where groups entered and were watched alike"});
    return;
  }
}

}  // namespace

LogRank log_rank(const BoundedTimes& times, std::span<const int> group, std::span<const int> stratum, Scores scores,
                 int permutations, std::uint64_t seed) {
  nonparametric::check_times("log_rank", times);
  check_codes(times, group, stratum);
  const int k = 1 + *std::max_element(group.begin(), group.end());
  LogRank result;
  const std::vector<Stratum> strata = make_strata(times, group, stratum, scores, result);
  result.n.assign(k, 0.0);
  for (const Stratum& s : strata)
    for (std::size_t i = 0; i < s.group.size(); ++i) result.n[s.group[i]] += s.weight[i];
  Eigen::VectorXd mean = Eigen::VectorXd::Zero(k);
  const Eigen::MatrixXd covariance = permutation_covariance(strata, k, mean);
  const Eigen::VectorXd score = group_scores(strata, k);
  const Eigen::CompleteOrthogonalDecomposition<Eigen::MatrixXd> decomposition(covariance);
  const Eigen::MatrixXd inverse = decomposition.pseudoInverse();
  const Eigen::VectorXd off = score - mean;
  result.score.assign(score.begin(), score.end());
  result.covariance.assign(covariance.data(), covariance.data() + covariance.size());
  result.degrees_of_freedom = static_cast<int>(decomposition.rank());
  result.chi_square = off.dot(inverse * off);
  if (result.degrees_of_freedom > 0)
    result.p_value =
        cdf(complement(boost::math::chi_squared(result.degrees_of_freedom), std::max(0.0, result.chi_square)));
  if (permutations > 0)
    result.p_permutation = permutation_p(strata, inverse, mean, result.chi_square, permutations, seed);
  judge(times, result);
  return result;
}

}  // namespace moltspan
