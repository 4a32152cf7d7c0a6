#pragma once

#include <vector>

#include "moltspan/clock/clock.hpp"
#include "moltspan/stadia/stadia.hpp"

namespace moltspan {

/// What the temperature rows of a collection tell of the course of the year.
struct LearnedTemperatures {
  bool vary = false;  ///< those of any one animal
  YearlyCourse course;
  double sd = 0;  ///< of monthly means about level and course, C
};

/// Least squares on the steps between the means of neighboring months, which a move to another room enters once;
/// robust (Cauchy weights), with a prior about no course (sd 3 C). Flat under nine months of rows.
LearnedTemperatures learn_temperatures(const StadiaTable& table);

/// The temperatures of one animal by day: level of the row that covers the day, or of the last one before it, and the
/// course of the year as far as it follows that. The last level stays.
class TemperatureCourse {
 public:
  /// Without rows: `usual_c` and the whole course.
  TemperatureCourse(const std::vector<TemperatureSpan>& spans, const YearlyCourse& course, double sd, double usual_c);
  /// Of each day of [first, until).
  std::vector<double> by_day(Day first, Day until) const;
  bool constant() const { return constant_; }
  Day first() const { return spans_.empty() ? 0 : spans_.front().from; }
  Day until() const { return spans_.empty() ? 0 : spans_.back().until; }

 private:
  std::vector<TemperatureSpan> spans_;  ///< in order; `mean_c` is the level without the course
  YearlyCourse course_;
  double usual_c_;
  bool constant_ = true;
};

}  // namespace moltspan
