#pragma once

#include <span>
#include <string>
#include <vector>

#include "moltspan/nonparametric/nonparametric.hpp"

namespace moltspan::nonparametric {

/// An end of an interval: just before `day` (side = -1) or at it.
struct End {
  double day = 0;
  int side = 0;

  auto operator<=>(const End&) const = default;
};

/// A record in support intervals: it says first <= J <= last, and exists because J >= entry. Equal records are merged.
struct Cell {
  int entry = 0, first = 0, last = 0;
  double weight = 0;

  bool operator==(const Cell&) const = default;
};

/// Innermost intervals and the records in their terms.
struct Support {
  std::vector<End> left, right;
  std::vector<Cell> cells;
  std::vector<Cell> of_record;  ///< the cell of each record, unmerged, in order; weight 0 where it says nothing
};

/// Throws std::invalid_argument that names `function` and the row for faulty bounds, entries or weights.
void check_times(const char* function, const BoundedTimes& times);

/// The same for each row alone: whether any of them says something is not asked.
void check_rows(const char* function, const BoundedTimes& times);

/// A cause of 1 to n_causes where the end was seen, 0 where it was not.
void check_causes(const char* function, const BoundedTimes& times, std::span<const int> cause, int n_causes);

double max_of(const BoundedTimes& times, std::size_t row);    ///< infinity where blank
double min_of(const BoundedTimes& times, std::size_t row);    ///< 0 where blank; not below the entry
double entry_of(const BoundedTimes& times, std::size_t row);  ///< 0 where there is none
double weight_of(const BoundedTimes& times, std::size_t row);
bool says_something(const BoundedTimes& times,
                    std::size_t row);  ///< false: the end is not seen, min <= entry, or weight 0
bool is_exact(const BoundedTimes& times, std::size_t row);

End left_end(const BoundedTimes& times, std::size_t row);
End right_end(const BoundedTimes& times, std::size_t row);

/// Innermost intervals by Turnbull's rule with Frydman's correction; records that say nothing make none. `own_ends`: 0
/// for records of which only the entry counts as an end (they get no cell); empty = all count.
Support make_support(const BoundedTimes& times, std::span<const char> own_ends = {});

/// First support interval at or after the given left end; last one that ends by the given right end.
int first_at(const Support& support, End left);
int last_by(const Support& support, End right);

/// Rises of the cumulative hazard over each interval but the last, which takes all that is left.
struct Solution {
  std::vector<double> hazard_rise;
  double gap = 0, support_gap = 0;
  int iterations = 0;
};

/// Maximizes sum of weight x (H_entry - H_first + log(1 - exp(-(H_(last + 1) - H_first)))) over rising H, for cells on
/// `m` intervals without a break.
Solution solve_hazards(const std::vector<Cell>& cells, int m);

/// The rows of a table, in the order given.
BoundedTimes rows_of(const BoundedTimes& times, std::span<const int> rows);

/// Rows with weights drawn anew: how often each record was drawn, with replacement, in resample number `repeat`.
std::vector<double> resampled_weights(const BoundedTimes& times, const ResampleOptions& options, int repeat);

/// A share in whole percent, its ends named as bounds.
std::string share_text(double share);

/// The p-quantile of values, by linear interpolation between order statistics (type 7); infinite values allowed.
double percentile(std::vector<double> values, double p);

}  // namespace moltspan::nonparametric
