#pragma once

#include <chrono>
#include <cmath>
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

#include "moltspan/next_molt/length_fit.hpp"
#include "moltspan/stadium/random_moment.hpp"

/// @file
/// The next molt of an animal from dates and sizes alone: days in, days out.
namespace moltspan {

using Date = std::chrono::sys_days;

/// A molt on some day of a range; a single day where it was seen.
struct DatedMolt {
  DatedMolt(Date day) : earliest(day), latest(day) {}  // NOLINT: a day is a range of one
  DatedMolt(Date first, Date last) : earliest(first), latest(last) {}
  Date earliest, latest;
};

/// What is known of one animal: its molts in the order of time, the leg span after each (NaN or left out = not measured), the
/// last day on which it was seen not to have molted since; without any molt, the day from which on it was watched.
struct MoltHistory {
  std::vector<DatedMolt> molts;
  std::vector<double> leg_span_mm = {};
  Date watched_until{}, watched_from{};
};

/// A span of days that holds the next molt with a probability.
struct DateBand {
  double probability = 0;
  Date first{}, last{};
};

/// When the next molt is most likely. `surprise`: the chance, as it stood when the stadium began, that it would last beyond
/// `watched_until`; small = overdue, or a molt was missed.
struct MoltForecast {
  Date median{};
  std::vector<DateBand> bands;  ///< central, of 50, 80 and 95 %
  double surprise = 1;
};

/// Stadium between two dated molts (a day stands for some moment in it).
inline StadiumBounds stadium_between(const DatedMolt& start, const DatedMolt& end) {
  const auto days = [](auto span) { return static_cast<double>(span.count()); };
  StadiumBounds bounds;
  bounds.start_range_days = days(start.latest - start.earliest) + 1;
  bounds.end_range_days = days(end.latest - end.earliest) + 1;
  bounds.min_days = std::max(days(end.earliest - start.latest) - 1, 0.0);
  bounds.max_days = days(end.latest - start.earliest) + 1;
  return bounds;
}

/// The current stadium: it had lasted until the end of a day.
inline StadiumBounds stadium_since(const DatedMolt& start, Date watched_until) {
  StadiumBounds bounds;
  bounds.start_range_days = static_cast<double>((start.latest - start.earliest).count()) + 1;
  bounds.min_days = std::max(static_cast<double>((watched_until - start.latest).count()), 0.0);
  return bounds;
}

namespace next_molt_detail {

inline void check(const MoltHistory& history, std::size_t animal) {
  const auto refuse = [animal](const std::string& what) {
    throw std::invalid_argument("next_molt: animal " + std::to_string(animal) + ": " + what);
  };
  for (std::size_t i = 0; i < history.molts.size(); ++i) {
    if (history.molts[i].latest < history.molts[i].earliest) refuse("molt " + std::to_string(i) + " ends before it begins");
    if (i > 0 && history.molts[i].earliest <= history.molts[i - 1].latest)
      refuse("molt " + std::to_string(i) + " does not lie after the one before; give them in the order of time");
  }
  if (!history.molts.empty() && history.watched_until < history.molts.back().latest)
    refuse("watched_until lies before the last molt");
  if (history.leg_span_mm.size() > history.molts.size()) refuse("more leg spans than molts; there is one after each molt");
}

/// All stadia of an animal, the current one last.
inline void add_stadia(const MoltHistory& history, int animal, std::vector<StadiumRecord>& records) {
  for (std::size_t i = 0; i < history.molts.size(); ++i) {
    const bool current = i + 1 == history.molts.size();
    const double span = i < history.leg_span_mm.size() ? history.leg_span_mm[i] : std::nan("");
    records.push_back({current ? stadium_since(history.molts[i], history.watched_until)
                               : stadium_between(history.molts[i], history.molts[i + 1]),
                       span, animal});
  }
}

inline Date day_of(Date from, double days) { return from + std::chrono::days(static_cast<int>(std::floor(days))); }

/// Forecast from quantiles (.025, .1, .25, .5, .75, .9, .975) in days counted from the beginning of a date.
inline MoltForecast forecast_of(Date from, const Eigen::VectorXd& q, double surprise) {
  return {day_of(from, q[3]),
          {{0.5, day_of(from, q[2]), day_of(from, q[4])},
           {0.8, day_of(from, q[1]), day_of(from, q[5])},
           {0.95, day_of(from, q[0]), day_of(from, q[6])}},
          surprise};
}

inline Eigen::VectorXd probabilities() {
  Eigen::VectorXd p(7);
  p << 0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975;
  return p;
}

}  // namespace next_molt_detail

/// The next molt of `animals[which]`, whose kin are the others: same model, priors and treatment of its current stadium as
/// `LengthFit`. The start of the current stadium, known to a range of days, is taken in its middle for the forecast. An animal
/// without any molt on record is taken as met at a random moment of a stadium (size 20 mm) and watched since. Throws
/// std::invalid_argument that names the animal for histories out of order.
template <StadiumLaw Law = NormalLaw>
MoltForecast next_molt(const std::vector<MoltHistory>& animals, std::size_t which, const StadiumPriors& priors = {},
                       const Maximiser& maximiser = numeric::Bfgs{}) {
  using namespace next_molt_detail;
  std::vector<StadiumRecord> records;
  std::size_t current = 0;
  for (std::size_t i = 0; i < animals.size(); ++i) {
    check(animals[i], i);
    add_stadia(animals[i], static_cast<int>(i), records);
    if (i == which) current = records.size() - 1;
  }
  const MoltHistory& own = animals.at(which);
  const Date next_day = own.watched_until + std::chrono::days(1);
  if (own.molts.empty()) {  // nothing is known of its current stadium but that it lasts
    records.push_back({{}, std::nan(""), static_cast<int>(which)});
    const LengthFit<Law> fit(records, priors, Truncation::conditional, maximiser);
    const RandomMoment<Law> rest(fit.without_record(records.size() - 1), static_cast<double>((next_day - own.watched_from).count()));
    return forecast_of(next_day, rest.quantiles_days(probabilities()), rest.survival_at_start());
  }
  const LengthFit<Law> fit(records, priors, Truncation::conditional, maximiser);
  const double half_range = 0.5 * records[current].bounds.start_range_days;
  const double elapsed = records[current].bounds.min_days + half_range;
  const auto components = fit.without_record(current);
  double surprise = 0, total = 0;
  for (const auto& c : components) total += c.weight, surprise += c.weight * predictive_survival<Law>(c, elapsed);
  const Eigen::VectorXd days = conditional_quantiles<Law>(components, elapsed, probabilities());
  return forecast_of(next_day, (days.array() - elapsed).matrix(), surprise / total);
}

/// The same for one animal by itself.
template <StadiumLaw Law = NormalLaw>
MoltForecast next_molt(const MoltHistory& animal, const StadiumPriors& priors = {}) {
  return next_molt<Law>(std::vector{animal}, 0, priors);
}

}  // namespace moltspan
