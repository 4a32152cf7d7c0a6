#include "moltspan/simulate/simulate.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <sstream>
#include <stdexcept>

#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace {

using numeric::RandomStream;
using numeric::StreamId;

constexpr double infinity = std::numeric_limits<double>::infinity();
constexpr double days_per_year = 365.25;

/// Purposes of the random streams: draws for one are never moved by more or fewer draws for another.
enum Purpose : std::uint32_t { groups = 1, animal_traits, life_course, watching, reading, prior_truth, maturing = 8 };

void require(bool holds, const char* option, double value, const char* rule) {
  if (holds) return;
  std::ostringstream message;
  message.precision(17);
  message << "simulation: `" << option << "` is " << value << ", but " << rule;
  throw std::invalid_argument(message.str());
}

void require_chance(const char* option, double value) {
  require(value >= 0 && value <= 1, option, value, "a chance lies between 0 and 1");
}

void require_not_negative(const char* option, double value) {
  require(value >= 0 && std::isfinite(value), option, value, "it has to be 0 or more");
}

void check_counts(const SimulationOptions& o) {
  require(o.n_animals >= 0, "n_animals", o.n_animals, "it has to be 0 or more");
  require(o.n_cohorts >= 0, "n_cohorts", o.n_cohorts, "it has to be 0 or more");
  require(o.n_taxa >= 1, "n_taxa", o.n_taxa, "there has to be one at least");
  require(o.n_genera >= 1 && o.n_genera <= o.n_taxa, "n_genera", o.n_genera,
          "it lies between 1 and the number of taxa");
  require(o.study_days >= 1, "study_days", o.study_days, "it has to be 1 or more");
  require(o.check_every_days >= 0, "check_every_days", o.check_every_days, "it has to be 0 or more");
  require(o.check_jitter_days >= 0, "check_jitter_days", o.check_jitter_days, "it has to be 0 or more");
  require(o.max_stadia >= 1, "max_stadia", o.max_stadia, "it has to be 1 or more");
}

void check_model(const SimulationOptions& o) {
  for (const auto& [name, member] : simulation_parameters())
    require(std::isfinite(o.*member), name.c_str(), o.*member, "it has to be a finite number");
  require(o.sigma > 0, "sigma", o.sigma, "it has to be positive");
  require_not_negative("genus_sd", o.genus_sd);
  require_not_negative("taxon_sd", o.taxon_sd);
  require_not_negative("cohort_sd", o.cohort_sd);
  require_not_negative("animal_sd", o.animal_sd);
  require_not_negative("taxon_growth_sd", o.taxon_growth_sd);
  require_not_negative("animal_growth_sd", o.animal_growth_sd);
  require_not_negative("growth_sigma", o.growth_sigma);
  require(std::abs(o.pace_growth_correlation) <= 1, "pace_growth_correlation", o.pace_growth_correlation,
          "a correlation lies between -1 and 1");
  require(o.start_size_min_mm > 0, "start_size_min_mm", o.start_size_min_mm, "it has to be positive");
  require(o.start_size_max_mm >= o.start_size_min_mm, "start_size_max_mm", o.start_size_max_mm,
          "it must not be below start_size_min_mm");
  require(o.mature_at > 0, "mature_at", o.mature_at, "it has to be positive");
  require_not_negative("mature_at_log_sd", o.mature_at_log_sd);
  require(o.adult_leg_span_mm > 0, "adult_leg_span_mm", o.adult_leg_span_mm, "it has to be positive");
}

void check_watching(const SimulationOptions& o) {
  require_chance("bred_chance", o.bred_chance);
  require_chance("known_start_chance", o.known_start_chance);
  require_chance("reading_chance", o.reading_chance);
  require_chance("male_chance", o.male_chance);
  require_chance("unknown_sex_chance", o.unknown_sex_chance);
  require_chance("unrecorded_maturity_chance", o.unrecorded_maturity_chance);
  require(o.late_found_chance >= 0 && o.late_found_chance < 1, "late_found_chance", o.late_found_chance,
          "it lies from 0 to under 1");
  require(o.missed_molt_chance >= 0 && o.missed_molt_chance < 1, "missed_molt_chance", o.missed_molt_chance,
          "it lies from 0 to under 1");
  require_not_negative("bought_age_days", o.bought_age_days);
  require_not_negative("entry_window_days", o.entry_window_days);
  require(o.entry_window_days <= o.study_days, "entry_window_days", o.entry_window_days,
          "it must not exceed study_days");
  require_chance("darkened_chance", o.darkened_chance);
  require_chance("refused_chance", o.refused_chance);
  require(o.sign_lag_days > 0, "sign_lag_days", o.sign_lag_days, "it has to be positive");
  require_not_negative("refused_lag_days", o.refused_lag_days);
  require_not_negative("sign_lag_log_sd", o.sign_lag_log_sd);
  require_not_negative("false_signs_per_year", o.false_signs_per_year);
  require(o.meal_every_days >= 0, "meal_every_days", o.meal_every_days, "it has to be 0 or more");
  require_not_negative("death_per_year", o.death_per_year);
  require_not_negative("sale_per_year", o.sale_per_year);
  require_not_negative("reading_step_mm", o.reading_step_mm);
  require_not_negative("reading_error", o.reading_error);
  require(o.reading_bias > -1, "reading_bias", o.reading_bias, "it has to exceed -1");
}

/// W of the family, by inversion.
double standard_draw(Family family, RandomStream& stream) {
  const double u = stream.uniform();
  switch (family) {
    case Family::lognormal:
      return numeric::normal_quantile(u);
    case Family::weibull:
      return std::log(-std::log(u));
    case Family::loglogistic:
      return std::log(u) - std::log1p(-u);
  }
  return 0;
}

std::vector<double> normal_effects(int n, double sd, RandomStream& stream) {
  std::vector<double> effects(n);
  for (double& effect : effects) effect = sd * stream.normal();
  return effects;
}

int genus_of(const SimulationOptions& o, int taxon) { return taxon % o.n_genera; }

/// Draws one collection. Held together only while it is being made.
struct Maker {
  Simulation& s;
  const SimulationOptions& o;

  RandomStream stream(Purpose purpose, int item) const {
    return RandomStream(s.seed, {purpose, static_cast<std::uint32_t>(item), s.replicate});
  }
  double end_of_watch() const { return o.study_days + 1.0; }

  void draw_groups();
  TrueAnimal draw_traits(int index) const;
  void draw_record(TrueAnimal& animal, RandomStream& draws) const;
  void live(TrueAnimal& animal, int index) const;
  double stadium_length(const TrueAnimal& animal, const TrueStadium& stadium, RandomStream& draws) const;
  double grown(const TrueAnimal& animal, double log_size, RandomStream& draws) const;
  bool molts_no_more(const TrueAnimal& animal, double log_size) const;
  void watch(TrueAnimal& animal, int index) const;
  void plan_checks(TrueAnimal& animal, RandomStream& draws) const;
  void find_molt(const TrueAnimal& animal, TrueStadium& stadium, RandomStream& draws) const;
  void measure(TrueAnimal& animal, int index) const;
  double read_leg_span(double log_size, RandomStream& draws) const;

  std::vector<double> birth_day;  ///< of the cohorts: sibs that were bred begin their lives together
};

void Maker::draw_groups() {
  RandomStream genera = stream(groups, 0), taxa = stream(groups, 1), cohorts = stream(groups, 2),
               growth = stream(groups, 3), births = stream(groups, 4);
  s.genus_effect = normal_effects(o.n_genera, o.genus_sd, genera);
  s.taxon_effect = normal_effects(o.n_taxa, o.taxon_sd, taxa);
  s.cohort_effect = normal_effects(o.n_cohorts, o.cohort_sd, cohorts);
  s.taxon_growth_effect = normal_effects(o.n_taxa, o.taxon_growth_sd, growth);
  for (int c = 0; c < o.n_cohorts; ++c) birth_day.push_back(births.uniform() * o.entry_window_days);
}

TrueAnimal Maker::draw_traits(int index) const {
  RandomStream draws = stream(animal_traits, index);
  TrueAnimal animal;
  animal.cohort = o.n_cohorts > 0 ? index % o.n_cohorts : -1;
  animal.taxon = (animal.cohort >= 0 ? animal.cohort : index) % o.n_taxa;
  animal.genus = genus_of(o, animal.taxon);
  animal.level_effect = s.genus_effect[animal.genus] + s.taxon_effect[animal.taxon] +
                        (animal.cohort >= 0 ? s.cohort_effect[animal.cohort] : 0);
  const double pace = draws.normal(), other = draws.normal(), rho = o.pace_growth_correlation;
  animal.animal_effect = o.animal_sd * pace;
  animal.growth_effect = o.animal_growth_sd * (rho * pace + std::sqrt(1 - rho * rho) * other);
  animal.male = draws.uniform() < o.male_chance;
  animal.sex_known = draws.uniform() >= o.unknown_sex_chance;
  animal.usual_temperature_c = o.temperature_mean_c + o.temperature_animal_sd_c * draws.normal();
  RandomStream taxon_draws = stream(groups, 5 + animal.taxon);
  animal.adult_leg_span_mm = o.adult_leg_span_mm * std::exp(o.adult_leg_span_log_sd * taxon_draws.normal());
  RandomStream mature = stream(maturing, index);
  animal.own_mature_mm = o.mature_at * animal.adult_leg_span_mm * std::exp(o.mature_at_log_sd * mature.normal());
  animal.maturity_recorded = mature.uniform() >= o.unrecorded_maturity_chance;
  draw_record(animal, draws);
  return animal;
}

/// When and how the record of an animal begins and ends.
void Maker::draw_record(TrueAnimal& animal, RandomStream& draws) const {
  animal.bred = draws.uniform() < o.bred_chance;
  const double joins = draws.uniform() * o.entry_window_days;
  animal.acquired_day = animal.bred && animal.cohort >= 0 ? birth_day[animal.cohort] : joins;
  const double death = animal.acquired_day + draws.exponential() * days_per_year / o.death_per_year;
  const double sale = animal.acquired_day + draws.exponential() * days_per_year / o.sale_per_year;
  if (std::min(death, sale) >= end_of_watch()) return;
  animal.state = death < sale ? AnimalState::died : AnimalState::left;
  animal.ended_day = std::min(death, sale);
}

double Maker::stadium_length(const TrueAnimal& animal, const TrueStadium& stadium, RandomStream& draws) const {
  const double predictor = o.intercept + o.exponent * stadium.log_size +
                           o.temperature_effect * (stadium.temperature_c - 25) + o.sex_effect * animal.male +
                           animal.level_effect + animal.animal_effect;
  return std::exp(predictor + o.sigma * standard_draw(o.family, draws));
}

double Maker::grown(const TrueAnimal& animal, double log_size, RandomStream& draws) const {
  return log_size + o.log_ratio + o.decline * log_size + s.taxon_growth_effect[animal.taxon] + animal.growth_effect +
         o.growth_sigma * draws.normal();
}

bool Maker::molts_no_more(const TrueAnimal& animal, double log_size) const {
  return o.maturity && animal.male && 20 * std::exp(log_size) >= animal.own_mature_mm;
}

/// The life, kept from the stadium that runs when the record begins to the one that runs when it ends.
void Maker::live(TrueAnimal& animal, int index) const {
  RandomStream draws = stream(life_course, index);
  const double age = animal.bred ? 0 : draws.uniform() * o.bought_age_days;
  const double ratio = o.start_size_max_mm / o.start_size_min_mm;
  TrueStadium now;
  now.start_day = animal.acquired_day - age;
  now.log_size = std::log(o.start_size_min_mm * std::pow(ratio, draws.uniform()) / 20);
  // One that stops at maturity begins its life below the size at which it matures.
  if (o.maturity && animal.male) now.log_size = std::min(now.log_size, std::log(0.999 * animal.own_mature_mm / 20));
  const double end = std::isnan(animal.ended_day) ? end_of_watch() : animal.ended_day;
  for (int k = 0; k < o.max_stadia; ++k) {
    now.temperature_c = animal.usual_temperature_c + o.temperature_stadium_sd_c * draws.normal();
    const double length = stadium_length(animal, now, draws);
    now.length_days = molts_no_more(animal, now.log_size) ? infinity : length;
    if (std::isinf(now.length_days)) animal.matured_day = now.start_day;
    if (now.end_day() > animal.acquired_day) animal.life.push_back(now);
    const double next_log_size = grown(animal, now.log_size, draws);
    if (now.end_day() > end) {
      if (std::isfinite(now.length_days)) animal.next_log_size = next_log_size;
      return;
    }
    now.start_day = now.end_day();
    now.log_size = next_log_size;
    ++now.instar;
  }
  // Too many stadia: the record is closed at the last molt that was lived through.
  if (animal.life.empty()) animal.life.push_back(now);
  animal.state = AnimalState::left;
  animal.ended_day = std::max(animal.acquired_day, animal.life.back().start_day);
}

/// Days on which the animal is looked at: the first and the last of its record always.
void Maker::plan_checks(TrueAnimal& animal, RandomStream& draws) const {
  const int first = static_cast<int>(std::floor(animal.acquired_day));
  const int last = std::isnan(animal.ended_day) ? o.study_days : static_cast<int>(std::floor(animal.ended_day));
  const int every = std::max(1, o.check_every_days), jitter = o.check_jitter_days;
  animal.check_days.push_back(first);
  for (int planned = first + every; planned < last; planned += every) {
    const int shift = jitter > 0 ? static_cast<int>(std::floor(draws.uniform() * (2 * jitter + 1))) - jitter : 0;
    const int day = std::max(planned + shift, animal.check_days.back() + 1);
    if (day < last) animal.check_days.push_back(day);
  }
  if (last > first) animal.check_days.push_back(last);
}

/// The range of days that the checks leave for the molt that begins a stadium.
void Maker::find_molt(const TrueAnimal& animal, TrueStadium& stadium, RandomStream& draws) const {
  const int day = static_cast<int>(std::floor(stadium.start_day));
  const std::vector<int>& checks = animal.check_days;
  auto found = std::lower_bound(checks.begin(), checks.end(), day);
  const int earliest = found == checks.begin() ? day : *std::prev(found) + 1;
  while (std::next(found) != checks.end() && draws.uniform() < o.late_found_chance) ++found;
  stadium.known = draws.uniform() >= o.missed_molt_chance;
  stadium.recorded = {earliest, *found};
}

void Maker::watch(TrueAnimal& animal, int index) const {
  RandomStream draws = stream(watching, index);
  plan_checks(animal, draws);
  TrueStadium& first = animal.life.front();
  const int start = static_cast<int>(std::floor(first.start_day));
  first.known = animal.bred || draws.uniform() < o.known_start_chance;
  first.recorded = {start, start};
  for (std::size_t k = 1; k < animal.life.size(); ++k) find_molt(animal, animal.life[k], draws);
}

double Maker::read_leg_span(double log_size, RandomStream& draws) const {
  const double true_mm = 20 * std::exp(log_size);
  const double read_mm = true_mm * (1 + o.reading_bias) * std::exp(o.reading_error * draws.normal());
  if (o.exact_sizes) return true_mm;
  if (o.reading_step_mm == 0) return read_mm;
  return std::max(1.0, std::round(read_mm / o.reading_step_mm)) * o.reading_step_mm;
}

/// Whether a reading taken on a day would show another instar, or be read as one: a molt is too near.
bool hidden_by(const TrueStadium& next, int day) {
  return next.start_day < day + 1 || (next.known && next.recorded.earliest <= day);
}

void Maker::measure(TrueAnimal& animal, int index) const {
  RandomStream draws = stream(reading, index);
  for (std::size_t k = 0; k < animal.life.size(); ++k) {
    TrueStadium& stadium = animal.life[k];
    const double value = read_leg_span(stadium.log_size, draws);
    const bool read = draws.uniform() < o.reading_chance;
    const int day = k == 0 ? animal.check_days.front() : stadium.recorded.latest;
    const bool hidden = k + 1 < animal.life.size() && hidden_by(animal.life[k + 1], day);
    if (read && !hidden && value <= largest_leg_span_mm && (k == 0 || stadium.known)) stadium.reading_mm = value;
  }
}

/// Bounds as the design defines them, for a stadium between two recorded molts or from one to the end of the watch.
void set_bounds(SimulatedStadium& row, const TrueStadium& start, const TrueStadium* end, const TrueAnimal& animal) {
  const int last_watched = animal.check_days.back(), acquired = animal.check_days.front();
  row.start_range_days = start.recorded.width_days();
  const bool went_on =
      !end || end->recorded.latest > acquired;  // a molt on the day of the acquisition: watched for no time
  row.entry_days = went_on ? std::max(0, acquired - start.recorded.latest) : 0;
  if (!end) {
    row.min_days = std::max(0, last_watched - start.recorded.latest);
    return;
  }
  const DayRange& s = start.recorded;
  const DayRange& e = end->recorded;
  row.min_days = std::max(0, e.earliest - s.latest - 1);
  row.max_days = e.latest + 1 - s.earliest;
  const bool to_the_day = s.earliest == s.latest && e.earliest == e.latest && e.earliest > s.earliest;
  if (to_the_day) row.min_days = row.max_days = e.earliest - s.earliest;
}

/// With molts known to a fraction of a day there are no ranges at all.
void set_exact_bounds(SimulatedStadium& row, const TrueStadium& start, const TrueStadium* end, const TrueAnimal& animal,
                      double end_of_watch) {
  row.start_range_days = 0;
  row.entry_days = std::max(0.0, animal.acquired_day - start.start_day);
  row.min_days = (end ? end->start_day : end_of_watch) - start.start_day;
  if (end) row.max_days = row.min_days;
}

/// One row a stadium that begins with a recorded molt; hidden molts within it are summed.
void list_stadia(Simulation& s, int index) {
  const TrueAnimal& animal = s.animals[index];
  const double end_of_watch = std::isnan(animal.ended_day) ? s.options.study_days + 1.0 : animal.ended_day;
  for (std::size_t k = 0; k < animal.life.size(); ++k) {
    const TrueStadium& start = animal.life[k];
    if (!start.known || std::isinf(start.length_days)) continue;
    std::size_t next = k + 1;
    while (next < animal.life.size() && !animal.life[next].known) ++next;
    const TrueStadium* end = next < animal.life.size() ? &animal.life[next] : nullptr;
    SimulatedStadium row{index, animal.taxon, animal.genus, animal.cohort, animal.male, animal.sex_known};
    row.log_size = start.log_size;
    row.reading_mm = start.reading_mm;
    row.temperature_c = start.temperature_c;
    row.elapsed_days = end_of_watch - start.start_day;
    row.true_days = animal.life[next - 1].end_day() - start.start_day;
    row.hidden_molts = static_cast<int>(next - k) - 1;
    if (!end)
      row.status = animal.state == AnimalState::alive  ? StadiumStatus::running
                   : animal.state == AnimalState::died ? StadiumStatus::died
                                                       : StadiumStatus::left;
    if (s.options.check_every_days == 0)
      set_exact_bounds(row, start, end, animal, end_of_watch);
    else
      set_bounds(row, start, end, animal);
    s.stadia.push_back(row);
  }
}

}  // namespace

double TrueAnimal::next_molt_day() const {
  return state == AnimalState::alive && !life.empty() ? life.back().end_day() : unknown_number;
}

Simulation simulate_stadia(const SimulationOptions& options, std::uint64_t seed, std::uint32_t replicate) {
  check_counts(options);
  check_model(options);
  check_watching(options);
  Simulation result;
  result.options = options;
  result.seed = seed;
  result.replicate = replicate;
  Maker maker{result, result.options, {}};
  maker.draw_groups();
  for (int i = 0; i < options.n_animals; ++i) {
    TrueAnimal animal = maker.draw_traits(i);
    maker.live(animal, i);
    maker.watch(animal, i);
    maker.measure(animal, i);
    result.animals.push_back(std::move(animal));
    list_stadia(result, i);
  }
  return result;
}

SimulatedCollection simulate_collection(const SimulationOptions& options, std::uint64_t seed, std::uint32_t replicate) {
  SimulatedCollection result;
  result.truth = simulate_stadia(options, seed, replicate);
  result.raw = write_collection(result.truth);
  return result;
}

const std::vector<std::pair<std::string, double SimulationOptions::*>>& simulation_parameters() {
  using O = SimulationOptions;
  static const std::vector<std::pair<std::string, double O::*>> table = {{"intercept", &O::intercept},
                                                                         {"exponent", &O::exponent},
                                                                         {"temperature_effect", &O::temperature_effect},
                                                                         {"sex_effect", &O::sex_effect},
                                                                         {"sigma", &O::sigma},
                                                                         {"genus_sd", &O::genus_sd},
                                                                         {"taxon_sd", &O::taxon_sd},
                                                                         {"cohort_sd", &O::cohort_sd},
                                                                         {"animal_sd", &O::animal_sd},
                                                                         {"log_ratio", &O::log_ratio},
                                                                         {"decline", &O::decline},
                                                                         {"taxon_growth_sd", &O::taxon_growth_sd},
                                                                         {"animal_growth_sd", &O::animal_growth_sd},
                                                                         {"growth_sigma", &O::growth_sigma}};
  return table;
}

namespace {

double draw_from(const ParameterLaw& law, RandomStream& stream) {
  using Kind = ParameterLaw::Kind;
  switch (law.kind) {
    case Kind::fixed:
      return law.a;
    case Kind::normal:
      return law.a + law.b * stream.normal();
    case Kind::half_normal:
      return std::abs(law.a * stream.normal());
    case Kind::lognormal:
      return std::exp(law.a + law.b * stream.normal());
    case Kind::uniform:
      return law.a + (law.b - law.a) * stream.uniform();
  }
  return law.a;
}

}  // namespace

SimulationOptions draw_prior_truth(SimulationOptions options,
                                   const std::vector<std::pair<std::string, ParameterLaw>>& laws, std::uint64_t seed,
                                   std::uint32_t replicate) {
  const auto& table = simulation_parameters();
  for (const auto& [name, law] : laws) {
    const auto wanted = [&wanted_name = name](const auto& parameter) { return parameter.first == wanted_name; };
    const auto place = std::find_if(table.begin(), table.end(), wanted);
    if (place == table.end())
      throw std::invalid_argument("draw_prior_truth: `" + name + "` is no parameter; see simulation_parameters()");
    // A stream for each name: leaving one law out does not move the draws of the others.
    RandomStream stream(seed, {prior_truth, static_cast<std::uint32_t>(place - table.begin()), replicate});
    options.*(place->second) = draw_from(law, stream);
  }
  return options;
}

}  // namespace moltspan
