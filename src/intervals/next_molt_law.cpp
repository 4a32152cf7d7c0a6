#include "intervals/next_molt_law.hpp"

#include <algorithm>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>

#include "moltspan/law/family.hpp"
#include "moltspan/stadium/random_moment.hpp"

namespace moltspan {
/// Root of the survival function, in days; `from` is a day at or before the quantile.
double NextMoltLaw::quantile(double p, double from) const {
  const auto excess = [&](double x) { return 1 - p - survival(x); };
  double low = std::max(from, first_day_), width = 8;
  if (excess(low) >= 0) return low;
  while (excess(low + width) < 0 && width < 1e7) {
    low += width;
    width *= 1.7;
  }
  if (excess(low + width) < 0) return low + width;  // millennia: a tail that no records bear out has no end to look for
  std::uintmax_t steps = 60;
  const auto root =
      boost::math::tools::toms748_solve(excess, low, low + width, boost::math::tools::eps_tolerance<double>(30), steps);
  return 0.5 * (root.first + root.second);
}

RunningLaw::RunningLaw(Family family, std::vector<PredictiveComponent> points, std::vector<StartAge> starts, double watched_days,
                       double counted)
    : family_(family), points_(std::move(points)), starts_(std::move(starts)) {
  first_day_ = watched_days;
  double without = 0, beyond = 0;
  for (PredictiveComponent& point : points_) {
    // Each point's weight counts the running stadium already: divided by its survival, so that it enters once.
    const double watched = std::max(point_survival(point, watched_days), 1e-300);
    point.weight /= std::pow(watched, counted);
    without += point.weight;
    beyond += point.weight * watched;
  }
  for (PredictiveComponent& point : points_) point.weight /= beyond;
  survival_at_start_ = beyond / without;
}

double RunningLaw::point_survival(const PredictiveComponent& point, double x_days) const {
  double sum = 0;
  for (const StartAge& start : starts_)
    sum += start.weight * predictive_survival(family_, point, start.age_days + x_days);
  return sum;
}

double RunningLaw::survival(double x_days) const {
  double sum = 0;
  for (const PredictiveComponent& point : points_) sum += point.weight * point_survival(point, x_days);
  return std::min(sum, 1.0);
}

MixedLaw::MixedLaw(std::vector<Part> parts) : parts_(std::move(parts)) {
  first_day_ = parts_.front().second->first_day();
  survival_at_start_ = 0;
  for (const auto& [weight, law] : parts_) survival_at_start_ += weight * law->survival_at_start();
}

double MixedLaw::survival(double x_days) const {
  double sum = 0;
  for (const auto& [weight, law] : parts_) sum += weight * law->survival(x_days);
  return std::min(sum, 1.0);
}

namespace {

constexpr std::size_t joined_points = 3;

/// Points joined in groups of about equal weight, from the least sigma to the greatest, each with the group's moments.
std::vector<PredictiveComponent> joined(std::vector<PredictiveComponent> points) {
  if (points.size() <= joined_points) return points;
  std::sort(points.begin(), points.end(), [](const PredictiveComponent& a, const PredictiveComponent& b) { return a.sigma < b.sigma; });
  double total = 0, before = 0;
  for (const PredictiveComponent& p : points) total += p.weight;
  std::vector<PredictiveComponent> groups(joined_points);
  std::vector<double> square(joined_points, 0.0);
  for (const PredictiveComponent& p : points) {
    const auto g =
        std::min(joined_points - 1, static_cast<std::size_t>((before + 0.5 * p.weight) / total * joined_points));
    before += p.weight;
    groups[g].weight += p.weight;
    groups[g].mean += p.weight * p.mean;
    square[g] += p.weight * (p.variance + p.mean * p.mean);
    groups[g].sigma += p.weight * p.sigma * p.sigma;
  }
  for (std::size_t g = 0; g < joined_points; ++g) {
    PredictiveComponent& p = groups[g];
    if (!(p.weight > 0)) continue;
    p.mean /= p.weight;
    p.variance = std::max(square[g] / p.weight - p.mean * p.mean, 0.0);
    p.sigma = std::sqrt(p.sigma / p.weight);
  }
  std::erase_if(groups, [](const PredictiveComponent& p) { return !(p.weight > 0); });
  return groups;
}

}  // namespace

std::vector<PredictiveComponent> in_family(std::vector<PredictiveComponent> points, Family from, Family to) {
  points = joined(std::move(points));
  const LawMoments old = moments_of(from), wanted = moments_of(to);
  for (PredictiveComponent& p : points) {
    const double mean = p.mean + p.sigma * old.mean;
    p.sigma *= std::sqrt(old.variance / wanted.variance);
    p.mean = mean - p.sigma * wanted.mean;
  }
  return points;
}

RandomMomentLaw::RandomMomentLaw(Family family, std::vector<PredictiveComponent> points, double watched_days, double now)
    : family_(family), points_(std::move(points)), watched_days_(watched_days) {
  first_day_ = now;
  at_now_ = 0;
  for (const PredictiveComponent& point : points_) at_now_ += point.weight * rest(point, watched_days_);
  at_now_ = std::max(at_now_, 1e-300);
  survival_at_start_ = std::min(at_now_, 1.0);
}

double RandomMomentLaw::rest(const PredictiveComponent& point, double age_days) const {
  return with_law(family_, [&](auto law) { return rest_of_stadium<decltype(law)>(point, age_days); });
}

double RandomMomentLaw::survival(double x_days) const {
  double sum = 0;
  for (const PredictiveComponent& point : points_)
    sum += point.weight * rest(point, watched_days_ + std::max(x_days - first_day_, 0.0));
  return std::min(sum / at_now_, 1.0);
}

}  // namespace moltspan
