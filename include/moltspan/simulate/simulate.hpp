#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "moltspan/intervals/intervals.hpp"
#include "moltspan/records/records.hpp"
#include "moltspan/stadia/stadia.hpp"

/// @file
/// Collections with known truth, for tests of coverage, studies of power and examples.
///
/// The laws are drawn by inversion from their textbook definitions; no likelihood code of the fit is used, so that an
/// error there cannot hide here. The same options, seed and replicate give the same collection on every machine.
namespace moltspan {

/// What to simulate. Times are days from the beginning of `first_day`; `as_of` is the day `first_day + study_days`.
///
/// Stadium: log T = intercept + exponent log(size / 20 mm) + temperature_effect (temperature - 25 C) + sex_effect male
///                  + u_genus + u_taxon + u_cohort + u_animal + sigma W.
/// Growth:  x_(k+1) = x_k + log_ratio + decline x_k + rho_taxon + r_animal + growth_sigma Z,   x = log(size / 20 mm).
/// All effects are normal with mean 0; Z is standard normal, W as the family says.
struct SimulationOptions {
  int n_animals = 20;
  int n_cohorts = 0;  ///< 0 = no cohorts; else animals are dealt out to them, and a cohort is of one taxon
  int n_taxa = 4;
  int n_genera = 2;

  Family family = Family::lognormal;
  double intercept = 4.5;             ///< log days at 20 mm, 25 C: about 90 days
  double exponent = 0.5;              ///< of size
  double temperature_effect = -0.08;  ///< per degree: Q10 about 2.2
  double sex_effect = 0;
  double sigma = 0.2;
  double genus_sd = 0.2, taxon_sd = 0.2, cohort_sd = 0.1, animal_sd = 0.15;

  double log_ratio = 0.25;  ///< log of the growth ratio at 20 mm: 1.28
  double decline = 0;       ///< change of the log ratio a log unit of size
  double taxon_growth_sd = 0.03, animal_growth_sd = 0.02, growth_sigma = 0.04;
  double pace_growth_correlation = 0;  ///< of u_animal and r_animal

  double temperature_mean_c = 25;
  double temperature_animal_sd_c = 1,
         temperature_stadium_sd_c = 0.5;  ///< of an animal's usual, and of a stadium about it
  bool record_temperature = true;

  double start_size_min_mm = 6,
         start_size_max_mm = 40;  ///< at the beginning of the life, log-uniform: spiderling to juvenile
  double bred_chance = 0.3;       ///< recorded from the molt (or hatching) that begins the life; the others are bought
  double bought_age_days =
      400;  ///< a bought animal is acquired at a random moment of the first so many days of its life
  double known_start_chance = 0.5;  ///< of a bought one: the molt before it was acquired is known to the day

  Day first_day = 19000;  ///< 2022-01-08
  int study_days = 730;
  double entry_window_days = 365;  ///< animals join at random within the first so many days

  int check_every_days = 1;   ///< 1 = molts known to the day; 7, 14 = ranges; 0 = known exactly, to a fraction of a day
  int check_jitter_days = 0;  ///< a check is up to so many days early or late
  double late_found_chance = 0;   ///< a check overlooks a molt, so that its range runs on to the next one
  double missed_molt_chance = 0;  ///< a molt is never recorded
  bool write_checks = false;      ///< a `checked` row for each check
  bool write_instars = true;      ///< molts carry their instar number, counted from the beginning of the life

  double reading_chance =
      0.9;  ///< a leg span is read at the start and after a molt, up to the largest that records accept
  bool exact_sizes = false;     ///< readings without bias, error and rounding
  double reading_bias = -0.05;  ///< share by which leg spans are read low
  double reading_error = 0.06;  ///< sd of the log reading
  double reading_step_mm = 5;   ///< 0 = not rounded
  bool read_in_inches = false;  ///< written in inches; a step of 1/4 in is 6.35 mm

  double darkened_chance = 0, refused_chance = 0;  ///< that this sign of a coming molt is noted
  double sign_lag_days = 10;                       ///< median time from a sign to the molt, at 20 mm
  double refused_lag_days = 0;                     ///< the same of refusals; 0 = as sign_lag_days
  double sign_lag_exponent = 0.5;                  ///< of size
  double sign_lag_log_sd = 0.5;
  double false_signs_per_year = 0;  ///< of each kind of sign, by chance
  int meal_every_days = 0;  ///< food is offered so often, and eaten until it is refused; 0 = no meals are written

  double death_per_year = 0.1, sale_per_year = 0.05;  ///< constant hazards
  double male_chance = 0.5;
  double unknown_sex_chance = 0.6;

  bool maturity = false;  ///< males molt no more once over `mature_at` of the adult leg span
  double mature_at = 0.9;
  double mature_at_log_sd = 0;            ///< of each male's own share about it
  double unrecorded_maturity_chance = 0;  ///< the molt into maturity is written down as a molt like any other
  bool state_maturity_rule = false;       ///< adult leg spans and what follows maturity are stated, whatever happens
  double adult_leg_span_mm = 150;         ///< geometric mean of the taxa
  double adult_leg_span_log_sd = 0.2;

  int max_stadia = 60;  ///< of one life; one that would need more ends as `left` (only wide priors come to that)
};

/// One stadium of a life as it truly was.
struct TrueStadium {
  double start_day = 0;    ///< days from the beginning of first_day, negative before the study
  double length_days = 0;  ///< infinite after the last molt of all
  double log_size = 0;     ///< log(leg span / 20 mm)
  double temperature_c = 0;
  int instar = 1;                      ///< counted from the beginning of the life
  bool known = false;                  ///< the molt that begins it is on record
  DayRange recorded;                   ///< days from first_day, where known
  double reading_mm = unknown_number;  ///< the leg span as written down; NaN = none

  double end_day() const { return start_day + length_days; }
};

/// One animal as it truly was.
struct TrueAnimal {
  int taxon = 0, genus = 0, cohort = -1;
  bool male = false, sex_known = false, bred = false;
  double animal_effect = 0, growth_effect = 0;
  double level_effect = 0;  ///< genus, taxon and cohort together
  double usual_temperature_c = 25;
  double adult_leg_span_mm = unknown_number;
  double acquired_day = 0;
  AnimalState state = AnimalState::alive;
  double ended_day = unknown_number;  ///< NaN while alive
  double matured_day = unknown_number;
  double own_mature_mm = unknown_number;  ///< leg span from which it is mature, were it a male
  bool maturity_recorded = true;          ///< its molt into maturity is written down as such
  double next_log_size = unknown_number;  ///< after the next molt; NaN after the last molt of all
  std::vector<TrueStadium> life;          ///< from the stadium of the acquisition to the one running at the end
  std::vector<int> check_days;            ///< days from first_day

  /// Next molt after `as_of`, days from first_day; NaN where the record has ended, infinite after the last molt.
  double next_molt_day() const;
};

/// One stadium as the records show it, with its truth: what a fit takes, without the way through text.
struct SimulatedStadium {
  int animal = 0, taxon = 0, genus = 0, cohort = -1;
  bool male = false, sex_known = false;
  double log_size = 0;  ///< true one at its start
  double reading_mm = unknown_number;
  double temperature_c = 0;
  double min_days = 0, max_days = unknown_number, start_range_days = 0, entry_days = 0;  ///< as in StadiumBounds
  StadiumStatus status = StadiumStatus::closed;
  double elapsed_days = 0;  ///< from the true start to the end of the watch
  double true_days = 0;     ///< T, hidden molts summed
  int hidden_molts = 0;
};

struct Simulation {
  SimulationOptions options;
  std::uint64_t seed = 0;
  std::uint32_t replicate = 0;
  std::vector<double> genus_effect, taxon_effect, cohort_effect, taxon_growth_effect;
  std::vector<TrueAnimal> animals;
  std::vector<SimulatedStadium> stadia;  ///< by animal, then by start
};

/// Simulates lives and what is seen of them, as numbers. Throws std::invalid_argument that names the option, its value
/// and the rule.
Simulation simulate_stadia(const SimulationOptions& options, std::uint64_t seed, std::uint32_t replicate = 0);

/// The same simulation written down as the two tables of a folder.
RawCollection write_collection(const Simulation& simulation);

struct SimulatedCollection {
  RawCollection raw;
  Simulation truth;
};

SimulatedCollection simulate_collection(const SimulationOptions& options, std::uint64_t seed,
                                        std::uint32_t replicate = 0);

/// One row of the journal that tells, rightly or not, of a coming molt, or a meal.
struct TrueSign {
  int day = 0;  ///< days from first_day
  Event event = Event::darkened;
  int stadium = 0;  ///< index into TrueAnimal::life
  bool false_alarm = false;
};

/// Signs and meals of one animal, by day. A sign comes a log-normal time before the molt, drawn apart for each kind; it
/// is lost where that is before the stadium or the record began.
std::vector<TrueSign> simulate_signs(const Simulation& simulation, int animal);

/// Id of an animal (`A001`), names of a genus, a taxon and a cohort. Names are invented and differ by two letters at
/// least.
std::string simulated_animal_id(int animal);
std::string simulated_genus_name(int genus);
std::string simulated_taxon_name(int taxon, int n_genera);
std::string simulated_cohort_name(int cohort);

/// A law to draw a parameter of SimulationOptions from.
struct ParameterLaw {
  enum class Kind {
    fixed,        ///< always a
    normal,       ///< mean a, sd b
    half_normal,  ///< |N(0, a^2)|
    lognormal,    ///< log is N(a, b^2)
    uniform       ///< between a and b
  } kind = Kind::fixed;
  double a = 0, b = 0;
};

/// The options with the named parameters drawn from their laws, for simulation-based calibration: `intercept`,
/// `exponent`, `temperature_effect`, `sex_effect`, `sigma`, `genus_sd`, `taxon_sd`, `cohort_sd`, `animal_sd`,
/// `log_ratio`, `decline`, `taxon_growth_sd`, `animal_growth_sd`, `growth_sigma`. Throws std::invalid_argument for a
/// name that is none of these.
SimulationOptions draw_prior_truth(SimulationOptions options,
                                   const std::vector<std::pair<std::string, ParameterLaw>>& laws, std::uint64_t seed,
                                   std::uint32_t replicate = 0);

/// Names that draw_prior_truth knows, in a fixed order, with their places in the options.
const std::vector<std::pair<std::string, double SimulationOptions::*>>& simulation_parameters();

}  // namespace moltspan
