#include <Eigen/Eigenvalues>
#include <Eigen/LU>
#include <boost/math/distributions/normal.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <functional>
#include <limits>
#include <stdexcept>

#include "growth/profile.hpp"
#include "moltspan/growth/growth.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double fewest_degrees = 1;     ///< of freedom: below, an interval says nothing
constexpr double flat_curvature = 1e-9;  ///< against the largest: a direction the rows do not determine
constexpr double difference_step = 1e-5;

void check_level(double level) {
  if (!(level > 0 && level < 1))
    throw std::invalid_argument("level = " + std::to_string(level) + ": a level lies between 0 and 1");
}

/// Inverse without the directions in which the matrix is flat.
MatrixXd stable_inverse(const MatrixXd& matrix) {
  if (matrix.size() == 0) return matrix;
  const Eigen::SelfAdjointEigenSolver<MatrixXd> parts(matrix);
  const double least = flat_curvature * parts.eigenvalues().cwiseAbs().maxCoeff();
  const VectorXd inverse = parts.eigenvalues().unaryExpr([least](double v) { return v > least ? 1 / v : 0.0; });
  return parts.eigenvectors() * inverse.asDiagonal() * parts.eigenvectors().transpose();
}

}  // namespace

MatrixXd spread_covariance(const MixedBlocks& blocks, const MixedSearch& search, const VectorXd& at,
                           const MixedCriterion& best, MixedMethod method) {
  const int m = search.size();
  const bool reml = method == MixedMethod::reml;
  const Curved v = search.chain(best.profile.log_det_v, at), x = search.chain(best.profile.log_det_x, at),
               squares = search.chain(best.profile.squares, at);
  MatrixXd hessian(m + 1, m + 1);
  hessian.topLeftCorner(m, m) = v.hessian + squares.hessian / best.variance;
  if (reml) hessian.topLeftCorner(m, m) += x.hessian;
  hessian.col(m).head(m) = -squares.gradient / best.variance;
  hessian.row(m).head(m) = hessian.col(m).head(m).transpose();
  hessian(m, m) = static_cast<double>(blocks.rows()) - (reml ? blocks.coefficients() : 0);
  return 2 * stable_inverse(hessian);
}

namespace {

/// The REML fit of the model with what the t intervals need of it.
struct Reference {
  MixedSearch search;
  VectorXd at;
  MixedCriterion best;
};

Reference reference_of(const MixedFit& fit) {
  const MixedBlocks& blocks = *fit.blocks;
  const MixedSearch search(blocks, fit.options.correlated);
  const VectorXd at = fit.options.method == MixedMethod::reml
                          ? fit.relative
                          : minimise(blocks, fit.options.correlated, MixedMethod::reml).at;
  return {search, at, mixed_criterion(blocks, search, at, MixedMethod::reml)};
}

/// Derivative of (X'V^-1 X)^-1 / sigma^2 in a natural parameter, sandwiched: -u' C dW C u.
double satterthwaite_degrees(const MixedBlocks& blocks, const Reference& reml, const VectorXd& u) {
  const MixedProfile& profile = reml.best.profile;
  const int p = blocks.coefficients(), m = blocks.parameters();
  const VectorXd c = profile.x_inverse * u;
  VectorXd natural(m);
  for (int k = 0; k < m; ++k)
    natural[k] = -c.dot(profile.sums.d_w[k].topLeftCorner(p, p) * c);
  VectorXd gradient(reml.search.size() + 1);
  gradient << reml.search.jacobian(reml.at).transpose() * natural, u.dot(c);
  const MatrixXd covariance = spread_covariance(blocks, reml.search, reml.at, reml.best, MixedMethod::reml);
  const double v = u.dot(c);
  return 2 * v * v / gradient.dot(covariance * gradient);
}

/// Pieces of Kenward & Roger (1997, Biometrics 53:983) in the relative entries and, first, sigma^2; sigma = 1.
struct KenwardRoger {
  MatrixXd adjusted;  ///< covariance of the coefficients, whitened, sigma = 1
  MatrixXd spread_covariance;
  std::vector<MatrixXd> slopes;  ///< P: derivative of X'V^-1 X
};

/// Which natural entries are estimated (off-diagonal ones are not where effects are independent).
std::vector<int> natural_entries(const MixedBlocks& blocks, bool correlated) {
  std::vector<int> entries;
  for (int a = 0, k = 0; a < blocks.effects(); ++a)
    for (int b = 0; b <= a; ++b, ++k)
      if (correlated || a == b) entries.push_back(k);
  if (blocks.outer_groups() > 0) entries.push_back(blocks.parameters() - 1);
  return entries;
}

/// Natural values of the relative spreads at those entries.
VectorXd natural_values(const MixedBlocks& blocks, const RelativeSpread& spread, const std::vector<int>& entries) {
  VectorXd all(blocks.parameters());
  for (int a = 0, k = 0; a < blocks.effects(); ++a)
    for (int b = 0; b <= a; ++b, ++k) all[k] = spread.psi(a, b);
  if (blocks.outer_groups() > 0) all[blocks.parameters() - 1] = spread.outer;
  VectorXd values(static_cast<Index>(entries.size()));
  for (std::size_t i = 0; i < entries.size(); ++i) values[static_cast<Index>(i)] = all[entries[i]];
  return values;
}

/// Derivatives in sigma^2 follow from those in the others, as V = sigma^2 I + sum of the rest is linear in all.
KenwardRoger kenward_roger(const MixedBlocks& blocks, const Reference& reml, bool correlated) {
  const MixedProfile& profile = reml.best.profile;
  const int p = blocks.coefficients();
  const auto entries = natural_entries(blocks, correlated);
  const int m = static_cast<int>(entries.size());
  const VectorXd psi = natural_values(blocks, reml.search.spread(reml.at), entries);
  const auto top = [p](const MatrixXd& w) -> MatrixXd { return w.topLeftCorner(p, p); };
  MatrixXd information(m + 1, m + 1);  // tr(P V_i P V_j)
  std::vector<MatrixXd> slopes(static_cast<std::size_t>(m + 1), top(profile.sums.w));
  std::vector<MatrixXd> bends(static_cast<std::size_t>((m + 1) * (m + 1)));  // Q_ij + Q_ji
  const auto bend = [&](int i, int j) -> MatrixXd& { return bends[i * (m + 1) + j]; };
  const VectorXd gradient = profile.log_det_v.gradient + profile.log_det_x.gradient;
  const MatrixXd hessian = profile.log_det_v.hessian + profile.log_det_x.hessian;
  for (int i = 0; i < m; ++i) {
    const auto k = static_cast<std::size_t>(entries[i]);
    slopes[i + 1] = top(profile.sums.d_w[k]);
    for (int j = 0; j < m; ++j) {
      const int l = entries[j];
      information(i + 1, j + 1) = -hessian(static_cast<int>(k), l);
      bend(i + 1, j + 1) = top(profile.sums.second(static_cast<int>(k), l));
    }
  }
  slopes[0] = -slopes[0];
  double trace = static_cast<double>(blocks.rows()) - p;  // tr(P)
  for (int i = 0; i < m; ++i) {
    const int k = entries[i];
    slopes[0] -= psi[i] * slopes[i + 1];
    information(0, i + 1) = gradient[k] - psi.dot(information.col(i + 1).tail(m));
    information(i + 1, 0) = information(0, i + 1);
    trace -= psi[i] * gradient[k];
    MatrixXd mixed = -2 * slopes[i + 1];
    for (int j = 0; j < m; ++j) mixed -= psi[j] * bend(i + 1, j + 1);
    bend(0, i + 1) = bend(i + 1, 0) = mixed;
  }
  information(0, 0) = trace - psi.dot(information.col(0).tail(m));
  bend(0, 0) = -2 * slopes[0];
  for (int i = 0; i < m; ++i) bend(0, 0) -= psi[i] * bend(0, i + 1);
  KenwardRoger result{profile.x_inverse, 2 * stable_inverse(information), slopes};
  MatrixXd sum = MatrixXd::Zero(p, p);
  for (int i = 0; i <= m; ++i)
    for (int j = 0; j <= m; ++j)
      sum +=
          result.spread_covariance(i, j) * (0.5 * bend(i, j) - slopes[i] * profile.x_inverse *
                                                                   slopes[j]);
  result.adjusted += 2 * profile.x_inverse * sum * profile.x_inverse;
  return result;
}

/// For a single contrast the scale of Kenward and Roger is 1 and their degrees of freedom are 2 / A.
double kenward_roger_degrees(const KenwardRoger& parts, const MatrixXd& x_inverse, const VectorXd& u) {
  const VectorXd c = x_inverse * u;
  VectorXd gradient(static_cast<Index>(parts.slopes.size()));
  for (std::size_t i = 0; i < parts.slopes.size(); ++i) gradient[static_cast<Index>(i)] = c.dot(parts.slopes[i] * c);
  const double v = u.dot(c);
  return 2 * v * v / gradient.dot(parts.spread_covariance * gradient);
}

double t_quantile(double probability, double degrees) {
  if (!(degrees < 1e6)) return boost::math::quantile(boost::math::normal(), probability);
  return boost::math::quantile(boost::math::students_t(degrees), probability);
}

/// An estimate with its bounds on a scale where it is unbounded.
struct Spread {
  std::string name;
  double value;
  bool at_zero = false;
};

/// sigma, sds, correlations and the outer sd at given search parameters and log sigma^2.
std::vector<Spread> spreads_at(const MixedFit& fit, const MixedSearch& search, const VectorXd& at) {
  const MixedBlocks& blocks = *fit.blocks;
  const double sigma = std::exp(at[at.size() - 1] / 2);
  const VectorXd relative = at.head(at.size() - 1);
  std::vector<Spread> spreads{{"sigma", sigma}};
  const MatrixXd root = sigma * blocks.z_map() * search.factor(relative);
  const VectorXd sds = root.rowwise().norm();
  for (Index j = 0; j < sds.size(); ++j)
    spreads.push_back({fit.group_name + "_sd[" + fit.effects[j] + "]", sds[j]});
  if (fit.options.correlated)
    for (Index j = 0; j < sds.size(); ++j)
      for (Index i = 0; i < j; ++i) {
        const double correlation = root.row(i).dot(root.row(j)) / (sds[i] * sds[j]);
        spreads.push_back({fit.group_name + "_correlation[" + fit.effects[i] + ", " +
                               fit.effects[j] + "]",
                           correlation});
      }
  if (blocks.outer_groups() > 0)
    spreads.push_back({fit.outer_name + "_sd", sigma * std::abs(relative[relative.size() - 1])});
  return spreads;
}

bool is_correlation(const std::string& name) { return name.find("_correlation[") != std::string::npos; }

double unbounded(const Spread& spread) {
  return is_correlation(spread.name) ? std::atanh(spread.value) : std::log(spread.value);
}
double bounded(const Spread& spread, double value) {
  return is_correlation(spread.name) ? std::tanh(value) : std::exp(value);
}

/// Gradient of a function of the spreads by central differences: the functions are smooth and of order one.
VectorXd gradient_of(const std::function<double(const VectorXd&)>& function, const VectorXd& at) {
  VectorXd gradient(at.size());
  for (Index i = 0; i < at.size(); ++i) {
    VectorXd up = at, down = at;
    const double step = difference_step * std::max(1.0, std::abs(at[i]));
    up[i] += step;
    down[i] -= step;
    gradient[i] = (function(up) - function(down)) / (2 * step);
  }
  return gradient;
}

/// Upper bound of an sd that is estimated 0: it grows in proportion to some parameter whose log-likelihood is curved
/// there.
double bound_from_zero(const std::function<double(const VectorXd&)>& sd, const VectorXd& at, const MatrixXd& covariance,
                       double z) {
  double bound = 0;
  for (Index i = 0; i + 1 < at.size(); ++i) {
    VectorXd moved = at;
    const double step = std::sqrt(covariance(i, i));
    moved[i] += step * z;
    bound = std::max(bound, sd(moved));
  }
  return bound;
}

}  // namespace

MixedIntervals contrast_intervals(const MixedFit& fit, const MatrixXd& contrasts, double level, MixedDegrees degrees) {
  check_level(level);
  const MixedBlocks& blocks = *fit.blocks;
  if (contrasts.cols() != blocks.coefficients())
    throw std::invalid_argument("contrast_intervals: " + std::to_string(contrasts.cols()) + " columns for " +
                                std::to_string(blocks.coefficients()) + " coefficients");
  const Reference reml = reference_of(fit);
  const double residual = static_cast<double>(blocks.rows()) - blocks.coefficients();
  const bool adjusted = degrees == MixedDegrees::kenward_roger;
  KenwardRoger parts;
  if (adjusted) parts = kenward_roger(blocks, reml, fit.options.correlated);
  const Index n = contrasts.rows();
  MixedIntervals result{{}, contrasts * fit.beta, VectorXd(n), VectorXd(n), VectorXd(n), VectorXd(n)};
  for (Index i = 0; i < n; ++i) {
    const VectorXd u = blocks.x_map().transpose() * contrasts.row(i).transpose();
    const MatrixXd& covariance = adjusted ? parts.adjusted : reml.best.profile.x_inverse;
    result.error[i] = std::sqrt(reml.best.variance * u.dot(covariance * u));
    double df = degrees == MixedDegrees::residual ? residual
                : adjusted                        ? kenward_roger_degrees(parts, reml.best.profile.x_inverse, u)
                                                  : satterthwaite_degrees(blocks, reml, u);
    df = std::max(df, fewest_degrees);
    result.degrees_of_freedom[i] = df;
    const double reach = t_quantile(0.5 + level / 2, df) * result.error[i];
    result.lower[i] = result.estimate[i] - reach;
    result.upper[i] = result.estimate[i] + reach;
  }
  return result;
}

RatioTest ratio_test(const MixedFit& fit, const MatrixXd& contrast, double level, MixedDegrees degrees,
                     double against) {
  if (contrast.rows() != 1 || !(against > 0))
    throw std::invalid_argument("ratio_test: one contrast and a ratio above 0");
  const MixedIntervals found = contrast_intervals(fit, contrast, level, degrees);
  RatioTest result{std::exp(found.estimate[0]),
                   std::exp(found.lower[0]),
                   std::exp(found.upper[0]),
                   found.degrees_of_freedom[0],
                   (found.estimate[0] - std::log(against)) / found.error[0],
                   0};
  const boost::math::students_t student(result.degrees_of_freedom);
  result.p_value = 2 * boost::math::cdf(boost::math::complement(student, std::abs(result.t)));
  return result;
}

MixedIntervals spread_intervals(const MixedFit& fit, double level) {
  check_level(level);
  const MixedBlocks& blocks = *fit.blocks;
  const MixedSearch search(blocks, fit.options.correlated);
  const MixedCriterion best = mixed_criterion(blocks, search, fit.relative, fit.options.method);
  const MatrixXd covariance = spread_covariance(blocks, search, fit.relative, best, fit.options.method);
  VectorXd at(fit.relative.size() + 1);
  at << fit.relative, std::log(best.variance);
  const auto found = spreads_at(fit, search, at);
  const double z = boost::math::quantile(boost::math::normal(), 0.5 + level / 2);
  const auto n = static_cast<Index>(found.size());
  constexpr double infinity = std::numeric_limits<double>::infinity(), none = std::numeric_limits<double>::quiet_NaN();
  MixedIntervals result{{},          VectorXd(n), VectorXd::Constant(n, none), VectorXd::Constant(n, infinity),
                        VectorXd(n), VectorXd(n)};
  for (Index i = 0; i < n; ++i) {
    const auto k = static_cast<std::size_t>(i);
    result.names.push_back(found[k].name);
    result.estimate[i] = found[k].value;
    const auto value = [&](const VectorXd& moved) { return spreads_at(fit, search, moved)[k].value; };
    const double vanished = 1e-6 * std::sqrt(best.variance) * (is_correlation(found[k].name) ? 0 : 1.0);
    if (is_correlation(found[k].name) && !(std::abs(found[k].value) < 1 - 1e-7)) {
      if (std::isnan(found[k].value))
        result.lower[i] = result.upper[i] = none;
      else
        result.lower[i] = -1, result.upper[i] = 1;
    } else if (!is_correlation(found[k].name) && k > 0 && found[k].value <= vanished) {
      result.estimate[i] = result.lower[i] = 0;
      result.upper[i] = bound_from_zero(value, at, covariance, z);
    } else {
      const auto free = [&](const VectorXd& moved) { return unbounded(spreads_at(fit, search, moved)[k]); };
      const VectorXd gradient = gradient_of(free, at);
      const double middle = free(at), error = std::sqrt(gradient.dot(covariance * gradient));
      result.error[i] = gradient_of(value, at).dot(covariance * gradient_of(value, at));
      result.error[i] = std::sqrt(result.error[i]);
      result.lower[i] = bounded(found[k], middle - z * error);
      result.upper[i] = bounded(found[k], middle + z * error);
    }
  }
  return result;
}

}  // namespace moltspan
