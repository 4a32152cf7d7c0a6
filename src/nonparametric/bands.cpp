#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <numeric>
#include <stdexcept>

#include "moltspan/numeric/parallel.hpp"
#include "moltspan/numeric/philox.hpp"
#include "nonparametric/support.hpp"

namespace moltspan {
namespace nonparametric {
namespace {

constexpr std::uint32_t purpose = 0x4e50;  ///< names the streams of this file

/// Times each record is drawn when `draws` records are drawn in proportion to their weights.
std::vector<double> drawn_records(const BoundedTimes& times, numeric::RandomStream& random) {
  std::vector<double> upto(times.size()), counts(times.size(), 0.0);
  double total = 0;
  for (std::size_t i = 0; i < times.size(); ++i) upto[i] = total += weight_of(times, i);
  const auto draws = std::max<long long>(1, std::llround(total));
  for (long long draw = 0; draw < draws; ++draw) {
    const auto at = std::upper_bound(upto.begin(), upto.end(), random.uniform() * total) - upto.begin();
    counts[std::min<std::size_t>(at, counts.size() - 1)] += 1;
  }
  return counts;
}

std::vector<double> drawn_clusters(const BoundedTimes& times, const std::vector<int>& cluster,
                                   numeric::RandomStream& random) {
  const int n = 1 + *std::max_element(cluster.begin(), cluster.end());
  std::vector<int> present(n, 0), names;
  for (const int c : cluster) present[c] = 1;
  for (int c = 0; c < n; ++c)
    if (present[c]) names.push_back(c);
  std::vector<double> times_drawn(n, 0.0), counts(times.size());
  for (std::size_t draw = 0; draw < names.size(); ++draw)
    times_drawn[names[static_cast<std::size_t>(random.uniform() * static_cast<double>(names.size()))]] += 1;
  for (std::size_t i = 0; i < counts.size(); ++i) counts[i] = weight_of(times, i) * times_drawn[cluster[i]];
  return counts;
}

}  // namespace

std::vector<double> resampled_weights(const BoundedTimes& times, const ResampleOptions& options, int repeat) {
  numeric::RandomStream random(options.seed, {purpose, options.stream, static_cast<std::uint32_t>(repeat)});
  return options.cluster.empty() ? drawn_records(times, random) : drawn_clusters(times, options.cluster, random);
}

std::string share_text(double share) {
  if (share < 0.005) return "under 1 %";
  return share > 0.995 && share < 1 ? "over 99 %" : std::to_string(std::lround(100 * share)) + " %";
}

double percentile(std::vector<double> values, double p) {
  if (values.empty()) return std::numeric_limits<double>::quiet_NaN();
  std::sort(values.begin(), values.end());
  const double place = p * static_cast<double>(values.size() - 1);
  const auto below = static_cast<std::size_t>(place);
  const double share = place - static_cast<double>(below), low = values[below];
  if (share == 0 || below + 1 == values.size() || values[below + 1] == low) return low;
  return low + share * (values[below + 1] - low);
}

}  // namespace nonparametric

namespace {

using nonparametric::percentile;

void check_options(const char* function, const BoundedTimes& times, const ResampleOptions& options) {
  const std::string name(function);
  if (options.resamples < 1) throw std::invalid_argument(name + ": resamples: at least 1 is needed");
  if (!(options.level > 0 && options.level < 1))
    throw std::invalid_argument(name + ": level lies between 0 and 1, for example 0.95");
  if (!options.cluster.empty() && options.cluster.size() != times.size())
    throw std::invalid_argument(name + ": cluster: one code a record is needed");
  if (std::any_of(options.cluster.begin(), options.cluster.end(), [](int c) { return c < 0; }))
    throw std::invalid_argument(name + ": cluster: codes are 0 or more");
}

using Answer = std::function<void(const Npmle&, std::vector<OpenRange>&)>;

/// What `answer` reads off each resample's estimate; empty where a resample has none.
std::vector<std::vector<OpenRange>> resample(const BoundedTimes& times, double given_days,
                                             const ResampleOptions& options, const Answer& answer) {
  std::vector<std::vector<OpenRange>> answers(options.resamples);
  numeric::in_parts(0, answers.size(), options.threads, [&](std::size_t from, std::size_t to) {
    for (std::size_t repeat = from; repeat < to; ++repeat) {
      BoundedTimes drawn = times;
      drawn.weight = nonparametric::resampled_weights(times, options, static_cast<int>(repeat));
      try {
        answer(stadium_npmle(drawn, given_days), answers[repeat]);
      } catch (const std::invalid_argument&) {  // a draw may hold nothing that tells, or nothing beyond given_days
        answers[repeat].clear();
      }
    }
  });
  return answers;
}

Limits limits_of(const std::vector<std::vector<OpenRange>>& answers, std::size_t n, double level) {
  Limits limits;
  for (const auto& answer : answers) limits.failed += answer.empty();
  for (std::size_t k = 0; k < n; ++k) {
    std::vector<double> lows, highs;
    for (const auto& answer : answers) {
      if (answer.empty()) continue;
      lows.push_back(answer[k].low);
      highs.push_back(answer[k].high);
    }
    limits.lower.push_back(percentile(std::move(lows), 0.5 - level / 2));
    limits.upper.push_back(percentile(std::move(highs), 0.5 + level / 2));
  }
  return limits;
}

void check_probability(const char* function, double p) {
  if (!(p > 0 && p < 1))
    throw std::invalid_argument(std::string(function) + ": a share lies between 0 and 1, for example 0.5");
}

}  // namespace

Limits survival_band(const BoundedTimes& times, std::span<const double> t_days, double given_days,
                     const ResampleOptions& options) {
  nonparametric::check_times("survival_band", times);
  check_options("survival_band", times, options);
  const auto answers = resample(times, given_days, options, [&](const Npmle& fit, std::vector<OpenRange>& found) {
    for (const double t : t_days) found.push_back(survival_at(fit, t));
  });
  return limits_of(answers, t_days.size(), options.level);
}

Limits quantile_limits(const BoundedTimes& times, std::span<const double> p, double given_days,
                       const ResampleOptions& options) {
  nonparametric::check_times("quantile_limits", times);
  check_options("quantile_limits", times, options);
  for (const double share : p) check_probability("quantile_limits", share);
  const auto answers = resample(times, given_days, options, [&](const Npmle& fit, std::vector<OpenRange>& found) {
    for (const double share : p) found.push_back(quantile_days(fit, share));
  });
  return limits_of(answers, p.size(), options.level);
}

Difference quantile_difference(const BoundedTimes& first, const BoundedTimes& second, double p,
                               const ResampleOptions& first_options, const ResampleOptions& second_options) {
  check_options("quantile_difference", first, first_options);
  check_options("quantile_difference", second, second_options);
  check_probability("quantile_difference", p);
  const auto quantile = [p](const Npmle& fit, std::vector<OpenRange>& found) { found = {quantile_days(fit, p)}; };
  const auto a = resample(first, 0, first_options, quantile), b = resample(second, 0, second_options, quantile);
  std::vector<double> lows, highs;
  for (std::size_t r = 0; r < std::min(a.size(), b.size()); ++r) {
    if (a[r].empty() || b[r].empty()) continue;
    const double low = b[r][0].low - a[r][0].high, high = b[r][0].high - a[r][0].low;
    if (std::isnan(low) || std::isnan(high)) continue;  // both unbounded: nothing is known of the difference
    lows.push_back(low);
    highs.push_back(high);
  }
  const double level = first_options.level;
  return {quantile_days(stadium_npmle(second), p).estimate - quantile_days(stadium_npmle(first), p).estimate,
          percentile(std::move(lows), 0.5 - level / 2), percentile(std::move(highs), 0.5 + level / 2)};
}

}  // namespace moltspan
