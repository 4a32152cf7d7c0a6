#include <algorithm>
#include <cmath>
#include <limits>
#include <sstream>
#include <stdexcept>

#include "nonparametric/support.hpp"

namespace moltspan {
namespace {

using nonparametric::Cell;
using nonparametric::Support;

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr double gap_promised = 1e-10;
constexpr double few_at_risk = 5, early_survival = 0.75;

/// Intervals after which nobody at risk is known to live on: survival falls to 0 there whatever comes later.
std::vector<int> breaks_of(const Support& s) {
  const int m = static_cast<int>(s.left.size());
  std::vector<int> known(m + 1, 0), breaks;
  for (const Cell& c : s.cells) {
    if (c.first > c.entry) {
      ++known[c.entry];
      --known[c.first];
    }
  }
  for (int j = 0, n = 0; j + 1 < m; ++j) {
    n += known[j];
    if (n == 0) breaks.push_back(j);
  }
  return breaks;
}

/// Solves the part of the support in [from, to], and writes its hazards.
void solve_part(const Support& s, int from, int to, Npmle& fit) {
  std::vector<Cell> cells;
  double weight = 0;
  for (const Cell& c : s.cells) {
    if (c.entry < from || c.entry > to) continue;
    cells.push_back({c.entry - from, c.first - from, std::min(c.last, to) - from, c.weight});
    weight += c.weight;
  }
  const int m = to - from + 1;
  const nonparametric::Solution solved = nonparametric::solve_hazards(cells, m);
  for (int j = 0; j < m; ++j) fit.hazard[from + j] = j + 1 < m ? -std::expm1(-solved.hazard_rise[j]) : 1;
  fit.gap = std::max(fit.gap, solved.gap);
  fit.support_gap = std::max(fit.support_gap, solved.support_gap);
  fit.iterations += solved.iterations;
}

/// Masses and survival of T given T > given_days, from the hazards.
void fill_law(const Support& s, double given_days, Npmle& fit) {
  double log_survival = 0;
  const std::size_t m = s.left.size();
  fit.mass.assign(m, 0.0);
  fit.survival.assign(m, 1.0);
  for (std::size_t j = 0; j < m; ++j) {
    if (s.right[j].day > given_days) {
      fit.mass[j] = std::exp(log_survival) * fit.hazard[j];
      log_survival += std::log1p(-fit.hazard[j]);
    }
    fit.survival[j] = std::exp(log_survival);
  }
}

/// Sums over ranges of intervals, by their changes.
class RangeSum {
 public:
  explicit RangeSum(int m) : change_(m + 1, 0.0) {}
  void add(int first, int last, double value) {
    change_[first] += value;
    change_[last + 1] -= value;
  }
  std::vector<double> total() const {
    std::vector<double> sum(change_.size() - 1);
    double running = 0;
    for (std::size_t j = 0; j < sum.size(); ++j) sum[j] = running += change_[j];
    return sum;
  }

 private:
  std::vector<double> change_;
};

/// Log-likelihood and expected numbers at risk of the part [from, to], whose survival begins at 1.
void fill_part(const Support& s, int from, int to, Npmle& fit) {
  const int m = to - from + 1;
  std::vector<double> log_survival(m + 1, 0.0);
  for (int j = 0; j < m; ++j) log_survival[j + 1] = log_survival[j] + std::log1p(-fit.hazard[from + j]);
  RangeSum certain(m), share(m), beyond(m);
  for (const Cell& c : s.cells) {
    if (c.entry < from || c.entry > to) continue;
    const int entry = c.entry - from, first = c.first - from, last = std::min(c.last, to) - from;
    const double drop = log_survival[first] - log_survival[last + 1];
    const double inside = std::isinf(drop) ? 1 : -std::expm1(-drop);
    fit.log_likelihood += c.weight * (log_survival[first] - log_survival[entry] + std::log(inside));
    certain.add(entry, first, c.weight);
    if (last == first) continue;
    const double scale = c.weight / (inside * std::exp(log_survival[first]));
    share.add(first + 1, last, scale);
    beyond.add(first + 1, last, scale * std::exp(log_survival[last + 1]));
  }
  const auto sure = certain.total(), part = share.total(), rest = beyond.total();
  for (int j = 0; j < m; ++j) fit.at_risk[from + j] = sure[j] + part[j] * std::exp(log_survival[j]) - rest[j];
}

void count_records(const BoundedTimes& times, const Support& s, Npmle& fit) {
  fit.n_records = times.size();
  fit.n_distinct = s.cells.size();
  for (std::size_t i = 0; i < times.size(); ++i) {
    const double low = nonparametric::min_of(times, i), high = nonparametric::max_of(times, i);
    if (!nonparametric::says_something(times, i)) {
      ++fit.n_silent;
      continue;
    }
    fit.total_weight += nonparametric::weight_of(times, i);
    fit.n_truncated += nonparametric::entry_of(times, i) > 0;
    if (nonparametric::is_exact(times, i))
      ++fit.n_exact;
    else if (std::isinf(high))
      ++fit.n_right;
    else if (low == 0)
      ++fit.n_left;
    else
      ++fit.n_interval;
  }
}

std::string in_days(double days) {
  std::ostringstream text;
  text.precision(6);
  text << days << (days == 1 ? " day" : " days");
  return text.str();
}

void note(Npmle& fit, HealthState state, const char* topic, const std::string& text) {
  fit.health.push_back({state, topic, text});
}

/// The first interval in which few at risk cost much of the survival, while there is much left and more enter later.
void note_thin_start(const Support& s, Npmle& fit) {
  double last_entry = -1;
  for (const Cell& c : s.cells) last_entry = std::max(last_entry, static_cast<double>(c.entry));
  for (std::size_t j = 0; j < fit.mass.size() && j < last_entry; ++j) {
    if (fit.survival[j] < early_survival && fit.at_risk[j] >= few_at_risk) return;
    if (fit.mass[j] <= 0 || fit.at_risk[j] >= few_at_risk) continue;
    std::ostringstream text;
    text.precision(3);
    text << "early risk set: only " << fit.at_risk[j] << " record(s) were watched at " << in_days(fit.right[j])
         << ", where survival falls by " << fit.mass[j]
         << "; all later values rest on that. given_days = " << in_days(fit.right[j])
         << " gives the law of those that live on";
    return note(fit, HealthState::warning, "early_risk", text.str());
  }
}

void note_truncation(const Support& s, Npmle& fit) {
  double first_entry = infinity;
  for (const Cell& c : s.cells) first_entry = std::min(first_entry, static_cast<double>(c.entry));
  for (const double day : fit.breaks_days)
    note(fit, HealthState::bad, "break",
         "nobody at risk is known to live beyond " + in_days(day) +
             ", so that survival is 0 from there on though others enter later; ask for given_days = that many days");
  if (fit.breaks_days.empty()) note_thin_start(s, fit);
}

void judge(const Support& s, Npmle& fit) {
  if (!(fit.gap <= gap_promised && fit.support_gap <= gap_promised)) {
    std::ostringstream text;
    text << "the search stopped with a gap of " << std::max(fit.gap, fit.support_gap) << " (aim: " << gap_promised
         << ")";
    note(fit, HealthState::warning, "convergence", text.str());
  }
  if (fit.n_silent > 0)
    note(fit, HealthState::good, "silent",
         std::to_string(fit.n_silent) +
             " record(s) say nothing: their end is not seen and they were watched for no time");
  if (fit.n_truncated > 0) note_truncation(s, fit);
  if (std::isinf(fit.right.back()) && fit.mass.back() > 0)
    note(fit, HealthState::good, "tail",
         nonparametric::share_text(fit.mass.back()) + " end after " + in_days(fit.left.back()) +
             ", the last day watched: when is not known");
  if (fit.total_weight < 10) note(fit, HealthState::warning, "few", "fewer than ten records: bands are rough");
}

void check_given(const Npmle& fit) {
  for (std::size_t j = 0; j < fit.left.size(); ++j) {
    const bool across = fit.left[j] < fit.given_days && fit.right[j] > fit.given_days && fit.mass[j] > 0;
    if (!across) continue;
    std::ostringstream text;
    text.precision(15);
    text << "stadium_npmle: given_days = " << fit.given_days << " lies inside the interval (" << fit.left[j] << ", "
         << fit.right[j] << "] within which the records do not tell; give one of its ends";
    throw std::invalid_argument(text.str());
  }
  if (fit.right.back() <= fit.given_days)
    throw std::invalid_argument("stadium_npmle: given_days = " + in_days(fit.given_days) +
                                ": no record is known to go on beyond; give an earlier day");
}

/// Mass is spread evenly within an interval; a point has all of it at once.
double share_before(double left, double right, double t) {
  if (t >= right) return 1;
  if (t <= left || std::isinf(right)) return 0;
  return (t - left) / (right - left);
}

}  // namespace

Npmle stadium_npmle(const BoundedTimes& times, double given_days) {
  nonparametric::check_times("stadium_npmle", times);
  if (!(given_days >= 0)) throw std::invalid_argument("stadium_npmle: given_days is an age of 0 days or more");
  const Support s = nonparametric::make_support(times);
  Npmle fit;
  fit.given_days = given_days;
  const int m = static_cast<int>(s.left.size());
  for (int j = 0; j < m; ++j) {
    fit.left.push_back(s.left[j].day);
    fit.right.push_back(s.right[j].day);
  }
  fit.hazard.assign(m, 0.0);
  fit.at_risk.assign(m, 0.0);
  std::vector<int> ends = breaks_of(s);
  for (const int to : ends) fit.breaks_days.push_back(fit.right[to]);
  ends.push_back(m - 1);
  for (int from = 0; const int to : ends) {
    solve_part(s, from, to, fit);
    fill_part(s, from, to, fit);
    from = to + 1;
  }
  fill_law(s, given_days, fit);
  count_records(times, s, fit);
  check_given(fit);
  std::erase_if(fit.breaks_days, [&](double day) { return day <= given_days; });
  judge(s, fit);
  return fit;
}

OpenRange survival_at(const Npmle& fit, double t_days) {
  OpenRange result{0, 0, 0};
  for (std::size_t j = 0; j < fit.mass.size(); ++j) {
    const double mass = fit.mass[j];
    if (fit.left[j] >= t_days && !(fit.left[j] == fit.right[j] && fit.left[j] == t_days)) result.low += mass;
    if (fit.right[j] > t_days) result.high += mass;
    if (std::isinf(fit.right[j]) && t_days > fit.left[j] && mass > 0)
      result.estimate = std::numeric_limits<double>::quiet_NaN();
    result.estimate += mass * (1 - share_before(fit.left[j], fit.right[j], t_days));
  }
  return result;
}

OpenRange quantile_days(const Npmle& fit, double p) {
  constexpr double equal = 1e-9;  // masses are good to about 1e-11
  double before = 0;
  for (std::size_t j = 0; j < fit.mass.size(); ++j) {
    if (fit.mass[j] <= 0) continue;
    const double after = before + fit.mass[j], left = fit.left[j], right = fit.right[j];
    if (after >= p - equal) {
      if (after <= p + equal && !std::isinf(right)) {
        std::size_t next = j + 1;
        while (next < fit.mass.size() && fit.mass[next] <= 0) ++next;
        if (next < fit.mass.size()) return {(right + fit.left[next]) / 2, left, fit.right[next]};
      }
      if (std::isinf(right)) return {infinity, left, infinity};
      return {left + (right - left) * std::min(1.0, (p - before) / fit.mass[j]), left, right};
    }
    before = after;
  }
  return {infinity, infinity, infinity};
}

}  // namespace moltspan
