#include "clock/temperatures.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>

namespace moltspan {
namespace {

constexpr double month_days = 365.25 / 12;
constexpr int longest_step_months = 4;   ///< between two means that are compared
constexpr int least_months = 9;          ///< of rows, from which they tell a course of the year
constexpr double prior_course_c = 3;     ///< sd of its cosine and sine
constexpr double least_sd_c = 0.1;       ///< what thermometers hide
constexpr double least_course_c = 0.2;   ///< amplitude that is worth following
constexpr double prior_share_sd = 0.5;   ///< of an animal's share in the course of all, about 1
constexpr int robust_rounds = 12;

/// Mean of an animal's temperatures over about a month, and the same of cosine and sine.
struct Month {
  double days = 0, temperature_c = 0, cosine = 0, sine = 0;
};

struct Step {
  int from = 0, to = 0;  ///< months
  double change_c = 0, cosine = 0, sine = 0;
};

std::map<int, Month> months_of(const std::vector<TemperatureSpan>& spans) {
  std::map<int, Month> months;
  for (const TemperatureSpan& s : spans) {
    const double days = s.until - s.from, middle = 0.5 * (s.from + s.until);
    if (!(days > 0) || days > 3 * month_days) continue;  // a mean over a season tells next to nothing of the year
    Month& month = months[static_cast<int>(std::floor(middle / month_days))];
    month.days += days;
    month.temperature_c += days * s.mean_c;
    month.cosine += days * YearlyCourse{1, 0}.mean(s.from, s.until);
    month.sine += days * YearlyCourse{0, 1}.mean(s.from, s.until);
  }
  return months;
}

std::vector<Step> steps_of(const std::vector<TemperatureSpan>& spans) {
  std::vector<Step> steps;
  const auto months = months_of(spans);
  for (auto next = months.begin(); next != months.end(); ++next) {
    if (next == months.begin()) continue;
    const auto& [from, a] = *std::prev(next);
    const auto& [to, b] = *next;
    if (to - from > longest_step_months) continue;
    steps.push_back({from, to, b.temperature_c / b.days - a.temperature_c / a.days, b.cosine / b.days - a.cosine / a.days,
                     b.sine / b.days - a.sine / a.days});
  }
  return steps;
}

/// Steps of all animals, one a pair of months: those of one roof say the same.
std::vector<Step> common_steps(const StadiaTable& table) {
  std::map<std::pair<int, int>, std::pair<Step, double>> sums;
  for (const AnimalHistory& history : table.animals)
    for (const Step& step : steps_of(history.temperatures)) {
      auto& [sum, n] = sums[{step.from, step.to}];
      sum.change_c += step.change_c;
      sum.cosine += step.cosine;
      sum.sine += step.sine;
      ++n;
    }
  std::vector<Step> steps;
  for (const auto& [months, entry] : sums) {
    const auto& [sum, n] = entry;
    steps.push_back({months.first, months.second, sum.change_c / n, sum.cosine / n, sum.sine / n});
  }
  return steps;
}

double median_of(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

double robust_scale(const Eigen::VectorXd& residuals) {
  std::vector<double> sizes;
  for (double r : residuals) sizes.push_back(std::abs(r));
  return std::max(1.4826 * median_of(sizes), least_sd_c);
}

/// Regression with Cauchy weights and normal priors; `scale` is set to that of the residuals.
Eigen::VectorXd robust_fit(const Eigen::MatrixXd& x, const Eigen::VectorXd& y, const Eigen::VectorXd& prior, double prior_sd,
                           double& scale) {
  Eigen::VectorXd b = prior;
  scale = robust_scale(y - x * b);
  for (int round = 0; round < robust_rounds; ++round) {
    const Eigen::VectorXd r = (y - x * b) / scale, w = (1 + (r / 2).array().square()).inverse().matrix() / (scale * scale);
    Eigen::MatrixXd a = x.transpose() * w.asDiagonal() * x;
    a.diagonal().array() += 1 / (prior_sd * prior_sd);
    b = a.ldlt().solve(x.transpose() * (w.asDiagonal() * y) + prior / (prior_sd * prior_sd));
    scale = robust_scale(y - x * b);
  }
  return b;
}

bool vary(const std::vector<TemperatureSpan>& spans) {
  return std::any_of(spans.begin(), spans.end(), [&](const auto& s) { return s.mean_c != spans.front().mean_c; });
}

/// Share of the course of all that an animal's own rows follow: 0 in a heated box, 1 in the room.
double share_of_course(const std::vector<TemperatureSpan>& spans, const YearlyCourse& course) {
  const auto steps = steps_of(spans);
  if (steps.empty()) return 1;
  Eigen::MatrixXd x(static_cast<Eigen::Index>(steps.size()), 1);
  Eigen::VectorXd y(x.rows());
  for (Eigen::Index i = 0; i < x.rows(); ++i) {
    const Step& step = steps[static_cast<std::size_t>(i)];
    x(i, 0) = course.cosine * step.cosine + course.sine * step.sine;
    y[i] = step.change_c;
  }
  double scale = 0;
  const double share = robust_fit(x, y, Eigen::VectorXd::Ones(1), prior_share_sd, scale)[0];
  return std::clamp(share, 0.0, 2.0);
}

}  // namespace

LearnedTemperatures learn_temperatures(const StadiaTable& table) {
  LearnedTemperatures result;
  for (const AnimalHistory& history : table.animals) result.vary = result.vary || vary(history.temperatures);
  if (!result.vary) return result;
  const auto steps = common_steps(table);
  if (steps.empty()) return result;
  Eigen::MatrixXd x(static_cast<Eigen::Index>(steps.size()), 2);
  Eigen::VectorXd y(x.rows());
  int first = steps.front().from, last = steps.front().to;
  for (Eigen::Index i = 0; i < x.rows(); ++i) {
    const Step& step = steps[static_cast<std::size_t>(i)];
    x.row(i) << step.cosine, step.sine;
    y[i] = step.change_c;
    first = std::min(first, step.from);
    last = std::max(last, step.to);
  }
  double scale = 0;
  const bool enough = last - first >= least_months - 1 && x.rows() >= least_months - 1;
  const Eigen::VectorXd fitted =
      enough ? robust_fit(x, y, Eigen::VectorXd::Zero(2), prior_course_c, scale) : Eigen::VectorXd(Eigen::VectorXd::Zero(2));
  if (!enough) scale = robust_scale(y);
  if (fitted.norm() > least_course_c) result.course = {fitted[0], fitted[1]};
  result.sd = scale / std::sqrt(2.0);
  return result;
}

TemperatureCourse::TemperatureCourse(const std::vector<TemperatureSpan>& spans, const YearlyCourse& course, double,
                                     double usual_c)
    : spans_(spans), course_(course), usual_c_(usual_c) {
  constant_ = spans_.empty() ? course.flat() : !vary(spans_);
  if (constant_) course_ = {};
  if (!spans_.empty() && !course_.flat()) {
    const double share = share_of_course(spans_, course_);
    course_ = {share * course.cosine, share * course.sine};
  }
  std::stable_sort(spans_.begin(), spans_.end(), [](const auto& a, const auto& b) { return a.from < b.from; });
  for (TemperatureSpan& s : spans_) s.mean_c -= course_.mean(s.from, s.until);
}

std::vector<double> TemperatureCourse::by_day(Day first, Day until) const {
  std::vector<double> result;
  std::size_t next = 0;
  double level = spans_.empty() ? usual_c_ : spans_.front().mean_c;
  for (Day day = first; day < until; ++day) {
    while (next < spans_.size() && spans_[next].from <= day) level = spans_[next++].mean_c;
    result.push_back(level + course_.at(day + 0.5));
  }
  return result;
}

}  // namespace moltspan
