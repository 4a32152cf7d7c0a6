#include "intervals/health.hpp"

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
#include <map>
#include <set>
#include <stdexcept>
#include <thread>

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double flat_ratio = 0.25;  ///< sigma / log(max / min) below which a term is flat within its range
constexpr double flat_limit = 0.2;   ///< share of the posterior there, from which health warns
constexpr double vanished_information =
    1e-7;  ///< scaled eigenvalue below which a direction is not determined by the data
constexpr double vanished_spread_information = 1e-4;  ///< the same a record, where only spreads and sds take part
constexpr double taking_part = 0.2;                   ///< component of a direction from which a parameter is named
constexpr double no_sigma = 1e-3;                     ///< sigma below which the lengths have no spread, or,
constexpr double range_sigma = 0.1;  ///< below so much of log(max / min), none that their ranges would show

std::string number(double value) {
  std::string text = std::to_string(value);
  text.erase(text.find_last_not_of('0') + 1);
  if (text.ends_with('.')) text.pop_back();
  return text;
}

[[noreturn]] void fault(std::size_t row, const std::string& field, double value, const std::string& rule) {
  throw std::invalid_argument("row " + std::to_string(row) + ", " + field + " = " + number(value) + ": " + rule);
}

void check_bounds(const StadiumBounds& b, std::size_t row) {
  if (!(b.min_days >= 0) || std::isinf(b.min_days))
    fault(row, "min_days", b.min_days, "a length is 0 or more days; leave it blank when unknown");
  if (!std::isnan(b.max_days) && !(b.max_days > 0 && std::isfinite(b.max_days)))
    fault(row, "max_days", b.max_days, "must be a positive number of days; leave it blank for a stadium that has not ended");
  if (b.max_days < b.min_days)
    fault(row, "max_days", b.max_days, "lies below min_days = " + number(b.min_days) + "; mend one of the two");
  if (std::isnan(b.max_days) && b.min_days <= 0 && !(b.start_range_days > 0))
    fault(row, "min_days", b.min_days,
          "min_days and max_days both blank say nothing of this stadium; leave the row out or give one");
  if (!(b.start_range_days >= 0) || std::isinf(b.start_range_days))
    fault(row, "start_range_days", b.start_range_days, "must be 0 or more days");
  if (!(b.entry_days >= 0) || std::isinf(b.entry_days))
    fault(row, "entry_days", b.entry_days, "must be 0 or more days");
  if (b.max_days > b.min_days && b.min_days > 0 && b.start_range_days > (b.max_days - b.min_days) * (1 + 1e-9))
    fault(row, "start_range_days", b.start_range_days,
          "is wider than max_days - min_days, which holds the ranges of start and end together");
  const double last = std::isnan(b.max_days) ? b.min_days : b.max_days;
  if (b.entry_days > 0 && b.entry_days >= last + (std::isnan(b.max_days) ? 1e-9 : 0))
    fault(row, "entry_days", b.entry_days, "the stadium was over before it was first watched; leave the row out");
}

bool has_upper_bound(const StadiaData& data) {
  return std::any_of(data.bounds.begin(), data.bounds.end(),
                     [](const StadiumBounds& b) { return !std::isnan(b.max_days); });
}

/// Median of log(max / min) over the stadia known between two days; 0 where there is none.
double typical_log_range(const StadiaData& data) {
  std::vector<double> ranges;
  for (const StadiumBounds& b : data.bounds)
    if (b.max_days > b.min_days && b.min_days > 0) ranges.push_back(std::log(b.max_days / b.min_days));
  if (ranges.empty()) return 0;
  std::nth_element(ranges.begin(), ranges.begin() + static_cast<Index>(ranges.size() / 2), ranges.end());
  return ranges[ranges.size() / 2];
}

/// Share of the posterior with a sigma so small against the ranges that a term is flat within its range: no Gaussian
/// describes it.
double flat_share(const StadiaPosterior& posterior) {
  const double limit = std::log(flat_ratio * std::max(typical_log_range(posterior.model().data()), 1e-300));
  double share = 0;
  for (Index i = 0; i < posterior.hyper().weights.size(); ++i)
    if (posterior.hyper().points(i, 0) < limit) share += posterior.hyper().weights[i];
  return share;
}

}  // namespace

int default_threads() { return std::max(1, static_cast<int>(std::thread::hardware_concurrency())); }

void check_table(const StadiaData& data, const StadiaOptions& options) {
  const auto n = static_cast<Index>(data.size());
  if (n == 0 && (options.method == Method::ml || data.probes() == 0))
    throw std::invalid_argument("the table has no stadium; give at least one row");
  if (data.covariates.rows() != n || data.covariates.cols() != static_cast<Index>(data.coefficients.size()))
    throw std::invalid_argument("covariates: one row a stadium and one column a coefficient are needed");
  if (options.quadrature < 0 || options.quadrature > 400)
    throw std::invalid_argument("quadrature = " + std::to_string(options.quadrature) +
                                ": 0 (automatic) or 1 to 400 nodes");
  if (options.method == Method::bayes && options.truncation == Truncation::marginal)
    throw std::invalid_argument(
        "truncation = marginal goes with method = ml only; use conditional or renewal under bayes");
  for (std::size_t row = 0; row < data.size(); ++row) {
    check_bounds(data.bounds[row], row);
    for (Index c = 0; c < data.covariates.cols(); ++c)
      if (!std::isfinite(data.covariates(static_cast<Index>(row), c)))
        fault(row, data.coefficients[static_cast<std::size_t>(c)].name, data.covariates(static_cast<Index>(row), c),
              "a covariate must be a number; fill it in or leave the row out");
  }
  for (Index row = 0; row < data.weights.size(); ++row)
    if (!(data.weights[row] >= 0))
      fault(static_cast<std::size_t>(row), "weights", data.weights[row], "a weight is 0 or more");
}

void check_estimable(const StadiaData& data, const StadiaFit&) {
  if (!has_upper_bound(data))
    throw std::invalid_argument(
        "no stadium of the table was seen to end: maximum likelihood has no answer; use method=\"bayes\" or record a "
        "molt");
  const Index closed = std::count_if(data.bounds.begin(), data.bounds.end(),
                                     [](const StadiumBounds& b) { return !std::isnan(b.max_days); });
  if (closed <= data.covariates.cols())
    throw std::invalid_argument(std::to_string(closed) + " stadia with a seen end cannot give " +
                                std::to_string(data.covariates.cols()) +
                                " coefficients and a spread; use fewer covariates or method=\"bayes\"");
}

void check_spread(StadiaFit& fit) {
  if (fit.sigma > 1e-5) return;
  fit.health.push_back({HealthState::bad, "no_spread",
                        "the lengths fit without any spread (all equal, or as many coefficients as records): sigma and "
                        "every band are meaningless"});
}

namespace {

/// What a direction tells in which the likelihood is flat.
enum class Flat { runs_away, same_columns, no_spread, zero_sd, not_told_apart };

/// Parameters that take part in a direction, in order: at least one.
std::vector<Index> part_of(const VectorXd& direction) {
  const double least = std::min(taking_part, 0.5 * direction.cwiseAbs().maxCoeff());
  std::vector<Index> part;
  for (Index i = 0; i < direction.size(); ++i)
    if (std::abs(direction[i]) > least) part.push_back(i);
  return part;
}

/// Whether the coefficients can move along the direction without moving the predictor of any record.
bool moves_no_predictor(const VectorXd& move, const StadiaData& data) {
  return (data.covariates * move.head(data.covariates.cols())).squaredNorm() < 1e-12 * static_cast<double>(data.size());
}

Flat kind_of_flat(const VectorXd& direction, const VectorXd& move, double log_sigma, const StadiaData& data) {
  const Index p = data.covariates.cols();
  const std::vector<Index> part = part_of(direction);
  const bool coefficients = !part.empty() && part.front() < p;
  if (coefficients && moves_no_predictor(move, data)) return Flat::same_columns;
  if (log_sigma < std::log(std::max(no_sigma, range_sigma * typical_log_range(data)))) return Flat::no_spread;
  if (coefficients) return Flat::runs_away;
  if (part.size() > 1) return Flat::not_told_apart;
  return part.front() == p ? Flat::no_spread : Flat::zero_sd;
}

HealthNote note_of_flat(Flat kind, const std::string& names) {
  switch (kind) {
    case Flat::runs_away:
      return {HealthState::bad, "not_determined",
              "the records do not determine " + names +
                  ": the values run away without bound (separation: a group in which no end was seen); do not use "
                  "them, leave that group or column out or use method=\"bayes\""};
    case Flat::same_columns:
      return {HealthState::bad, "not_determined",
              "the records do not determine " + names +
                  ": these columns say the same; leave one of them out or use method=\"bayes\""};
    case Flat::no_spread:
      return {
          HealthState::bad, "not_determined",
          "the records do not determine " + names +
              ": sigma runs to 0, as the lengths (or those of each member) are all alike or their ranges leave room "
              "for that; the middle length is right, sigma and the bands are not"};
    case Flat::zero_sd:
      return {HealthState::warning, "sd_zero",
              names + " lies at 0: its members differ no more than chance would have it; the other numbers stand"};
    case Flat::not_told_apart:
      break;
  }
  return {HealthState::warning, "not_told_apart",
          "the records tell " + names +
              " together but not apart, as hardly any member holds two stadia with a seen end; coefficients and the "
              "band of a new animal stand, the sds alone and bands of animals on record do not"};
}

/// Names of the parameters, as a reader knows them.
std::vector<std::string> parameter_names(const StadiaData& data, const std::vector<Level>& levels) {
  std::vector<std::string> names = names_of(data.coefficients);
  names.push_back("sigma");
  for (Level level : levels) names.push_back(sd_name(level));
  return names;
}

std::string joined(const std::vector<bool>& chosen, const std::vector<std::string>& names) {
  std::string text;
  for (std::size_t i = 0; i < names.size(); ++i)
    if (chosen[i]) text += (text.empty() ? "" : ", ") + names[i];
  return text;
}

/// Whether a direction of so much (scaled) information is flat; one of spreads alone, sds of levels among them, sooner.
bool is_flat(double information, const VectorXd& direction, const StadiaData& data) {
  const Index p = data.covariates.cols();
  const std::vector<Index> part = part_of(direction);
  if (part.front() < p || part.back() == p) return !(information > vanished_information);
  const double records = data.weights.size() == 0 ? static_cast<double>(data.size()) : data.weights.sum();
  return !(information > std::max(vanished_information, vanished_spread_information * records));
}

}  // namespace

MatrixXd invert_information(const MatrixXd& information, const VectorXd& parameters, const StadiaData& data,
                            const std::vector<Level>& levels, std::vector<HealthNote>& health) {
  const Index p = data.covariates.cols(), n = information.rows();
  VectorXd scale = VectorXd::Ones(n);
  for (Index i = 0; i < p; ++i) scale[i] = std::max(1e-300, std::sqrt(data.covariates.col(i).squaredNorm()));
  const VectorXd inverse_scale = scale.cwiseInverse();
  const MatrixXd scaled = inverse_scale.asDiagonal() * information * inverse_scale.asDiagonal();
  const Eigen::SelfAdjointEigenSolver<MatrixXd> parts(scaled);
  VectorXd inverse = parts.eigenvalues();
  std::map<Flat, std::vector<bool>> lost;
  for (Index k = 0; k < n; ++k) {
    const VectorXd direction = parts.eigenvectors().col(k);
    if (!is_flat(inverse[k], direction, data)) {
      inverse[k] = 1 / inverse[k];
      continue;
    }
    inverse[k] = 0;
    const VectorXd move = inverse_scale.cwiseProduct(direction);
    auto& named = lost.try_emplace(kind_of_flat(direction, move, parameters[p], data), n, false).first->second;
    for (Index i : part_of(direction)) named[static_cast<std::size_t>(i)] = true;
  }
  MatrixXd covariance = inverse_scale.asDiagonal() *
                        (parts.eigenvectors() * inverse.asDiagonal() * parts.eigenvectors().transpose()) *
                        inverse_scale.asDiagonal();
  const auto names = parameter_names(data, levels);
  for (const auto& [kind, named] : lost) {
    for (Index i = 0; i < n; ++i)
      if (named[static_cast<std::size_t>(i)]) covariance(i, i) = INFINITY;
    health.push_back(note_of_flat(kind, joined(named, names)));
  }
  return covariance;
}

namespace {

/// The next level in the data below this one; -1: its units are records.
int level_below(const StadiaData& data, Level level) {
  for (int inner = static_cast<int>(level) + 1; inner < n_levels; ++inner)
    if (!data.groups[static_cast<std::size_t>(inner)].empty()) return inner;
  return -1;
}

std::string name_of(Level level) {
  const std::string sd = sd_name(level);
  return sd.substr(0, sd.size() - 3);
}

std::string plural_of(Level level) {
  return level == Level::taxon ? "taxa" : level == Level::genus ? "genera" : name_of(level) + "s";
}

}  // namespace

bool holds_two_units(const StadiaData& data, Level level) {
  const auto& codes = data.groups[static_cast<std::size_t>(level)];
  const int below = level_below(data, level);
  std::map<int, std::set<int>> units;
  for (std::size_t i = 0; i < codes.size(); ++i) {
    if (codes[i] < 0) continue;
    const int inner = below < 0 ? -1 : data.groups[static_cast<std::size_t>(below)][i];
    auto& own = units[codes[i]];
    own.insert(inner >= 0 ? inner : -1 - static_cast<int>(i));
    if (own.size() > 1) return true;
  }
  return false;
}

void note_one_unit_each(const StadiaData& data, Level level, std::vector<HealthNote>& health) {
  const int below = level_below(data, level);
  const std::string unit = below < 0 ? "stadium" : name_of(static_cast<Level>(below));
  const std::string holds = below < 0 ? "sigma" : sd_name(static_cast<Level>(below));
  health.push_back({HealthState::warning, "not_told_apart",
                    "each " + name_of(level) + " has one " + unit + ": the spread between " + plural_of(level) +
                        " cannot be told apart from " + holds + ", which holds both; their effect is left out"});
}

void note_zero_sd(Level level, std::vector<HealthNote>& health) {
  const std::string members = plural_of(level);
  health.push_back({HealthState::warning, "sd_zero",
                    "the " + members + " differ no more than chance would have it: the spread between " + members +
                        " is estimated as 0; the other numbers stand"});
}

void note_convergence(bool converged, std::vector<HealthNote>& health) {
  if (!converged)
    health.push_back({HealthState::bad, "convergence", "the maximum was not reached; the numbers are not to be used"});
}

void note_posterior(const StadiaPosterior& posterior, StadiaFit& fit) {
  const auto& model = posterior.model();
  for (Level level : model.groups().levels) {
    const int members = model.groups().members[static_cast<std::size_t>(level)];
    const std::string name = sd_name(level);
    if (members < 3)
      fit.health.push_back({HealthState::warning, "few_members",
                            std::to_string(members) + " member" + (members == 1 ? "" : "s") + " of level " +
                                name.substr(0, name.size() - 3) +
                                ": too few to learn how much they differ, so that the prior decides"});
  }
  if (!has_upper_bound(model.data()))
    fit.health.push_back(
        {HealthState::warning, "no_closed_stadium", "no stadium was seen to end: lengths rest on the priors alone"});
  // A point or two far out among many change nothing.
  if (20 * posterior.hyper().failed_points > posterior.hyper().weights.size())
    fit.health.push_back({HealthState::warning, "points",
                          std::to_string(posterior.hyper().failed_points) + " of " +
                              std::to_string(posterior.hyper().weights.size()) +
                              " hyperparameter points carry no weight (not solved or far out)"});
  check_spread(fit);
  if (flat_share(posterior) > flat_limit)
    fit.health.push_back({HealthState::warning, "wide_ranges",
                          "the ranges of days are wide against the spread of the lengths: sigma rests on its prior and "
                          "the bands are rough; "
                          "look more often, or write down closer ranges"});
  if (!posterior.hyper().converged)
    fit.health.push_back({HealthState::warning, "convergence",
                          "the search for the most likely spreads stopped early; bands may be rough"});
}

}  // namespace moltspan
