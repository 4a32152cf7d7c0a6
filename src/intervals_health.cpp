#include "intervals_health.hpp"

#include <Eigen/Eigenvalues>
#include <algorithm>
#include <cmath>
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
    fault(row, "max_days", b.max_days, "must be a positive number of days; leave it blank for a running stadium");
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
        fault(row, data.coefficients[static_cast<std::size_t>(c)], data.covariates(static_cast<Index>(row), c),
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

MatrixXd invert_information(const MatrixXd& information, const StadiaData& data, std::vector<HealthNote>& health) {
  const Index p = data.covariates.cols(), n = information.rows();
  VectorXd scale = VectorXd::Ones(n);
  for (Index i = 0; i < p; ++i) scale[i] = std::max(1e-300, std::sqrt(data.covariates.col(i).squaredNorm()));
  const VectorXd inverse_scale = scale.cwiseInverse();
  const MatrixXd scaled = inverse_scale.asDiagonal() * information * inverse_scale.asDiagonal();
  const Eigen::SelfAdjointEigenSolver<MatrixXd> parts(scaled);
  VectorXd inverse = parts.eigenvalues();
  std::vector<bool> lost(static_cast<std::size_t>(n), false);
  for (Index k = 0; k < n; ++k) {
    if (inverse[k] > vanished_information) {
      inverse[k] = 1 / inverse[k];
      continue;
    }
    inverse[k] = 0;
    for (Index i = 0; i < n; ++i)
      if (std::abs(parts.eigenvectors()(i, k)) > 0.2) lost[static_cast<std::size_t>(i)] = true;
  }
  MatrixXd covariance = inverse_scale.asDiagonal() *
                        (parts.eigenvectors() * inverse.asDiagonal() * parts.eigenvectors().transpose()) *
                        inverse_scale.asDiagonal();
  std::string names;
  for (Index i = 0; i < n; ++i) {
    if (!lost[static_cast<std::size_t>(i)]) continue;
    covariance(i, i) = INFINITY;
    names += (names.empty() ? "" : ", ") + (i < p    ? data.coefficients[static_cast<std::size_t>(i)]
                                            : i == p ? std::string("log_sigma")
                                                     : std::string("log sd of a level"));
  }
  if (!names.empty())
    health.push_back(
        {HealthState::bad, "not_determined",
         "the records do not determine " + names +
             ": the values run away without bound (separation: a group in which no end was seen, or columns that say "
             "the same); do not use them, leave that group or column out or use method=\"bayes\""});
  return covariance;
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
                                ": the spread between members is carried by its prior"});
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
