#pragma once

#include <memory>
#include <vector>

#include "intervals/next_molt_law.hpp"
#include "moltspan/base/calendar.hpp"
#include "moltspan/clock/clock.hpp"

namespace moltspan {

/// Days of four years: after its end a table repeats its last ones.
inline constexpr int clock_period_days = 1461;

/// Development done by the beginning of each day, at 25 C.
class ClockTable {
 public:
  /// `rates`: of each day from `first` on, more than a period of them; the last four years repeat.
  ClockTable(Day first, std::vector<double> rates);
  double units_by(double moment) const;
  double moment_of(double units) const;
  double rate_at(double moment) const;
  Day first() const { return first_; }

 private:
  Day first_;
  std::vector<double> rates_, units_;
  double per_period_ = 0;
};

/// The clock of one stadium: days at its reference temperature. Without a table they are days of the calendar.
class StadiumClock {
 public:
  StadiumClock() = default;
  StadiumClock(std::shared_ptr<const ClockTable> table, double scale) : table_(std::move(table)), scale_(scale) {}
  bool identity() const { return !table_; }
  double units(double from, double until) const {
    return table_ ? scale_ * (table_->units_by(until) - table_->units_by(from)) : until - from;
  }
  /// The moment at which so many units have passed since `from`; negative: before it.
  double after(double from, double units) const {
    return table_ ? table_->moment_of(table_->units_by(from) + units / scale_) : from + units;
  }

 private:
  std::shared_ptr<const ClockTable> table_;
  double scale_ = 1;
};

/// The clock from the beginning of the as_of day: calendar days x to days of the clock and back.
class ClockAhead {
 public:
  ClockAhead() = default;
  ClockAhead(StadiumClock clock, Day as_of) : clock_(std::move(clock)), origin_(as_of) {}
  bool identity() const { return clock_.identity(); }
  double units(double x_days) const { return identity() ? x_days : clock_.units(origin_, origin_ + x_days); }
  double days(double units) const { return identity() ? units : clock_.after(origin_, units) - origin_; }
  /// log of the mean rate over the year to come.
  double log_rate_of_year() const;

 private:
  StadiumClock clock_;
  Day origin_ = 0;
};

/// A law of clock days told in days of the calendar.
class ClockedLaw final : public NextMoltLaw {
 public:
  /// `first_day`: that of `base` in days of the calendar.
  ClockedLaw(std::unique_ptr<NextMoltLaw> base, ClockAhead clock, double first_day);
  double survival(double x_days) const override;
  double share_beyond(const PredictiveComponent& point, double x_days) const override;

 private:
  std::unique_ptr<NextMoltLaw> base_;
  ClockAhead clock_;
};

/// The law itself where the clock is that of the calendar.
std::unique_ptr<NextMoltLaw> clocked(std::unique_ptr<NextMoltLaw> base, const ClockAhead& clock, double first_day);

}  // namespace moltspan
