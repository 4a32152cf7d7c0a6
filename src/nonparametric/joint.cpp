#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <sstream>
#include <stdexcept>

#include "nonparametric/support.hpp"

namespace moltspan {
namespace {

using nonparametric::Support;
using Vector = std::vector<double>;

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr double aim = 1e-9;
constexpr int most_steps = 20000;

/// Elements = intervals of each cause in turn, and last the mass beyond all looks. A record holds ranges of elements.
struct Mixture {
  struct Range {
    int first, last;  ///< elements
  };
  struct Record {
    std::vector<Range> inside, beyond_entry;
    double weight;
  };
  std::vector<Record> records;
  int size = 0;
  double total = 0;
};

double sum_over(const Vector& upto, const std::vector<Mixture::Range>& ranges) {
  double sum = 0;
  for (const auto& range : ranges) sum += upto[range.last + 1] - upto[range.first];
  return sum;
}

Vector cumulated(const Vector& p) {
  Vector upto(p.size() + 1, 0.0);
  std::partial_sum(p.begin(), p.end(), upto.begin() + 1);
  return upto;
}

double log_likelihood(const Mixture& mixture, const Vector& p) {
  const Vector upto = cumulated(p);
  double sum = 0;
  for (const auto& record : mixture.records)
    sum += record.weight * std::log(sum_over(upto, record.inside) / sum_over(upto, record.beyond_entry));
  return sum;
}

/// D_j of the header over the total weight.
Vector gains(const Mixture& mixture, const Vector& p) {
  const Vector upto = cumulated(p);
  Vector change(mixture.size + 1, 0.0);
  const auto add = [&](const std::vector<Mixture::Range>& ranges, double value) {
    for (const auto& range : ranges) {
      change[range.first] += value;
      change[range.last + 1] -= value;
    }
  };
  for (const auto& record : mixture.records) {
    add(record.inside, record.weight / sum_over(upto, record.inside));
    add(record.beyond_entry, -record.weight / sum_over(upto, record.beyond_entry));
  }
  Vector gain(mixture.size);
  std::partial_sum(change.begin(), change.end() - 1, gain.begin());
  for (double& g : gain) g /= mixture.total;
  return gain;
}

/// One step of self-consistency (Turnbull 1976): p_j (1 + D_j W / M), M = weight + expected weight not met for entry.
Vector consistent(const Mixture& mixture, const Vector& p) {
  const Vector upto = cumulated(p), gain = gains(mixture, p);
  double met = 0;
  for (const auto& record : mixture.records) met += record.weight / sum_over(upto, record.beyond_entry);
  Vector next(p.size());
  for (std::size_t j = 0; j < p.size(); ++j) next[j] = std::max(0.0, p[j] * (1 + gain[j] * mixture.total / met));
  const double sum = std::accumulate(next.begin(), next.end(), 0.0);
  for (double& value : next) value /= sum;
  return next;
}

/// Two steps and the leap that they suggest (squared extrapolation; Varadhan & Roland 2008), taken where it gains.
Vector leap(const Mixture& mixture, const Vector& p) {
  const Vector one = consistent(mixture, p), two = consistent(mixture, one);
  double rr = 0, vv = 0;
  for (std::size_t j = 0; j < p.size(); ++j) {
    const double r = one[j] - p[j], v = two[j] - one[j] - r;
    rr += r * r;
    vv += v * v;
  }
  if (!(vv > 0)) return two;
  const double length = std::max(1.0, std::sqrt(rr / vv));
  Vector far(p.size());
  for (std::size_t j = 0; j < p.size(); ++j) {
    const double r = one[j] - p[j], v = two[j] - one[j] - r;
    far[j] = std::max(p[j] > 0 ? 1e-300 : 0.0, p[j] + 2 * length * r + length * length * v);
  }
  far = consistent(mixture, far);
  return log_likelihood(mixture, far) >= log_likelihood(mixture, two) ? far : two;
}

/// Supports of the causes, and the mixture on them.
struct Layout {
  std::vector<Support> causes;
  std::vector<int> offset;  ///< first element of each cause; last: the element beyond all looks
  Mixture mixture;
};

Layout lay_out(const BoundedTimes& times, std::span<const int> cause, int n_causes) {
  Layout layout;
  int offset = 0;
  for (int k = 1; k <= n_causes; ++k) {
    std::vector<char> own(times.size());
    for (std::size_t i = 0; i < own.size(); ++i) own[i] = cause[i] == k || cause[i] == 0;
    Support support = nonparametric::make_support(times, own);
    while (!support.right.empty() && std::isinf(support.right.back().day))
      support.left.pop_back(), support.right.pop_back();
    layout.offset.push_back(offset);
    offset += static_cast<int>(support.left.size());
    layout.causes.push_back(std::move(support));
  }
  layout.offset.push_back(offset);
  layout.mixture.size = offset + 1;
  return layout;
}

/// What lies beyond an end: of every cause, and beyond all looks.
std::vector<Mixture::Range> beyond(const Layout& layout, nonparametric::End end) {
  std::vector<Mixture::Range> ranges;
  for (std::size_t k = 0; k < layout.causes.size(); ++k) {
    const int from = layout.offset[k] + nonparametric::first_at(layout.causes[k], end);
    if (from < layout.offset[k + 1]) ranges.push_back({from, layout.offset[k + 1] - 1});
  }
  ranges.push_back({layout.mixture.size - 1, layout.mixture.size - 1});
  return ranges;
}

void fill_mixture(const BoundedTimes& times, std::span<const int> cause, Layout& layout) {
  for (std::size_t i = 0; i < times.size(); ++i) {
    if (!nonparametric::says_something(times, i)) continue;
    Mixture::Record record{
        {}, beyond(layout, {nonparametric::entry_of(times, i), 0}), nonparametric::weight_of(times, i)};
    if (nonparametric::entry_of(times, i) == 0) record.beyond_entry = {{0, layout.mixture.size - 1}};
    if (cause[i] == 0) {
      record.inside = beyond(layout, nonparametric::left_end(times, i));
    } else {
      const Support& support = layout.causes[cause[i] - 1];
      const int from = layout.offset[cause[i] - 1];
      record.inside = {{from + nonparametric::first_at(support, nonparametric::left_end(times, i)),
                        from + nonparametric::last_by(support, nonparametric::right_end(times, i))}};
    }
    layout.mixture.total += record.weight;
    layout.mixture.records.push_back(std::move(record));
  }
}

bool any_unseen(const BoundedTimes& times) {
  for (std::size_t i = 0; i < times.size(); ++i)
    if (nonparametric::says_something(times, i) && std::isinf(nonparametric::max_of(times, i))) return true;
  return false;
}

void judge(JointIncidence& fit) {
  if (fit.gap > aim) {
    std::ostringstream text;
    text << "the search stopped with a gap of " << fit.gap << " (aim: " << aim << ")";
    fit.health.push_back({HealthState::warning, "convergence", text.str()});
  }
  if (fit.unassigned > 1e-6)
    fit.health.push_back(
        {HealthState::good, "tail",
         nonparametric::share_text(fit.unassigned) + " go on past the last look: how they end is not known"});
}

}  // namespace

JointIncidence joint_incidence(const BoundedTimes& times, std::span<const int> cause, int n_causes) {
  nonparametric::check_times("joint_incidence", times);
  nonparametric::check_causes("joint_incidence", times, cause, n_causes);
  Layout layout = lay_out(times, cause, n_causes);
  fill_mixture(times, cause, layout);
  const Mixture& mixture = layout.mixture;
  Vector p(mixture.size, 1.0 / mixture.size);
  if (!any_unseen(times) && mixture.size > 1) p.back() = 0;
  JointIncidence fit;
  for (; fit.iterations < most_steps; ++fit.iterations) {
    if (fit.iterations % 10 == 0) {
      const Vector gain = gains(mixture, p);
      fit.gap = 0;
      for (std::size_t j = 0; j < gain.size(); ++j)
        if (p[j] > 0 || j + 1 < gain.size()) fit.gap = std::max({fit.gap, gain[j], std::abs(gain[j]) * p[j]});
      if (fit.gap <= aim) break;
    }
    p = leap(mixture, p);
  }
  fit.log_likelihood = log_likelihood(mixture, p);
  for (int k = 0; k < n_causes; ++k) {
    fit.left.emplace_back(), fit.right.emplace_back(), fit.mass.emplace_back();
    for (std::size_t j = 0; j < layout.causes[k].left.size(); ++j) {
      fit.left[k].push_back(layout.causes[k].left[j].day);
      fit.right[k].push_back(layout.causes[k].right[j].day);
      fit.mass[k].push_back(p[layout.offset[k] + j]);
    }
  }
  fit.unassigned = p.back();
  judge(fit);
  return fit;
}

OpenRange incidence_at(const JointIncidence& fit, int cause, double t_days) {
  if (cause < 1 || cause > static_cast<int>(fit.mass.size()))
    throw std::invalid_argument("incidence_at: cause = " + std::to_string(cause) + ": causes are numbered from 1");
  OpenRange result;
  const auto &left = fit.left[cause - 1], &right = fit.right[cause - 1], &mass = fit.mass[cause - 1];
  for (std::size_t j = 0; j < mass.size(); ++j) {
    const bool begun = left[j] < t_days || (left[j] == right[j] && left[j] == t_days);
    if (right[j] <= t_days) result.low += mass[j];
    if (begun) result.high += mass[j];
    if (begun) result.estimate += mass[j] * (right[j] <= t_days ? 1 : (t_days - left[j]) / (right[j] - left[j]));
  }
  return result;
}

}  // namespace moltspan
