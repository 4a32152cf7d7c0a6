#include "forecast/maturity.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "facts/husbandry.hpp"
#include "forecast/words.hpp"
#include "moltspan/numeric/normal.hpp"
#include "stadia/molts.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr double days_per_month = 30.4375;
constexpr std::array<double, 3> shapes{1.5, 2.2, 3.2};  ///< of the Weibull: 2.2 puts 95 % between .22 and 2.1 medians
constexpr int n_shifts = 21;                            ///< of the median's factor, to 2.5 sd either way
constexpr double farthest_z = 2.5;
constexpr double sure_male = 0.8, sure_female = 0.2;  ///< from which a sex counts as known
constexpr double likely = 0.5;                        ///< chance from which "likely" is said

bool is_tarantula(const Animal& animal) {
  return kind_of(animal).is_tarantula;
}

bool is_mature_male(const CollectionFit& fit, int i) {
  const AnimalHistory& h = fit.animal(i).history();
  return !fit.animal(i).record().set_aside && h.molts_no_more && h.male_chance >= sure_male;
}

double median_days(Pace pace) {
  const Husbandry& h = husbandry();
  const double months = pace == Pace::fast   ? h.mature_male_fast_months
                        : pace == Pace::slow ? h.mature_male_slow_months
                                             : h.mature_male_medium_months;
  return months * days_per_month;
}

/// A life after maturity as the records show it, in days; the molt is taken in the middle of its range.
struct Life {
  double median = 0, age = 0, entry = 0;
  bool died = false;

  double log_likelihood(double factor, double shape) const {
    const double m = median * factor, ln2 = std::log(2.0);
    const double gone = ln2 * (std::pow(age / m, shape) - std::pow(entry / m, shape));
    return (died ? std::log(ln2 * shape / m) + (shape - 1) * std::log(age / m) : 0) - gone;
  }
};

double matured_on(const AnimalHistory& h) {
  const DayRange& when = h.molts[h.matured_molt].when;
  return 0.5 * (when.earliest + when.latest + 1);
}

Life life_of(const CollectionFit& fit, int i) {
  const AnimalHistory& h = fit.animal(i).history();
  const Animal& a = fit.animal(i).record();
  Life life;
  life.median = median_days(a.pace);
  life.died = h.state == AnimalState::died;
  life.age = std::max(0.5, (life.died ? *h.ended + 0.5 : h.last_watched + 1.0) - matured_on(h));
  if (a.acquired) life.entry = std::clamp(*a.acquired - matured_on(h), 0.0, life.age);
  return life;
}

void say_days_since_last_molt(const CollectionFit& fit, int animal, AnimalForecast& result) {
  const Day as_of = fit.table.as_of;
  result.notes.push_back(forecast_words::days_since_last_molt(as_of, fit.animal(animal).history().molts.back().when));
  if (result.mature_life) result.notes.push_back(forecast_words::life_left(as_of, *result.mature_life));
}

/// The next skin has the size of the instar that runs now.
void say_skin_tells_sex(const CollectionFit& fit, int animal, AnimalForecast& result) {
  const AnimalInputs& inputs = fit.animal(animal).inputs();
  const double male = fit.animal(animal).history().male_chance;
  if (!is_tarantula(fit.animal(animal).record()) || inputs.never_measured || male >= sure_male || male <= sure_female)
    return;
  const InstarSize& size = inputs.sizes.back();
  const Husbandry& h = husbandry();
  const double chance = numeric::Phi((size.mean - std::log(h.skin_sexing_mm / 20)) /
                                     std::sqrt(size.variance + h.skin_sexing_log_sd * h.skin_sexing_log_sd));
  if (chance >= likely)
    result.notes.push_back(forecast_words::skin_tells_sex(chance, h.skin_sexing_mm));
}

bool is_grown_female(const CollectionFit& fit, int animal) {
  const AnimalHistory& h = fit.animal(animal).history();
  const double adult = fit.animal(animal).record().adult_leg_span_mm;
  const double mm = 20 * std::exp(fit.animal(animal).size().mean);
  return h.male_chance <= sure_female && (h.matured || mm > husbandry().adult_share * adult);
}

/// Mature males of its kind that are alive, by name.
std::string suitors(const CollectionFit& fit, int animal) {
  std::string names;
  for (std::size_t i = 0; i < fit.animals.size(); ++i) {
    const int other = static_cast<int>(i);
    if (fit.animal(other).record().taxon != fit.animal(animal).record().taxon || !is_mature_male(fit, other) ||
        fit.animal(other).history().state != AnimalState::alive)
      continue;
    names += (names.empty() ? "" : ", ") + fit.animal(other).record().id;
  }
  return names;
}

/// A molt discards what a female has stored of a pairing.
void say_pairing(const CollectionFit& fit, int animal, AnimalForecast& result) {
  if (!is_grown_female(fit, animal) || after_maturity_of(fit.animal(animal).record(), 0) != AfterMaturity::goes_on) return;
  const std::string males = suitors(fit, animal);
  if (males.empty()) return;
  const int horizon = chance_horizons_days[std::size(chance_horizons_days) - 1];
  result.notes.push_back(forecast_words::pairing(males, result.chance_within_days.back(), fit.table.as_of + horizon));
}

}  // namespace

MatureLives::MatureLives(const CollectionFit& fit) : fit_(fit) {
  std::vector<Life> lives;
  for (std::size_t i = 0; i < fit.animals.size(); ++i) {
    const int animal = static_cast<int>(i);
    if (!is_mature_male(fit, animal) || !is_tarantula(fit.animal(animal).record())) continue;
    lives.push_back(life_of(fit, animal));
    deaths_ += lives.back().died;
  }
  double top = -INFINITY, total = 0;
  for (double shape : shapes)
    for (int i = 0; i < n_shifts; ++i) {
      const double z = farthest_z * (2.0 * i / (n_shifts - 1) - 1);
      Point point{-0.5 * z * z, std::exp(z * husbandry().mature_male_median_log_sd), shape};
      for (const Life& life : lives) point.weight += life.log_likelihood(point.factor, shape);
      top = std::max(top, point.weight);
      points_.push_back(point);
    }
  for (Point& point : points_) total += point.weight = std::exp(point.weight - top);
  for (Point& point : points_) point.weight /= total;
}

std::optional<MatureLife> MatureLives::of(int animal, const std::vector<double>& levels) const {
  if (!is_mature_male(fit_, animal) || !is_tarantula(fit_.animal(animal).record()) ||
      fit_.animal(animal).history().state != AnimalState::alive)
    return {};
  const Life life = life_of(fit_, animal);
  // Its own life so far is in the weights: each point counts with its survival beyond it, given that.
  const auto survival = [&](double days) {
    double sum = 0;
    for (const Point& p : points_) {
      const double m = life.median * p.factor;
      sum += p.weight * std::exp2(std::pow(life.age / m, p.shape) - std::pow((life.age + days) / m, p.shape));
    }
    return sum;
  };
  const double watched = fit_.animal(animal).history().last_watched + 1.0 - fit_.table.as_of;
  const auto quantile = [&](double p) {
    double low = 0, high = 32;
    while (survival(high) > 1 - p && high < 1e5) high *= 2;
    while (high - low > 1e-3) (survival(0.5 * (low + high)) > 1 - p ? low : high) = 0.5 * (low + high);
    return watched + 0.5 * (low + high);
  };
  MatureLife result{quantile(0.5), {}, deaths_};
  for (double level : levels) result.bands.push_back({level, quantile(0.5 * (1 - level)), quantile(0.5 * (1 + level))});
  return result;
}

void add_maturity_notes(const CollectionFit& fit, int animal, AnimalForecast& result) {
  const AnimalHistory& history = fit.animal(animal).history();
  const bool lives = history.state == AnimalState::alive && !fit.animal(animal).record().set_aside;
  if (lives && history.molts_no_more && !history.molts.empty()) return say_days_since_last_molt(fit, animal, result);
  if (result.quantile_days.empty()) return;
  say_skin_tells_sex(fit, animal, result);
  say_pairing(fit, animal, result);
}

}  // namespace moltspan
