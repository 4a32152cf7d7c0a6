#include "clock/clock.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace moltspan {
namespace {

constexpr double year_days = 365.25;
constexpr double turn = 2 * std::numbers::pi / year_days;

}  // namespace

double YearlyCourse::at(double moment) const {
  return flat() ? 0 : cosine * std::cos(turn * moment) + sine * std::sin(turn * moment);
}

double YearlyCourse::mean(double from, double until) const {
  if (flat()) return 0;
  if (!(until > from)) return at(from);
  const double width = turn * (until - from);
  return (cosine * (std::sin(turn * until) - std::sin(turn * from)) +
          sine * (std::cos(turn * from) - std::cos(turn * until))) /
         width;
}

double YearlyCourse::amplitude() const { return std::hypot(cosine, sine); }

double YearlyCourse::top_day_of_year() const {
  const double day = std::atan2(sine, cosine) / turn;
  return day < 0 ? day + year_days : day;
}

ClockTable::ClockTable(Day first, std::vector<double> rates) : first_(first), rates_(std::move(rates)) {
  units_.reserve(rates_.size() + 1);
  units_.push_back(0);
  for (double rate : rates_) units_.push_back(units_.back() + rate);
  per_period_ = units_.back() - units_[units_.size() - 1 - clock_period_days];
}

double ClockTable::units_by(double moment) const {
  const double t = moment - first_, end = static_cast<double>(rates_.size());
  if (t <= 0) return t * rates_.front();
  const double periods = t < end ? 0 : std::floor((t - end) / clock_period_days) + 1, inside = t - periods * clock_period_days;
  const auto day = std::min(static_cast<std::size_t>(inside), rates_.size() - 1);
  return periods * per_period_ + units_[day] + (inside - static_cast<double>(day)) * rates_[day];
}

double ClockTable::moment_of(double units) const {
  if (units <= 0) return first_ + units / rates_.front();
  const double periods = units < units_.back() ? 0 : std::floor((units - units_.back()) / per_period_) + 1,
               inside = units - periods * per_period_;
  const auto above = std::upper_bound(units_.begin(), units_.end() - 1, inside) - units_.begin();
  const auto day = static_cast<std::size_t>(std::max<std::ptrdiff_t>(above - 1, 0));
  return first_ + periods * clock_period_days + static_cast<double>(day) + (inside - units_[day]) / rates_[day];
}

double ClockTable::rate_at(double moment) const {
  const double t = moment - first_, end = static_cast<double>(rates_.size());
  if (t <= 0) return rates_.front();
  const double periods = t < end ? 0 : std::floor((t - end) / clock_period_days) + 1;
  return rates_[std::min(static_cast<std::size_t>(t - periods * clock_period_days), rates_.size() - 1)];
}

double ClockAhead::log_rate_of_year() const { return identity() ? 0 : std::log(units(year_days) / year_days); }

ClockedLaw::ClockedLaw(std::unique_ptr<NextMoltLaw> base, ClockAhead clock, double first_day)
    : base_(std::move(base)), clock_(std::move(clock)) {
  first_day_ = first_day;
  survival_at_start_ = base_->survival_at_start();
}

double ClockedLaw::survival(double x_days) const { return base_->survival(clock_.units(x_days)); }

double ClockedLaw::share_beyond(const PredictiveComponent& point, double x_days) const {
  return base_->share_beyond(point, clock_.units(x_days));
}

std::unique_ptr<NextMoltLaw> clocked(std::unique_ptr<NextMoltLaw> base, const ClockAhead& clock, double first_day) {
  if (clock.identity()) return base;
  return std::make_unique<ClockedLaw>(std::move(base), clock, first_day);
}

}  // namespace moltspan
