#include "moltspan/growth/growth.hpp"

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <limits>
#include <stdexcept>

#include "growth/predict.hpp"
#include "growth/profile.hpp"

namespace moltspan {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr int few_groups = 5;                ///< below, spreads between groups are hardly known
constexpr double no_scatter = 1e-20;         ///< share of the sum of squares left that is rounding
constexpr double vanished_variance = 1e-12;  ///< of an effect against the parts it is made of
constexpr double much_rounding = 0.25;       ///< share of sigma^2
constexpr double bound_correlation = 1 - 1e-7;

std::string row_text(Eigen::Index row) { return "row " + std::to_string(row) + ", "; }

void check_numbers(const MatrixXd& values, const std::vector<std::string>& names, Eigen::Index rows) {
  if (values.rows() != rows || values.cols() != static_cast<Eigen::Index>(names.size()))
    throw std::invalid_argument("fit_mixed_model: a design of " + std::to_string(values.rows()) + " x " +
                                std::to_string(values.cols()) + " for " + std::to_string(rows) + " rows and " +
                                std::to_string(names.size()) + " names");
  if (values.allFinite()) return;
  for (Eigen::Index j = 0; j < values.cols(); ++j)
    for (Eigen::Index i = 0; i < rows; ++i)
      if (!std::isfinite(values(i, j)))
        throw std::invalid_argument(row_text(i) + names[j] +
                                    " is not a finite number: mend it or leave the row out");
}

void check_codes(const std::vector<int>& codes, const std::string& name, Eigen::Index rows) {
  if (codes.empty()) return;
  if (static_cast<Eigen::Index>(codes.size()) != rows)
    throw std::invalid_argument(name + ": " + std::to_string(codes.size()) + " codes for " + std::to_string(rows) +
                                " rows");
  std::vector<char> seen(static_cast<std::size_t>(rows), 0);
  int most = -1;
  for (Eigen::Index i = 0; i < rows; ++i) {
    const int code = codes[i];
    if (code < 0 || code >= rows)
      throw std::invalid_argument(row_text(i) + name + " is blank: fill it in or leave the row out");
    seen[code] = 1;
    most = std::max(most, code);
  }
  if (std::find(seen.begin(), seen.begin() + most + 1, 0) != seen.begin() + most + 1)
    throw std::invalid_argument(name + ": codes must be 0, 1, ... without gaps");
}

void check_nested(const MixedData& data) {
  std::vector<int> outer_of(data.groups.size(), -1);
  for (std::size_t row = 0; row < data.outer_groups.size(); ++row) {
    int& outer = outer_of[data.groups[row]];
    if (outer >= 0 && outer != data.outer_groups[row])
      throw std::invalid_argument(row_text(static_cast<Eigen::Index>(row)) + data.outer_name + ": its " +
                                  data.group_name + " lies in two different " + data.outer_name + "s; mend the " +
                                  data.outer_name + " of one of its rows");
    outer = data.outer_groups[row];
  }
}

void check(const MixedData& data) {
  const Eigen::Index rows = data.y.size();
  if (rows == 0) throw std::invalid_argument("the table has no rows; give it at least one reading");
  for (Eigen::Index i = 0; i < rows; ++i)
    if (!std::isfinite(data.y[i]))
      throw std::invalid_argument(row_text(i) + "the response is not a finite number: mend it or leave the row out");
  check_numbers(data.x, data.coefficients, rows);
  check_codes(data.groups, data.group_name, rows);
  check_codes(data.outer_groups, data.outer_name, rows);
  if (!data.groups.empty()) {
    check_numbers(data.z, data.effects, rows);
    if (data.z.cols() < 1 || data.z.cols() > max_effects)
      throw std::invalid_argument("random effects: give 1 to " + std::to_string(max_effects) + " a " + data.group_name);
  } else if (!data.outer_groups.empty()) {
    throw std::invalid_argument(data.outer_name + ": it needs a column of " + data.group_name + "s beside it");
  }
  check_nested(data);
}

int count_codes(const std::vector<int>& codes) {
  return codes.empty() ? 0 : 1 + *std::max_element(codes.begin(), codes.end());
}

std::vector<int> rows_per_code(const std::vector<int>& codes) {
  std::vector<int> rows(static_cast<std::size_t>(count_codes(codes)), 0);
  for (int code : codes) ++rows[code];
  return rows;
}

/// A further column that is 1 in the rows of the second of two groups.
void add_difference(MixedData& data, const std::vector<int>& codes, const std::string& name) {
  data.x.conservativeResize(Eigen::NoChange, data.x.cols() + 1);
  for (Eigen::Index i = 0; i < data.x.rows(); ++i) data.x(i, data.x.cols() - 1) = codes[i];
  data.coefficients.push_back(name);
}

/// Takes out of the model what the rows cannot tell, and says so.
class Simplifier {
 public:
  Simplifier(MixedData& data, MixedFit& fit) : data_(data), fit_(fit) {}

  void run() {
    outer();
    if (data_.groups.empty()) return;
    if (fit_.n_groups < 3)
      few();
    else
      rich();
  }

 private:
  void note(HealthState state, const char* topic, const std::string& text) {
    fit_.health.push_back({state, topic, text});
  }

  void outer() {
    if (data_.outer_groups.empty()) return;
    if (fit_.n_outer == fit_.n_groups) {
      note(HealthState::warning, "few_groups",
           "every " + data_.outer_name + " has one " + data_.group_name + ": their spreads cannot be told apart; the " +
               data_.outer_name + " is left out");
    } else if (fit_.n_outer == 2 && fit_.n_groups >= 3) {
      add_difference(data_, data_.outer_groups, data_.outer_name + "[second]");
      fit_.fixed_outer_difference = true;
      note(HealthState::warning, "few_groups",
           "only two members of level " + data_.outer_name + ": a fixed difference is estimated in place of a spread");
    } else if (fit_.n_outer >= 3) {
      return;
    } else {
      note(HealthState::warning, "few_groups",
           "only one member of level " + data_.outer_name +
               ": it is left out, and new ones may differ more than the bands say");
    }
    data_.outer_groups.clear();
  }

  void few() {
    if (fit_.n_groups == 2) {
      const bool labelled = data_.group_labels.size() == 2;
      add_difference(data_, data_.groups, data_.group_name + "[" + (labelled ? data_.group_labels[1] : "second") + "]");
      fit_.fixed_difference = true;
      note(HealthState::warning, "few_groups",
           "only two members of level " + data_.group_name +
               ": a fixed difference is estimated in place of a spread, and bands of new ones lack that spread");
    } else {
      note(HealthState::warning, "few_groups",
           "only one member of level " + data_.group_name + ": its spread is left out, and bands of new ones lack it");
    }
    drop();
  }

  void rich() {
    const auto rows = rows_per_code(data_.groups);
    const auto unknown = [&](Eigen::Index q) {
      std::size_t used = 0;
      for (int n : rows) used += std::min<std::size_t>(static_cast<std::size_t>(n), static_cast<std::size_t>(q));
      return used >= static_cast<std::size_t>(data_.y.size());
    };
    while (data_.z.cols() > 0 && unknown(data_.z.cols())) {
      note(HealthState::bad, "confounded",
           "no " + data_.group_name + " has more than " + std::to_string(data_.z.cols()) +
               " readings: the spread of its " + data_.effects.back() + " cannot be told from sigma and is left out");
      data_.z.conservativeResize(Eigen::NoChange, data_.z.cols() - 1);
      data_.effects.pop_back();
    }
    if (data_.z.cols() == 0) drop();
  }

  void drop() {
    data_.groups.clear();
    data_.outer_groups.clear();
    data_.effects.clear();
    data_.z.resize(data_.y.size(), 0);
  }

  MixedData& data_;
  MixedFit& fit_;
};

MatrixXd natural_covariance(const MixedBlocks& blocks, const MatrixXd& psi, double variance) {
  MatrixXd covariance = blocks.z_map() * psi * blocks.z_map().transpose();
  const MatrixXd parts = blocks.z_map().cwiseAbs() * psi.cwiseAbs() * blocks.z_map().cwiseAbs().transpose();
  for (Eigen::Index j = 0; j < covariance.cols(); ++j)
    if (covariance(j, j) <= vanished_variance * parts(j, j)) {
      covariance.row(j).setZero();
      covariance.col(j).setZero();
    }
  return covariance * variance;
}

void fill_estimates(const MixedMinimum& found, MixedFit& fit) {
  const MixedBlocks& blocks = *fit.blocks;
  const MixedSearch search(blocks, fit.options.correlated);
  const RelativeSpread spread = search.spread(found.at);
  const MixedProfile& profile = found.criterion.profile;
  const double variance = found.criterion.variance;
  fit.relative = found.at;
  fit.iterations = found.iterations;
  fit.converged = found.converged;
  fit.singular = found.singular;
  fit.max_gradient = found.at.size() == 0 ? 0 : found.criterion.deviance.gradient.cwiseAbs().maxCoeff();
  fit.log_likelihood = -0.5 * found.criterion.deviance.value;
  fit.sigma = std::sqrt(variance);
  fit.outer_sd = std::sqrt(spread.outer * variance);
  fit.beta = blocks.start_line() + blocks.x_map() * profile.beta;
  fit.covariance = variance * blocks.x_map() * profile.x_inverse * blocks.x_map().transpose();
  fit.effect_covariance = natural_covariance(blocks, spread.psi, variance);
  fit.correlation = std::numeric_limits<double>::quiet_NaN();
  const MatrixXd& g = fit.effect_covariance;
  if (g.cols() > 1 && g(0, 0) > 0 && g(1, 1) > 0) fit.correlation = g(0, 1) / std::sqrt(g(0, 0) * g(1, 1));
}

void judge(MixedFit& fit, const MixedData& data) {
  const auto note = [&](HealthState state, const char* topic, const std::string& text) {
    fit.health.push_back({state, topic, text});
  };
  if (!fit.converged)
    note(HealthState::bad, "convergence", "the search for the best spreads did not settle; do not use the numbers");
  if (fit.blocks->effects() == 0) return;
  const MatrixXd& g = fit.effect_covariance;
  for (Eigen::Index j = 0; j < g.cols(); ++j) {
    const std::string& name = fit.effects[j];
    if (g(j, j) == 0)
      note(HealthState::warning, "zero_spread",
           "the " + data.group_name + "s do not differ in " + name +
               " by more than sigma explains: that standard deviation lies on its bound, 0");
    for (Eigen::Index i = 0; i < j; ++i)
      if (g(i, i) > 0 && g(j, j) > 0 && std::abs(g(i, j)) > bound_correlation * std::sqrt(g(i, i) * g(j, j)))
        note(HealthState::warning, "bound_correlation",
             "the correlation of " + fit.effects[i] + " and " + name +
                 " lies on its bound: too few readings tell these effects apart");
  }
  if (fit.blocks->outer_groups() > 0 && fit.outer_sd == 0)
    note(HealthState::warning, "zero_spread",
         "the " + data.outer_name + "s do not differ: that standard deviation lies on its bound, 0");
  if (fit.n_groups < few_groups)
    note(HealthState::warning, "few_groups",
         "only " + std::to_string(fit.n_groups) + " " + data.group_name +
             "s: the spread between them is hardly known, bands are wide");
}

void check_scatter(const MixedBlocks& blocks, const MixedData& data) {
  const auto n = static_cast<double>(blocks.rows());
  if (blocks.rows() <= static_cast<std::size_t>(blocks.coefficients()))
    throw std::invalid_argument(std::to_string(blocks.rows()) + " rows do not determine " +
                                std::to_string(blocks.coefficients()) +
                                " coefficients and their scatter; give more rows or a shorter formula");
  const double size = data.y.squaredNorm() / n;
  if (!(blocks.within_squares() / n > no_scatter * size))
    throw std::invalid_argument(
        "the response follows the formula exactly, without any scatter; give readings, not computed values");
}

}  // namespace

MixedFit fit_mixed_model(MixedData data, const MixedOptions& options) {
  check(data);
  MixedFit fit;
  fit.options = options;
  fit.n_rows = static_cast<std::size_t>(data.y.size());
  fit.n_groups = count_codes(data.groups);
  fit.n_outer = count_codes(data.outer_groups);
  fit.group_name = data.group_name;
  fit.outer_name = data.outer_name;
  Simplifier(data, fit).run();
  fit.coefficients = data.coefficients;
  fit.effects = data.effects;
  fit.has_outer = !data.outer_groups.empty();
  fit.blocks = std::make_shared<MixedBlocks>(data, options.correlated);
  check_scatter(*fit.blocks, data);
  fill_estimates(minimise(*fit.blocks, options.correlated, options.method), fit);
  judge(fit, data);
  fit.points = std::make_shared<MixedPoints>();
  return fit;
}

std::vector<HealthNote> rounding_health(const MixedFit& fit, const VectorXd& sizes_mm, double step_mm, bool log) {
  if (step_mm == 0) return {};
  if (!(step_mm > 0) || !std::isfinite(step_mm))
    throw std::invalid_argument("reading_step_mm = " + std::to_string(step_mm) +
                                ": a step is above 0; leave it out when there is none");
  double squares = 0;
  for (Eigen::Index i = 0; i < sizes_mm.size(); ++i) {
    const double steps = sizes_mm[i] / step_mm;
    if (std::abs(steps - std::round(steps)) > 1e-6 * std::max(1.0, steps))
      throw std::invalid_argument(row_text(i) + "size = " + std::to_string(sizes_mm[i]) +
                                  ": is no multiple of reading_step_mm = " + std::to_string(step_mm) +
                                  "; mend one of them");
    squares += log ? 1 / (steps * steps) : step_mm * step_mm;
  }
  const double share = squares / 12 / static_cast<double>(sizes_mm.size()) / (fit.sigma * fit.sigma);
  if (share < much_rounding) return {};
  return {{HealthState::warning, "rounding",
           "rounding to the reading step makes up about " + std::to_string(std::lround(100 * std::min(share, 1.0))) +
               " % of sigma^2; this method takes readings as exact, so small readings count for too much"}};
}

MixedFit refit(const MixedFit& fit, MixedMethod method) {
  MixedFit other = fit;
  other.options.method = method;
  fill_estimates(minimise(*fit.blocks, fit.options.correlated, method), other);
  return other;
}

double mixed_log_likelihood(const MixedFit& fit, const MatrixXd& relative_covariance, double relative_outer) {
  const MixedBlocks& blocks = *fit.blocks;
  const MatrixXd back = blocks.z_map().inverse();
  const MixedProfile profile =
      mixed_profile(blocks, {back * relative_covariance * back.transpose(), relative_outer}, false);
  const bool reml = fit.options.method == MixedMethod::reml;
  const double n = static_cast<double>(blocks.rows()) - (reml ? blocks.coefficients() : 0);
  double deviance = profile.log_det_v.value + n * (1 + std::log(2 * EIGEN_PI * profile.squares.value / n));
  if (reml) deviance += profile.log_det_x.value - 2 * blocks.x_map().diagonal().array().log().sum();
  return -0.5 * deviance;
}

}  // namespace moltspan
