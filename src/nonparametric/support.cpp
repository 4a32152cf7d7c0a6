#include "nonparametric/support.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <sstream>
#include <stdexcept>

namespace moltspan::nonparametric {
namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();

[[noreturn]] void fault(const char* function, std::size_t row, const char* argument, double value, const char* rule) {
  std::ostringstream text;
  text.precision(15);
  text << function << ": row " << row << ", " << argument << " = " << value << ": " << rule;
  throw std::invalid_argument(text.str());
}

void check_lengths(const char* function, const BoundedTimes& t) {
  const auto fits = [&](const std::vector<double>& column) { return column.empty() || column.size() == t.size(); };
  if (t.max_days.size() == t.size() && fits(t.entry_days) && fits(t.weight)) return;
  std::ostringstream text;
  text << function << ": " << t.size() << " min_days, " << t.max_days.size() << " max_days, " << t.entry_days.size()
       << " entry_days and " << t.weight.size() << " weights; give columns of one length";
  throw std::invalid_argument(text.str());
}

void check_row(const char* function, const BoundedTimes& t, std::size_t i) {
  const double low = t.min_days[i], high = t.max_days[i];
  if (low < 0) fault(function, i, "min_days", low, "a length is not negative; mend it, or leave it blank if unknown");
  if (std::isinf(low)) fault(function, i, "min_days", low, "a finite number of days is needed; mend it");
  if (high < 0)
    fault(function, i, "max_days", high, "a length is not negative; mend it, or leave it blank if not seen");
  if (high == 0)
    fault(function, i, "max_days", high, "a stadium lasts longer than 0 days; mend it or leave the row out");
  if (high < low) fault(function, i, "max_days", high, "it is below min_days; mend one of them");
  if (std::isnan(low) && !std::isfinite(high))
    fault(function, i, "max_days", high, "neither bound is known, which says nothing; leave the row out");
  if (!t.weight.empty() && !(t.weight[i] >= 0 && std::isfinite(t.weight[i])))
    fault(function, i, "weights", t.weight[i], "a weight is a number of 0 or more; mend it");
  if (t.entry_days.empty() || std::isnan(t.entry_days[i])) return;
  const double entry = t.entry_days[i];
  if (!(entry >= 0 && std::isfinite(entry)))
    fault(function, i, "entry_days", entry, "an age of 0 or more is needed; mend it");
  if (high <= entry && entry > 0)
    fault(function, i, "entry_days", entry,
          "the record ended before it was watched, so that it could not be in the table; mend it or leave the row out");
}

struct Tagged {
  End end;
  bool is_left = false;

  // At one place what ends there comes before what begins there.
  bool operator<(const Tagged& other) const { return end != other.end ? end < other.end : !is_left && other.is_left; }
};

std::vector<Tagged> tagged_ends(const BoundedTimes& times, std::span<const char> own_ends) {
  std::vector<Tagged> ends;
  ends.reserve(3 * times.size());
  for (std::size_t i = 0; i < times.size(); ++i) {
    if (!says_something(times, i)) continue;
    if (own_ends.empty() || own_ends[i]) {
      ends.push_back({left_end(times, i), true});
      ends.push_back({right_end(times, i), false});
    }
    if (entry_of(times, i) > 0) ends.push_back({{entry_of(times, i), 0}, false});
  }
  std::sort(ends.begin(), ends.end());
  return ends;
}

std::vector<Cell> merged(std::vector<Cell> cells) {
  const auto key = [](const Cell& c) { return std::array{c.entry, c.first, c.last}; };
  std::sort(cells.begin(), cells.end(), [&](const Cell& x, const Cell& y) {
    return key(x) != key(y) ? key(x) < key(y) : x.weight < y.weight;  // so that sums do not depend on the order of rows
  });
  std::vector<Cell> result;
  for (const Cell& cell : cells) {
    if (cell.weight == 0) continue;
    if (!result.empty() && key(result.back()) == key(cell))
      result.back().weight += cell.weight;
    else
      result.push_back(cell);
  }
  return result;
}

}  // namespace

double max_of(const BoundedTimes& t, std::size_t i) { return std::isnan(t.max_days[i]) ? infinity : t.max_days[i]; }

double entry_of(const BoundedTimes& t, std::size_t i) {
  return t.entry_days.empty() || std::isnan(t.entry_days[i]) ? 0 : t.entry_days[i];
}

double min_of(const BoundedTimes& t, std::size_t i) {
  return std::max(std::isnan(t.min_days[i]) ? 0 : t.min_days[i], entry_of(t, i));
}

double weight_of(const BoundedTimes& t, std::size_t i) { return t.weight.empty() ? 1 : t.weight[i]; }

bool says_something(const BoundedTimes& t, std::size_t i) {
  return weight_of(t, i) > 0 && (std::isfinite(max_of(t, i)) || min_of(t, i) > entry_of(t, i));
}

bool is_exact(const BoundedTimes& t, std::size_t i) { return t.min_days[i] == t.max_days[i]; }

End left_end(const BoundedTimes& t, std::size_t i) { return {min_of(t, i), is_exact(t, i) ? -1 : 0}; }

End right_end(const BoundedTimes& t, std::size_t i) { return {max_of(t, i), 0}; }

void check_rows(const char* function, const BoundedTimes& times) {
  check_lengths(function, times);
  for (std::size_t i = 0; i < times.size(); ++i) check_row(function, times, i);
}

void check_times(const char* function, const BoundedTimes& times) {
  check_rows(function, times);
  double total = 0;
  for (std::size_t i = 0; i < times.size(); ++i) total += says_something(times, i) ? weight_of(times, i) : 0;
  if (total > 0) return;
  throw std::invalid_argument(
      std::string(function) +
      ": no record says anything (none, or all end unseen at 0 days or at entry); give at least one");
}

BoundedTimes rows_of(const BoundedTimes& times, std::span<const int> rows) {
  BoundedTimes result;
  for (const int row : rows) {
    const auto i = static_cast<std::size_t>(row);
    result.min_days.push_back(times.min_days[i]);
    result.max_days.push_back(times.max_days[i]);
    result.entry_days.push_back(entry_of(times, i));
    result.weight.push_back(weight_of(times, i));
  }
  return result;
}

int first_at(const Support& s, End left) {
  return static_cast<int>(std::lower_bound(s.left.begin(), s.left.end(), left) - s.left.begin());
}

int last_by(const Support& s, End right) {
  return static_cast<int>(std::upper_bound(s.right.begin(), s.right.end(), right) - s.right.begin()) - 1;
}

Support make_support(const BoundedTimes& times, std::span<const char> own_ends) {
  Support support;
  const std::vector<Tagged> ends = tagged_ends(times, own_ends);
  for (std::size_t i = 1; i < ends.size(); ++i) {
    if (!ends[i - 1].is_left || ends[i].is_left) continue;
    support.left.push_back(ends[i - 1].end);
    support.right.push_back(ends[i].end);
  }
  support.of_record.resize(times.size());
  for (std::size_t i = 0; i < times.size(); ++i) {
    const double entry = entry_of(times, i), weight = weight_of(times, i);
    if (!says_something(times, i) || !(own_ends.empty() || own_ends[i])) continue;
    support.of_record[i] = {entry > 0 ? first_at(support, {entry, 0}) : 0, first_at(support, left_end(times, i)),
                            last_by(support, right_end(times, i)), weight};
  }
  support.cells = merged(support.of_record);
  return support;
}

}  // namespace moltspan::nonparametric
