#include "moltspan/signs/signs.hpp"

#include <algorithm>
#include <cmath>

#include "moltspan/numeric/normal.hpp"
#include "signs/priors.hpp"

namespace moltspan {
namespace {

std::optional<Sign> sign_of(Event event) {
  switch (event) {
    case Event::refused:
      return Sign::refused;
    case Event::darkened:
      return Sign::darkened;
    case Event::sealed_in:
      return Sign::sealed_in;
    case Event::sluggish:
      return Sign::sluggish;
    case Event::molt_mat:
      return Sign::molt_mat;
    default:
      return {};
  }
}

double middle(const DayRange& when) { return 0.5 * (when.earliest + when.latest + 1); }

void add_entry(const Entry& e, SignTimeline& timeline) {
  if (const auto sign = sign_of(e.event)) timeline.signs.push_back({middle(e.when), *sign});
  if (e.event == Event::ate) timeline.meals.push_back(middle(e.when));
  if (e.event == Event::mated) timeline.matings.push_back(middle(e.when));
}

void sort_days(SignTimeline& timeline) {
  std::sort(timeline.signs.begin(), timeline.signs.end());
  std::sort(timeline.meals.begin(), timeline.meals.end());
  std::sort(timeline.matings.begin(), timeline.matings.end());
}

/// First of the sorted days after `day`, or infinity.
double next_after(const std::vector<double>& days, double day) {
  const auto found = std::upper_bound(days.begin(), days.end(), day);
  return found == days.end() ? INFINITY : *found;
}

double lag_cdf(double lag_days, double median, double log_sd) {
  return lag_days <= 0 ? 0 : numeric::Phi(std::log(lag_days / median) / log_sd);
}

double lag_density(double lag_days, double median, double log_sd) {
  if (lag_days <= 0) return 0;
  return std::exp(numeric::log_phi(std::log(lag_days / median) / log_sd)) / (lag_days * log_sd);
}

}  // namespace

std::string_view sign_name(Sign sign) {
  static constexpr std::string_view names[] = {"refused", "darkened", "sealed_in", "sluggish", "molt_mat"};
  return names[static_cast<std::size_t>(sign)];
}

double SignParameters::median_lag_days(double log_size) const { return lag_days * std::exp(lag_exponent * log_size); }

std::vector<SignTimeline> sign_timelines(const Collection& collection, const StadiaTable& table) {
  std::vector<SignTimeline> timelines(collection.animals.size());
  for (const Entry& e : collection.entries) {
    if (e.animal < 0 || e.when.latest > table.as_of) continue;
    const auto& ended = table.animals[e.animal].ended;
    if (!ended || e.when.earliest <= *ended) add_entry(e, timelines[e.animal]);
  }
  for (SignTimeline& timeline : timelines) sort_days(timeline);
  return timelines;
}

SignRecord sign_record(const SignTimeline& timeline, Sign sign, double from, double until) {
  const SignRules& rules = sign_rules(sign);
  SignRecord record{false, 0, from, until, 0, 0, 1};
  double open_from = from;
  for (const auto& [day, kind] : timeline.signs) {
    if (kind != sign || day < open_from || day >= until) continue;
    const double meal = next_after(timeline.meals, day);
    record.alarm_days += day - open_from;
    if (meal < until && rules.meal_ends) {
      ++record.ended;
      open_from = meal;
      continue;
    }
    record.shown = true;
    record.first_day = day;
    if (meal < until) record.weight *= sign_settings().weakened;
    break;
  }
  if (!record.shown) record.alarm_days += until - open_from;
  if (next_after(timeline.matings, from - 1e-9) < until) record.weight *= rules.after_mating;
  return record;
}

double sign_likelihood(const SignRecord& record, const SignParameters& p, double log_size, double molt_day,
                       double alarm_factor, bool true_part) {
  const double median = p.median_lag_days(log_size), sd = p.lag_log_sd, q = p.noted;
  const double before = 1 - lag_cdf(molt_day - record.from, median, sd);
  if (!record.shown) return 1 - q + q * (lag_cdf(molt_day - record.until, median, sd) + before);
  const double lag = molt_day - record.first_day;
  const double chance = p.alarms_per_day * alarm_factor * (1 - q + q * (lag_cdf(lag, median, sd) + before));
  return true_part ? q * lag_density(lag, median, sd) + chance : chance;
}

double sign_alarm_factor(Sign sign, const Animal& animal) {
  const bool setae = animal.hazards.stated ? animal.hazards.urticating_setae
                                           : animal.world == World::new_world && kind_of(animal).is_tarantula;
  return setae ? sign_rules(sign).bald_patch_alarms : 1;
}

double sign_sharing(int n_shown) { return 1 / (1 + sign_settings().shared * std::max(0, n_shown - 1)); }

}  // namespace moltspan
