#include <algorithm>
#include <cmath>
#include <limits>

#include "moltspan/numeric/philox.hpp"
#include "moltspan/simulate/simulate.hpp"

namespace moltspan {
namespace {

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr std::uint32_t signs_purpose = 7;  // next after the purposes in simulate.cpp

/// Draws the signs of one stadium, for the time that it was watched: from `begin` to `end`, in days from first_day.
struct SignMaker {
  const SimulationOptions& o;
  const TrueStadium& stadium;
  int index;
  double begin, end;
  numeric::RandomStream& draws;
  std::vector<TrueSign>& signs;

  void add(double day, Event event, bool false_alarm = false) {
    if (day >= begin && day < end) signs.push_back({static_cast<int>(std::floor(day)), event, index, false_alarm});
  }

  /// The day from which the sign shows: a log-normal lag before the molt.
  double sign_day(double median_days) {
    const double lag =
        median_days * std::exp(o.sign_lag_exponent * stadium.log_size + o.sign_lag_log_sd * draws.normal());
    return stadium.end_day() - lag;
  }

  /// A Poisson process of false alarms.
  void add_false_alarms(Event event) {
    if (o.false_signs_per_year == 0) return;
    const double gap = 365.25 / o.false_signs_per_year;
    for (double day = begin + gap * draws.exponential(); day < end; day += gap * draws.exponential())
      add(day, event, true);
  }

  void add_darkened() {
    const bool noted = draws.uniform() < o.darkened_chance;
    const double day = sign_day(o.sign_lag_days);
    if (noted) add(day, Event::darkened);
    if (o.darkened_chance > 0) add_false_alarms(Event::darkened);
  }

  /// Offers are eaten until the refusals begin; those are written only where this keeper notes them.
  void add_meals() {
    const bool noted = draws.uniform() < o.refused_chance;
    const double refuses_from = sign_day(o.refused_lag_days > 0 ? o.refused_lag_days : o.sign_lag_days);
    if (o.meal_every_days == 0 && noted) add(refuses_from, Event::refused);
    for (double day = begin; o.meal_every_days > 0 && day < end; day += o.meal_every_days) {
      if (day < refuses_from) add(day, Event::ate);
      if (day >= refuses_from && noted) add(day, Event::refused);
    }
    if (o.refused_chance > 0) add_false_alarms(Event::refused);
  }
};

}  // namespace

std::vector<TrueSign> simulate_signs(const Simulation& simulation, int animal) {
  const SimulationOptions& o = simulation.options;
  const TrueAnimal& a = simulation.animals.at(static_cast<std::size_t>(animal));
  std::vector<TrueSign> signs;
  if (o.darkened_chance == 0 && o.refused_chance == 0 && o.meal_every_days == 0) return signs;
  numeric::RandomStream draws(simulation.seed,
                              {signs_purpose, static_cast<std::uint32_t>(animal), simulation.replicate});
  const double first = a.check_days.front(), last = a.check_days.back() + 1.0;
  for (std::size_t k = 0; k < a.life.size(); ++k) {
    const TrueStadium& stadium = a.life[k];
    // Nothing on the days of the molts themselves, where a sign could be read as one of the other instar.
    const double begin = std::max(first, std::floor(stadium.start_day) + 1);
    const double end = std::min(last, std::isinf(stadium.length_days) ? infinity : std::floor(stadium.end_day()));
    SignMaker maker{o, stadium, static_cast<int>(k), begin, end, draws, signs};
    maker.add_darkened();
    maker.add_meals();
  }
  std::stable_sort(signs.begin(), signs.end(), [](const TrueSign& x, const TrueSign& y) { return x.day < y.day; });
  return signs;
}

}  // namespace moltspan
