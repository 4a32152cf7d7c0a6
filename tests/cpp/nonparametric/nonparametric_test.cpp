#include "moltspan/nonparametric/nonparametric.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <numeric>

#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace {

constexpr double blank = std::numeric_limits<double>::quiet_NaN();

/// Records of every kind, some watched late.
BoundedTimes draw(int n, std::uint64_t seed, bool late) {
  numeric::RandomStream random(seed);
  BoundedTimes times;
  while (static_cast<int>(times.size()) < n) {
    const double length = 60 * std::exp(0.4 * random.normal()), first = 7 * random.uniform();
    const double entry = late && random.uniform() < 0.5 ? 50 * random.uniform() : 0;
    double low = std::max(0.0, first + 7 * std::floor((length - first) / 7)), high = std::max(first, low + 7);
    if (random.uniform() < 0.3) low = high = length;
    if (random.uniform() < 0.2) high = blank;
    if (high <= entry || (std::isnan(high) && low <= entry)) continue;
    times.min_days.push_back(low);
    times.max_days.push_back(high);
    times.entry_days.push_back(entry);
  }
  return times;
}

// Turnbull (1974), JASA 69:169, as recomputed from its tables: S(1) = .53757 with exact, left- and right-censored
// times.
TEST(Npmle, DoubleCensoring) {
  const BoundedTimes times{{1, 2, 3, 4, 1, 2, 4, 0, 0, 0, 0},
                           {1, 2, 3, 4, blank, blank, blank, 1, 2, 3, 4},
                           {},
                           {12, 6, 2, 3, 3, 2, 3, 2, 4, 2, 5}};
  const Npmle fit = stadium_npmle(times);
  EXPECT_NEAR(survival_at(fit, 1).estimate, 0.5375678119, 5e-10);
  EXPECT_NEAR(survival_at(fit, 4).estimate, 0.0948457534, 5e-10);
}

TEST(Npmle, ReachesItsGapWhateverTheRecords) {
  for (const bool late : {false, true})
    for (std::uint64_t seed = 1; seed <= 60; ++seed) {
      const Npmle fit = stadium_npmle(draw(5 + static_cast<int>(3 * seed), seed, late));
      EXPECT_LE(fit.gap, 1e-10) << "seed " << seed;
      EXPECT_LE(fit.support_gap, 1e-10) << "seed " << seed;
      EXPECT_NEAR(std::accumulate(fit.mass.begin(), fit.mass.end(), 0.0), 1, 1e-12);
    }
}

TEST(Npmle, ManyRecordsReachItToo) {
  const Npmle fit = stadium_npmle(draw(20000, 1, false));
  EXPECT_LE(fit.gap, 1e-10);
  EXPECT_LT(fit.iterations, 100);
}

// The law given T > d is that of survival divided by its value at d: by the definition.
TEST(Npmle, GivenDaysIsTheRatioOfSurvivals) {
  const BoundedTimes times = draw(200, 3, true);
  const Npmle whole = stadium_npmle(times);
  const std::size_t cut = whole.mass.size() / 3;
  const double day = whole.right[cut];
  const Npmle later = stadium_npmle(times, day);
  for (const double t : {day + 10, day + 40})
    EXPECT_NEAR(survival_at(later, t).low, survival_at(whole, t).low / whole.survival[cut], 1e-12);
}

// Scores of a pooled maximum add up to 0 (Finkelstein's are its derivative; Sun's by the sum of hazards).
TEST(LogRank, ScoresAddUpToNothing) {
  const BoundedTimes times = draw(120, 4, false);
  std::vector<int> group(times.size());
  for (std::size_t i = 0; i < group.size(); ++i) group[i] = static_cast<int>(i % 3);
  for (const Scores scores : {Scores::sun, Scores::finkelstein}) {
    const LogRank test = log_rank(times, group, {}, scores, 50, 1);
    EXPECT_NEAR(test.score[0] + test.score[1] + test.score[2], 0, 1e-8);  // 120 records times the gap
    EXPECT_EQ(test.degrees_of_freedom, 2);
    EXPECT_GT(test.p_permutation, 0);
  }
}

TEST(Npmle, FaultsNameTheRow) {
  try {
    stadium_npmle({{5, 7}, {6, 3}, {}, {}});
    FAIL() << "bounds the wrong way round were taken";
  } catch (const std::invalid_argument& trouble) {
    EXPECT_NE(std::string(trouble.what()).find("row 1, max_days = 3"), std::string::npos) << trouble.what();
  }
}

}  // namespace
}  // namespace moltspan
