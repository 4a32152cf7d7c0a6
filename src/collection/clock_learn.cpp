#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>

#include "collection/clock.hpp"
#include "collection/clock_stadium.hpp"
#include "intervals/model.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

using Eigen::Index;

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
  data.coefficients.push_back({name});
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
    const Stadium& s = fit.table.stadia[row];
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
    if (s.end) groups[{fit.animal(s.animal).record().taxon, s.molt}].push_back(static_cast<Index>(row));
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
  const std::string& name = fit.data.coefficients[fit.data.column(CoefficientRole::warmth_c)].name;
  Prior prior = PriorTable(given, fit.data.coefficients).of(name);
  prior.mean += share * fit.clock.warmth_slope * prior.sd * prior.sd;
  result.push_back({name, prior});
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
    const Index column = fit_.data.column(CoefficientRole::warmth_c), at = found.coefficients.size() - 2;
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
  if ((temperatures.vary || !stated_to_come(fit).empty()) && fit.data.column(CoefficientRole::warmth_c) >= 0) {
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
