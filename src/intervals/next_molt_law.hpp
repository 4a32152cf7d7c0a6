#pragma once

#include <memory>
#include <utility>
#include <vector>

#include "intervals/predictive.hpp"

namespace moltspan {

/// Survival function of the days until the next molt of one animal, counted from the beginning of the as_of day.
class NextMoltLaw {
 public:
  virtual ~NextMoltLaw() = default;
  /// P(no molt by day x | what was watched), 1 up to `first_day`.
  virtual double survival(double x_days) const = 0;
  /// Chance of no molt by day x of one point, up to a factor that is the same for all x: what tells how the points
  /// share the days.
  virtual double share_beyond(const PredictiveComponent&, double x_days) const { return survival(x_days); }
  double first_day() const { return first_day_; }
  /// Chance of no molt within the time watched, as it stood at its beginning: small = overdue.
  double survival_at_start() const { return survival_at_start_; }
  double quantile(double p, double from) const;

 protected:
  double first_day_ = 0, survival_at_start_ = 1;
};

/// A possible moment of the start, by the age in days that the animal then has at the beginning of the as_of day.
struct StartAge {
  double weight = 0, age_days = 0;
};

/// Running stadium of known start.
class RunningLaw final : public NextMoltLaw {
 public:
  /// `watched_days`: end of the last watched day, on the scale of x. `counted`: weight with which the running stadium
  /// counts in the weights of the points.
  RunningLaw(Family family, std::vector<PredictiveComponent> points, std::vector<StartAge> starts, double watched_days,
             double counted = 1);
  double survival(double x_days) const override;
  double share_beyond(const PredictiveComponent& point, double x_days) const override { return point_survival(point, x_days); }

 private:
  double point_survival(const PredictiveComponent& point, double x_days) const;

  Family family_;
  std::vector<PredictiveComponent> points_;
  std::vector<StartAge> starts_;
};

/// The first of several laws, mixed with the others.
class MixedLaw final : public NextMoltLaw {
 public:
  using Part = std::pair<double, std::unique_ptr<NextMoltLaw>>;  ///< weight and law
  explicit MixedLaw(std::vector<Part> parts);
  double survival(double x_days) const override;
  double share_beyond(const PredictiveComponent& point, double x_days) const override {
    return parts_.front().second->share_beyond(point, x_days);
  }

 private:
  std::vector<Part> parts_;
};

/// A few points of another family with the mean and sd of log T that these have, like ones joined.
std::vector<PredictiveComponent> in_family(std::vector<PredictiveComponent> points, Family from, Family to);

/// No molt on record: watched for `watched_days` up to day x = `now`, from a random moment of a stadium.
class RandomMomentLaw final : public NextMoltLaw {
 public:
  RandomMomentLaw(Family family, std::vector<PredictiveComponent> points, double watched_days, double now);
  double survival(double x_days) const override;
  double share_beyond(const PredictiveComponent& point, double x_days) const override {
    return rest(point, watched_days_ + std::max(x_days - first_day_, 0.0));
  }

 private:
  double rest(const PredictiveComponent& point, double age_days) const;

  Family family_;
  std::vector<PredictiveComponent> points_;
  double watched_days_, at_now_ = 1;
};

}  // namespace moltspan
