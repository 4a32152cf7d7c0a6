#pragma once

/// @file
/// The clock of development: a stadium ends once so much development is done, at a rate that follows the temperature
/// and the season. Days of the clock are days at the usual rate.
namespace moltspan {

/// A course over the year: cosine cos(w t) + sine sin(w t), w = 2 pi / 365.25, t in days since 1970-01-01.
struct YearlyCourse {
  double cosine = 0, sine = 0;

  bool flat() const { return cosine == 0 && sine == 0; }
  double at(double moment) const;
  double mean(double from, double until) const;
  double amplitude() const;
  /// Day of the year on which it is highest, from 0 (the beginning of January 1st) up to 365.25.
  double top_day_of_year() const;
};

/// A season of the rate that no thermometer explains, common to all animals. `log_rate` is the posterior mean of its
/// cosine and sine under a prior of `none` (sd .02, share .7) and `some` (sd .2); flat where the records do not bear one
/// out.
struct SeasonFit {
  bool looked_for = false;  ///< enough closed stadia over enough of a year
  YearlyCourse log_rate;
  double amplitude_sd = 0;   ///< of the log rate
  double chance = 0;         ///< of `some`
};

/// The clock of a collection. Identity where neither temperatures within animals nor a season speak.
struct ClockFit {
  SeasonFit season;
  /// log T a degree with which the clock runs; 0 where the rows of no animal vary.
  double warmth = 0;
  YearlyCourse temperature_c;  ///< what the rows tell of the year; flat: the last temperatures stay
  double temperature_sd = 0;   ///< of monthly means about course and level, C
  /// Slope of the log rates at closed ends in `warmth`, which the density of lengths has beside that of clock days.
  double warmth_slope = 0;

  bool runs() const { return warmth != 0 || !season.log_rate.flat(); }
};

}  // namespace moltspan
