#include "collection/clock.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>

#include "intervals/model.hpp"
#include "moltspan/records/temperatures.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

constexpr double reference_c = 25;
constexpr double usual_ahead_days = 90;       ///< of stated temperatures, from which nothing of them is unsure
constexpr int longest_stated_days = 3 * 366;  ///< to come; later days are not looked at
constexpr double usual_sd = 0.25;  ///< of log T, against which a range of days is wide or narrow

Index column_of(const StadiaData& data, const char* name) {
  const auto found = std::find(data.coefficients.begin(), data.coefficients.end(), name);
  return found == data.coefficients.end() ? -1 : found - data.coefficients.begin();
}

/// What the user states of the days to come, one row an animal; empty where nothing is, or where the records go on after
/// the day of the fit, as a look back would not have known.
std::vector<std::vector<TemperatureSpan>> stated_to_come(const CollectionFit& fit) {
  std::vector<std::vector<TemperatureSpan>> result;
  const Day as_of = fit.table.as_of;
  for (const Entry& e : fit.collection->entries) {
    if (e.row != stated_row || e.when.earliest <= as_of || e.when.earliest > as_of + longest_stated_days) continue;
    if (result.empty() && as_of < fit.collection->last_recorded_day()) return {};
    result.resize(fit.animals.size());
    result[static_cast<std::size_t>(e.animal)].push_back({e.when.earliest, e.when.latest + 1, e.value});
  }
  return result;
}

/// Rate of each day of [first, until).
std::vector<double> rates_of(const ClockFit& clock, double log_mean, Day first, Day until, const std::vector<double>& c) {
  std::vector<double> rates;
  rates.reserve(static_cast<std::size_t>(until - first));
  for (Day day = first; day < until; ++day) {
    double log_rate = clock.season.log_rate.at(day + 0.5) - log_mean;
    if (!c.empty()) log_rate -= clock.warmth * (c[static_cast<std::size_t>(day - first)] - reference_c);
    rates.push_back(std::exp(log_rate));
  }
  return rates;
}

/// Known bounds of the length of a stadium on its clock; see build_stadia for those of the calendar.
StadiumBounds on_clock(const Stadium& s, const StadiumClock& clock) {
  const double range_end = s.start.latest + 1.0;
  StadiumBounds b{0, unknown_number, s.start_range_days, s.entry_days, s.end ? s.end->width_days() : 0.0};
  if (s.end && s.min_days == s.max_days) {
    b.min_days = b.max_days = clock.units(s.start.earliest + 0.5, s.end->earliest + 0.5);
    b.entry_days = s.entry_days > 0 ? clock.units(s.start.earliest + 0.5, s.start.earliest + 0.5 + s.entry_days) : 0;
    return b;
  }
  if (s.start.width_days() > 1) b.start_range_days = clock.units(s.start.earliest, range_end);
  b.min_days = clock.units(range_end, range_end + s.min_days);
  b.entry_days = clock.units(range_end, range_end + s.entry_days);
  if (!s.end) return b;
  b.end_range_days = clock.units(s.end->earliest, s.end->latest + 1.0);
  b.max_days = clock.units(s.start.earliest, s.end->latest + 1.0);
  if (s.end->earliest >= s.start.latest + 1) b.max_days = b.start_range_days + b.min_days + b.end_range_days;
  return b;
}

/// From the middle of the start to the middle of the end, or as far as it was watched.
std::pair<double, double> moments_of_stadium(const Stadium& s) {
  const double from = 0.5 * (s.start.earliest + s.start.latest + 1);
  const double until = s.end ? 0.5 * (s.end->earliest + s.end->latest + 1) : s.start.latest + 1.0 + s.min_days;
  return {from, std::max(from, until)};
}

/// Mean over the development done between two moments of what a day has.
template <class OfDay>
double mean_by_clock(const ClockTable* table, double from, double until, const OfDay& of_day) {
  double sum = 0, total = 0;
  for (Day day = static_cast<Day>(std::floor(from)); day < until; ++day) {
    const double covered = std::min(until, day + 1.0) - std::max<double>(from, day);
    const double weight = covered * (table ? table->rate_at(day + 0.5) : 1);
    sum += weight * of_day(day);
    total += weight;
  }
  return total > 0 ? sum / total : of_day(static_cast<Day>(std::floor(from)));
}

/// How much of the log rate at its end a closed record tells: all where the day is known.
double told_of_end(const Stadium& s) {
  if (!s.end) return 0;
  if (s.min_days == s.max_days) return 1;
  const double spread = usual_sd * 0.5 * (s.min_days + s.max_days),
               width = std::hypot(s.start.width_days(), s.end->width_days());
  return 1 / (1 + width * width / (12 * std::max(spread * spread, 1e-6)));
}

}  // namespace

CollectionClocks::CollectionClocks(const CollectionFit& fit) : fit_(fit), first_(fit.table.as_of - 1) {
  if (!fit.clock.runs()) return;
  for (const AnimalHistory& history : fit.table.animals) {
    if (history.recorded) first_ = std::min(first_, history.watched_from);
    if (!history.molts.empty()) first_ = std::min(first_, history.molts.front().when.earliest);
  }
  first_ -= 1;
  if (fit.clock.warmth != 0) stated_ = stated_to_come(fit);
  if (fit.clock.season.log_rate.flat()) return;
  log_mean_season_ = std::log(std::cyl_bessel_i(0, fit.clock.season.log_rate.amplitude()));
  const Day until = fit.table.as_of + clock_period_days + 1;
  season_ = std::make_shared<ClockTable>(first_, rates_of(fit.clock, log_mean_season_, first_, until, {}));
}

std::shared_ptr<const ClockTable> CollectionClocks::table(int animal, std::vector<double>* temperatures) const {
  if (temperatures) temperatures->clear();
  if (!fit_.clock.runs() || fit_.clock.warmth == 0) return season_;
  const AnimalHistory& history = fit_.table.animals[static_cast<std::size_t>(animal)];
  const double stated = fit_.collection->animals[static_cast<std::size_t>(animal)].temperature_c;
  const auto spans = spans_of(animal);
  const bool none = spans.empty();
  const TemperatureCourse course(spans, none && std::isfinite(stated) ? YearlyCourse{} : fit_.clock.temperature_c,
                                 fit_.clock.temperature_sd,
                                 std::isfinite(history.temperature_c) ? history.temperature_c : reference_c);
  if (course.constant()) return season_;
  const Day until = std::max(fit_.table.as_of + 1, course.until()) + clock_period_days + 1;
  const auto by_day = course.by_day(first_, until);
  if (temperatures) *temperatures = by_day;
  return std::make_shared<ClockTable>(first_, rates_of(fit_.clock, log_mean_season_, first_, until, by_day));
}

std::vector<TemperatureSpan> CollectionClocks::spans_of(int animal) const {
  auto spans = fit_.table.animals[static_cast<std::size_t>(animal)].temperatures;
  if (stated_.empty()) return spans;
  const auto& to_come = stated_[static_cast<std::size_t>(animal)];
  spans.insert(spans.end(), to_come.begin(), to_come.end());
  return spans;
}

bool CollectionClocks::warm(int animal) const {
  const auto& spans = fit_.table.animals[static_cast<std::size_t>(animal)].temperatures;
  return fit_.clock.warmth != 0 && !spans.empty();
}

StadiumClock CollectionClocks::of(int animal, double mean_c) const {
  auto own = table(animal);
  const double scale = own && own != season_ ? std::exp(fit_.clock.warmth * (mean_c - reference_c)) : 1;
  return {std::move(own), scale};
}

StadiumClock CollectionClocks::of_row(int row) const {
  if (!fit_.clock.runs()) return {};
  const Index column = column_of(fit_.data, "warmth_c");
  return of(fit_.table.stadia[static_cast<std::size_t>(row)].animal,
            reference_c + (column < 0 ? 0 : fit_.data.covariates(row, column)));
}

ClockAhead CollectionClocks::ahead(int animal) const {
  if (!fit_.clock.runs()) return {};
  const AnimalInputs& inputs = fit_.animals[static_cast<std::size_t>(animal)];
  const Index column = column_of(fit_.data, "warmth_c");
  double warmth_c = 0;
  if (column >= 0 && inputs.running_row >= 0) warmth_c = fit_.data.covariates(inputs.running_row, column);
  if (column >= 0 && inputs.running_row < 0 && inputs.probe >= 0)
    warmth_c = fit_.data.probe_covariates(inputs.probe, column);
  return {of(animal, reference_c + warmth_c), fit_.table.as_of};
}

double CollectionClocks::variance_ahead(int animal) const {
  const double sd = warm(animal) ? fit_.clock.warmth * fit_.clock.temperature_sd : 0;
  int stated_days = 0;
  if (!stated_.empty())
    for (const TemperatureSpan& s : stated_[static_cast<std::size_t>(animal)]) stated_days += s.until - s.from;
  return sd * sd * std::max(0.0, 1 - stated_days / usual_ahead_days);
}

void run_by_clock(CollectionFit& fit) {
  ClockFit& clock = fit.clock;
  clock.warmth_slope = 0;
  if (!clock.runs()) return;
  const CollectionClocks clocks(fit);
  const Index column = column_of(fit.data, "warmth_c");
  std::shared_ptr<const ClockTable> table;
  std::vector<double> by_day;
  const auto mean_c = [&](double from, double until) {
    return mean_by_clock(table.get(), from, until,
                         [&](Day day) { return by_day[static_cast<std::size_t>(std::max(day - table->first(), 0))]; });
  };
  int animal = -1;
  for (std::size_t row = 0; row < fit.table.stadia.size(); ++row) {
    const Stadium& s = fit.table.stadia[row];
    if (s.animal != animal) table = clocks.table(animal = s.animal, &by_day);
    if (!table) continue;
    double scale = 1;
    if (!by_day.empty() && column >= 0) {
      const auto [from, until] = moments_of_stadium(s);
      const double mean = mean_c(from, until);
      const auto end_day = static_cast<std::size_t>(std::max(static_cast<Day>(std::floor(until)) - table->first(), 0));
      fit.data.covariates(static_cast<Index>(row), column) = mean - reference_c;
      scale = std::exp(clock.warmth * (mean - reference_c));
      clock.warmth_slope -= told_of_end(s) * (by_day[end_day] - mean);
    }
    fit.data.bounds[row] = on_clock(s, StadiumClock(table, scale));
  }
  for (std::size_t i = 0; i < fit.animals.size() && column >= 0; ++i) {
    if (fit.animals[i].probe < 0) continue;
    table = clocks.table(static_cast<int>(i), &by_day);
    if (!table || by_day.empty()) continue;
    const AnimalHistory& history = fit.table.animals[i];
    fit.data.probe_covariates(fit.animals[i].probe, column) =
        mean_c(history.watched_from, history.last_watched + 1.0) - reference_c;
  }
}

namespace {

constexpr std::size_t rough_records = 1500;
constexpr int rough_points = 8;
constexpr std::size_t least_closed = 25;    ///< stadia with a seen end, from which a season is looked for
constexpr double least_span_days = 270;     ///< over which these ends lie
constexpr double wide_season = 0.3;         ///< sd of the prior of the rough fit, taken out again
constexpr double season_sds[] = {0.02, 0.2};  ///< of the two parts of the prior, none and some
constexpr double season_shares[] = {0.7, 0.3};
constexpr double least_season = 0.02;       ///< amplitude that is worth a clock
constexpr double settled_season = 0.02, settled_warmth = 0.002;  ///< change after which another round says nothing new
constexpr int rounds = 3;

bool season_can_be_told(const CollectionFit& fit) {
  std::size_t closed = 0;
  Day first = fit.table.as_of, last = first - 100000;
  for (const Stadium& s : fit.table.stadia) {
    if (!s.end) continue;
    ++closed;
    first = std::min(first, s.end->earliest);
    last = std::max(last, s.end->latest);
  }
  return closed >= least_closed && last - first >= least_span_days;
}

/// Adds a column of covariates.
void add_column(StadiaData& data, const std::string& name, const Eigen::VectorXd& values) {
  data.coefficients.push_back(name);
  data.covariates.conservativeResize(Eigen::NoChange, data.covariates.cols() + 1);
  data.covariates.rightCols(1) = values;
  data.probe_covariates.conservativeResize(Eigen::NoChange, data.covariates.cols());
  data.probe_covariates.rightCols(1).setZero();
}

Eigen::VectorXd take_column(StadiaData& data) {
  const Eigen::VectorXd values = data.covariates.rightCols(1);
  data.coefficients.pop_back();
  data.covariates.conservativeResize(Eigen::NoChange, data.covariates.cols() - 1);
  data.probe_covariates.conservativeResize(Eigen::NoChange, data.covariates.cols());
  return values;
}

/// To first order a season is two covariates, the means of cosine and sine over each stadium, beside the log rates at
/// closed ends, which are linear in both.
struct SeasonColumns {
  Eigen::MatrixXd means, at_end;  ///< one row a record
};

SeasonColumns season_columns(const CollectionFit& fit) {
  const auto n = static_cast<Index>(fit.data.size());
  SeasonColumns result{Eigen::MatrixXd::Zero(n, 2), Eigen::MatrixXd::Zero(n, 2)};
  const CollectionClocks clocks(fit);
  std::shared_ptr<const ClockTable> table;
  int animal = -1;
  for (Index row = 0; row < n; ++row) {
    const Stadium& s = fit.table.stadia[static_cast<std::size_t>(row)];
    if (s.animal != animal) table = clocks.table(animal = s.animal);
    const auto [from, until] = moments_of_stadium(s);
    for (int part = 0; part < 2; ++part) {
      const YearlyCourse wave = part == 0 ? YearlyCourse{1, 0} : YearlyCourse{0, 1};
      const double mean = table ? mean_by_clock(table.get(), from, until, [&](Day day) { return wave.at(day + 0.5); })
                                : wave.mean(from, until);
      result.means(row, part) = -mean;
      result.at_end(row, part) = told_of_end(s) * (wave.at(until) - mean);
    }
  }
  return result;
}

/// How far the records tell a season from an effect of the instar: animals that began together molt together, so that
/// what one instar lasts longer looks like a season. Variance of the columns within stadia of one kind and number
/// against their whole variance, squared; 1 where animals came at all times, or where no kind has two.
double told_from_instars(const CollectionFit& fit, const SeasonColumns& columns) {
  std::map<std::pair<std::string, int>, std::vector<Index>> groups;
  for (std::size_t row = 0; row < fit.table.stadia.size(); ++row) {
    const Stadium& s = fit.table.stadia[row];
    if (s.end) groups[{fit.collection->animals[static_cast<std::size_t>(s.animal)].taxon, s.molt}].push_back(static_cast<Index>(row));
  }
  std::erase_if(groups, [](const auto& group) { return group.second.size() < 2; });
  std::vector<Index> all;
  double within = 0;
  const auto squares = [&](const std::vector<Index>& rows) {
    const Eigen::MatrixXd values = columns.means(rows, Eigen::all);
    return (values.rowwise() - values.colwise().mean()).squaredNorm();
  };
  for (const auto& [key, rows] : groups) {
    within += squares(rows);
    all.insert(all.end(), rows.begin(), rows.end());
  }
  if (groups.size() < 2 || all.size() <= groups.size()) return 1;
  const double of_all = squares(all) / static_cast<double>(all.size() - 1),
               of_groups = within / static_cast<double>(all.size() - groups.size());
  const double share = of_all > 0 ? std::min(of_groups / of_all, 1.0) : 0;
  return share * share;
}

/// The likelihood of cosine and sine, up to a factor: exp(h'v - v'Pv / 2).
struct SeasonLikelihood {
  Eigen::Vector2d h;
  Eigen::Matrix2d precision;
};

/// Posterior under a prior that mixes two normals.
SeasonFit weigh_season(const SeasonLikelihood& told) {
  SeasonFit season;
  season.looked_for = true;
  double log_weight[2], top = -INFINITY;
  Eigen::Vector2d mean[2];
  Eigen::Matrix2d covariance[2];
  for (int k = 0; k < 2; ++k) {
    const double variance = season_sds[k] * season_sds[k];
    const Eigen::Matrix2d posterior = told.precision + Eigen::Matrix2d::Identity() / variance;
    covariance[k] = posterior.inverse();
    mean[k] = covariance[k] * told.h;
    log_weight[k] = std::log(season_shares[k]) - 0.5 * std::log(posterior.determinant() * variance * variance) + 0.5 * told.h.dot(mean[k]);
    top = std::max(top, log_weight[k]);
  }
  const double narrow = std::exp(log_weight[0] - top), wide = std::exp(log_weight[1] - top);
  season.chance = wide / (narrow + wide);
  const Eigen::Vector2d v = (1 - season.chance) * mean[0] + season.chance * mean[1];
  season.log_rate = {v[0], v[1]};
  Eigen::Matrix2d spread = Eigen::Matrix2d::Zero();
  for (int k = 0; k < 2; ++k)
    spread += (k ? season.chance : 1 - season.chance) * (covariance[k] + (mean[k] - v) * (mean[k] - v).transpose());
  const Eigen::Vector2d along = v.norm() > 0 ? Eigen::Vector2d(v / v.norm()) : Eigen::Vector2d(1, 0);
  season.amplitude_sd = std::sqrt(along.dot(spread * along));
  return season;
}

/// A likelihood that is no better told than this much is not one.
Eigen::Matrix2d positive(const Eigen::Matrix2d& precision) {
  const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> parts(0.5 * (precision + precision.transpose()));
  return parts.eigenvectors() * parts.eigenvalues().cwiseMax(1e-6).asDiagonal() * parts.eigenvectors().transpose();
}

/// clock_priors for a share of the records.
Priors priors_of_part(const CollectionFit& fit, const Priors& given, double share) {
  Priors result = given;
  if (fit.clock.warmth_slope == 0) return result;
  Prior prior = PriorTable(given, fit.data.coefficients).of("warmth_c");
  prior.mean += share * fit.clock.warmth_slope * prior.sd * prior.sd;
  result.push_back({"warmth_c", prior});
  return result;
}

class ClockLearner {
 public:
  ClockLearner(CollectionFit& fit, const StadiaOptions& rough, bool season) : fit_(fit), rough_(rough), season_(season) {
    rough_.points = rough_points;
  }

  /// One rough fit about the present clock; true when it is to be done again.
  bool round() {
    const YearlyCourse before = fit_.clock.season.log_rate;
    const double warmth = fit_.clock.warmth;
    StadiaData data = fit_.data;
    SeasonColumns columns;
    if (season_) {
      columns = season_columns(fit_);
      told_ = told_from_instars(fit_, columns);
      add_column(data, "season_cosine", columns.means.col(0));
      add_column(data, "season_sine", columns.means.col(1));
      add_column(data, "end_cosine", columns.at_end.col(0));
      add_column(data, "end_sine", columns.at_end.col(1));
    }
    data = thinned(data, rough_records);
    Eigen::Vector2d slope = Eigen::Vector2d::Zero();
    StadiaOptions options = rough_;
    options.priors = priors_of_part(fit_, rough_.priors, static_cast<double>(data.size()) / static_cast<double>(fit_.data.size()));
    if (season_) {
      slope[1] = take_column(data).sum();
      slope[0] = take_column(data).sum();
      const double variance = wide_season * wide_season, at[] = {before.cosine, before.sine};
      for (int part = 0; part < 2; ++part)
        options.priors.push_back({part ? "season_sine" : "season_cosine",
                                  {Prior::Kind::normal, variance * slope[part] - at[part], wide_season}});
    }
    const StadiaFit found = fit_stadia(data, options);
    if (!found.coefficients.allFinite()) return false;
    const Eigen::VectorXd hyper = found.estimate.values.tail(found.estimate.values.size() - found.coefficients.size());
    if (hyper.allFinite()) rough_.start = hyper.cwiseMax(-7);
    if (season_) take_season(found, before);
    if (warmth != 0) take_warmth(found, before);
    const YearlyCourse& after = fit_.clock.season.log_rate;
    return std::hypot(after.cosine - before.cosine, after.sine - before.sine) > settled_season ||
           std::abs(fit_.clock.warmth - warmth) > settled_warmth;
  }

 private:
  /// Given the season that was taken: what is both warm and in season goes by the prior of either.
  void take_warmth(const StadiaFit& found, const YearlyCourse& before) {
    const Index column = column_of(fit_.data, "warmth_c"), at = found.coefficients.size() - 2;
    if (column < 0) return;
    double warmth = found.coefficients[column];
    if (season_) {
      const YearlyCourse& taken = fit_.clock.season.log_rate;
      const Eigen::Vector2d off =
          Eigen::Vector2d(taken.cosine - before.cosine, taken.sine - before.sine) - found.coefficients.tail(2);
      const Eigen::Matrix2d spread = found.estimate.covariance.block(at, at, 2, 2);
      const Eigen::Vector2d shared = found.estimate.covariance.block(at, column, 2, 1);
      if (const double moved = shared.dot(spread.ldlt().solve(off)); std::isfinite(moved)) warmth += moved;
    }
    fit_.clock.warmth = std::min(warmth, -1e-4);
  }
  /// The last two coefficients are the change from the season before, with a prior about none at all.
  void take_season(const StadiaFit& found, const YearlyCourse& before) {
    const Index at = found.coefficients.size() - 2;
    const Eigen::Vector2d mean = found.coefficients.tail(2) + Eigen::Vector2d(before.cosine, before.sine);
    const Eigen::Matrix2d precision = Eigen::Matrix2d(found.estimate.covariance.block(at, at, 2, 2)).inverse();
    if (!precision.allFinite()) return;
    const SeasonLikelihood told{
        told_ * (precision * mean),
        told_ * positive(precision - Eigen::Matrix2d::Identity() / (wide_season * wide_season))};
    fit_.clock.season = weigh_season(told);
    if (fit_.clock.season.log_rate.amplitude() < least_season) fit_.clock.season.log_rate = {};
  }

  CollectionFit& fit_;
  StadiaOptions rough_;
  bool season_;
  double told_ = 1;
};

}  // namespace

bool learn_clock(CollectionFit& fit, const StadiaOptions& rough, double warmth) {
  const LearnedTemperatures temperatures = learn_temperatures(fit.table);
  if ((temperatures.vary || !stated_to_come(fit).empty()) && column_of(fit.data, "warmth_c") >= 0) {
    fit.clock.warmth = std::min(warmth, -1e-4);
    fit.clock.temperature_c = temperatures.course;
    fit.clock.temperature_sd = temperatures.sd;
  }
  const bool season = season_can_be_told(fit);
  if (!season && !fit.clock.runs()) return false;
  const StadiaData calendar = fit.data;
  const auto run_anew = [&] {
    fit.data = calendar;
    run_by_clock(fit);
  };
  run_by_clock(fit);
  ClockLearner learner(fit, rough, season);
  for (int round = 0; round < rounds && learner.round(); ++round) run_anew();
  run_anew();
  return fit.clock.runs();
}

Priors clock_priors(const CollectionFit& fit, const Priors& given) { return priors_of_part(fit, given, 1); }

}  // namespace moltspan
