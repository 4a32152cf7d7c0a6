#include <Eigen/Cholesky>
#include <cmath>

#include "growth/bayes_model.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

namespace {

constexpr int max_sweeps = 100;
constexpr double site_tolerance = 1e-6;   ///< shift of a predictor in its sds; the log marginal then errs by its square
constexpr double least_precision = 1e-8;  ///< of a site, over that of an exact reading
constexpr double largest_hyper = 50, least_decline = -0.9;
constexpr double log_2pi = 2 * numeric::log_sqrt_2pi;

}  // namespace

MixedState::MixedState(const MixedModel& model)
    : model_(&model),
      blocks_(model.rows_of_animal().size()),
      cohorts_(static_cast<std::size_t>(model.n_cohorts())),
      sites_(static_cast<std::size_t>(model.data().y.size())),
      is_rounded_(sites_.size(), false) {
  for (int row : model.rounded()) is_rounded_[row] = true;
}

void MixedState::set_numbers(const VectorXd& hyper) {
  hyper_ = hyper;
  numbers_ = model_->numbers(hyper);
  design_ = model_->design(model_->data().rows, numbers_.decline);
  const VectorXd& y = model_->data().y;
  for (std::size_t row = 0; row < sites_.size(); ++row) {
    const double variance =
        numbers_.reading_variance[model_->measure(static_cast<Index>(row))];
    if (is_rounded_[row] && sites_[row].precision > 0) continue;  // from the last point
    double width = 0;
    if (is_rounded_[row])
      width = std::min(model_->data().upper[static_cast<Index>(row)] - model_->data().lower[static_cast<Index>(row)],
                       5.0 * std::sqrt(variance));
    sites_[row].precision = 1 / (variance + width * width / 12);
    sites_[row].pull = sites_[row].precision * y[static_cast<Index>(row)];
  }
  for (std::size_t row = 0; row < sites_.size(); ++row) {
    if (is_rounded_[row]) continue;
    sites_[row].precision =
        1 / numbers_.reading_variance[model_->measure(static_cast<Index>(row))];
    sites_[row].pull = sites_[row].precision * y[static_cast<Index>(row)];
  }
}

bool MixedState::make_block(std::size_t animal) {
  const auto& rows = model_->rows_of_animal()[animal];
  const auto n = static_cast<Index>(rows.size());
  const Index p = model_->n_coefficients();
  AnimalBlock& block = blocks_[animal];
  block.x = design_.x(rows, Eigen::all);
  block.y.resize(n);
  block.error.resize(n);
  for (Index i = 0; i < n; ++i) {
    const RoundingSite& site = sites_[rows[i]];
    block.error[i] = 1 / site.precision;
    block.y[i] = site.pull * block.error[i];
  }
  block.prior.setZero(n, n);
  if (model_->n_effects() > 0) {
    const MatrixXd z = design_.z(rows, Eigen::all);
    block.prior.noalias() += z * numbers_.effect_covariance * z.transpose();
  }
  if (model_->process()) {
    const VectorXd& instars = model_->data().rows.instars;
    for (Index i = 0; i < n; ++i)
      for (Index j = 0; j < n; ++j)
        block.prior(i, j) += model_->walk(instars[rows[i]],
                                          instars[rows[j]], numbers_);
  }
  MatrixXd v = block.prior;
  v.diagonal() += block.error;
  const Eigen::LLT<MatrixXd> cholesky(v);
  if (cholesky.info() != Eigen::Success) return false;
  block.log_determinant = 2 * cholesky.matrixLLT().diagonal().array().log().sum();
  MatrixXd right(n, p + 2);
  right << block.x, VectorXd::Ones(n), block.y;
  block.solved = cholesky.solve(right);
  block.inverse = cholesky.solve(MatrixXd::Identity(n, n));
  return true;
}

/// Integrates the effects of cohorts out of the sums, and keeps what each has learned.
void MixedState::gather_cohorts(MatrixXd& information, VectorXd& side, double& quadratic, double& log_determinant) {
  const Index p = model_->n_coefficients();
  std::vector<VectorXd> sums(cohorts_.size(), VectorXd::Zero(p + 2));  // 1'V^-1 [X 1 y]
  for (std::size_t animal = 0; animal < blocks_.size(); ++animal)
    sums[model_->cohort_of(animal)] += blocks_[animal].solved.colwise().sum().transpose();
  for (std::size_t c = 0; c < cohorts_.size(); ++c) {
    const double grown = 1 + numbers_.cohort_variance * sums[c][p];
    CohortLaw& law = cohorts_[c];
    law.variance = numbers_.cohort_variance / grown;
    law.center = law.variance * sums[c][p + 1];
    law.slope = law.variance * sums[c].head(p);
    information.noalias() -= law.slope * sums[c].head(p).transpose();
    side -= law.center * sums[c].head(p);
    quadratic -= law.center * sums[c][p + 1];
    log_determinant += std::log(grown);
  }
}

bool MixedState::solve_root(MatrixXd information, VectorXd side, double quadratic, double log_determinant) {
  const VectorXd &mean = model_->prior_mean(), &precision = model_->prior_precision();
  information.diagonal() += precision;
  side += precision.cwiseProduct(mean);
  const Eigen::LLT<MatrixXd> cholesky(information);
  if (cholesky.info() != Eigen::Success) return false;
  beta_ = cholesky.solve(side);
  beta_covariance_ = cholesky.solve(MatrixXd::Identity(side.size(), side.size()));
  quadratic += precision.dot(mean.cwiseAbs2()) - side.dot(beta_);
  log_determinant += 2 * cholesky.matrixLLT().diagonal().array().log().sum() - precision.array().log().sum();
  log_marginal_ = -0.5 * (static_cast<double>(sites_.size()) * log_2pi + log_determinant + quadratic);
  return std::isfinite(log_marginal_);
}

bool MixedState::pass() {
  const Index p = model_->n_coefficients();
  MatrixXd information = MatrixXd::Zero(p, p);
  VectorXd side = VectorXd::Zero(p);
  double quadratic = 0, log_determinant = 0;
  for (std::size_t animal = 0; animal < blocks_.size(); ++animal) {
    if (!make_block(animal)) return false;
    const AnimalBlock& block = blocks_[animal];
    information.noalias() += block.x.transpose() * block.solved.leftCols(p);
    side.noalias() += block.x.transpose() * block.solved.col(p + 1);
    quadratic += block.y.dot(block.solved.col(p + 1));
    log_determinant += block.log_determinant;
  }
  if (model_->cohorts()) gather_cohorts(information, side, quadratic, log_determinant);
  return solve_root(std::move(information), std::move(side), quadratic, log_determinant);
}

double MixedState::update_animal(std::size_t animal, double& moved) {
  const auto& rows = model_->rows_of_animal()[animal];
  const AnimalBlock& block = blocks_[animal];
  const Index p = model_->n_coefficients();
  const int cohort = model_->cohort_of(animal);
  const auto* law = cohort < 0 ? nullptr : &cohorts_[cohort];
  const double u = law ? law->center - law->slope.dot(beta_) : 0;
  // Predictors: y - D V^-1 (y - X beta - u), their variance given both D - D V^-1 D.
  const VectorXd rest = block.solved.col(p + 1) - block.solved.leftCols(p) * beta_ - u * block.solved.col(p);
  double total = 0;
  for (std::size_t k = 0; k < rows.size(); ++k) {
    const auto row = static_cast<std::size_t>(rows[k]);
    if (!is_rounded_[row]) continue;
    const auto i = static_cast<Index>(k);
    const double d = block.error[i];
    VectorXd weight = d * block.solved.row(i).head(p).transpose();
    double variance = d - d * d * block.inverse(i, i);
    if (law) {
      const double of_cohort = d * block.solved(i, p);
      weight -= of_cohort * law->slope;
      variance += of_cohort * of_cohort * law->variance;
    }
    variance += weight.dot(beta_covariance_ * weight);
    const double mean = block.y[i] - d * rest[i];
    RoundingSite& site = sites_[row];
    const Cavity cavity = without_site(site, mean, variance);
    total += 0.5 * (log_2pi - std::log(site.precision) + site.pull * site.pull / site.precision);
    if (!cavity.proper) {
      moved = std::max(moved, 1.0);
      continue;
    }
    const double error = numbers_.reading_variance[model_->measure(rows[k])];
    const auto at = static_cast<Index>(row);
    const IntervalMass mass = interval_mass(model_->data().lower[at], model_->data().upper[at], cavity.mean,
                                            std::sqrt(cavity.variance + error));
    total += site_correction(site, cavity, mass.log_mass);
    moved = std::max(moved, std::abs(cavity.mean + cavity.variance * mass.slope - mean) / std::sqrt(variance));
    moved = std::max(moved, 0.1 * std::abs(cavity.variance * (1 + cavity.variance * mass.curvature) / variance - 1));
    site = matched_site(cavity, mass);
    if (const double least = least_precision / error; site.precision < least) {
      site.pull += (least - site.precision) * mean;
      site.precision = least;
    }
  }
  return total;
}

double MixedState::update_sites(double& moved) {
  double total = 0;
  for (std::size_t animal = 0; animal < blocks_.size(); ++animal) total += update_animal(animal, moved);
  return total;
}

/// Sites that did not come to rest are no start for another point.
void MixedState::forget_sites() {
  for (int row : model_->rounded()) sites_[row] = {};
}

bool MixedState::solve(const VectorXd& hyper) {
  if (!hyper.allFinite() || hyper.cwiseAbs().maxCoeff() > largest_hyper) return false;
  set_numbers(hyper);
  if (!(numbers_.decline > least_decline)) return false;
  const bool solved = sweep();
  if (!solved) forget_sites();
  return solved;
}

bool MixedState::sweep() {
  for (int sweeps = 0; sweeps < max_sweeps; ++sweeps) {
    if (!pass()) return false;
    if (model_->rounded().empty()) return true;
    double moved = 0;
    log_marginal_ += update_sites(moved);
    if (moved < site_tolerance) return std::isfinite(log_marginal_);
  }
  return false;
}

BayesGrowthPoint MixedState::point() const {
  BayesGrowthPoint result;
  result.hyper = hyper_;
  result.beta = beta_;
  result.beta_covariance = beta_covariance_;
  for (int row : model_->rounded()) {
    result.site_precision.push_back(sites_[row].precision);
    result.site_pull.push_back(sites_[row].pull);
  }
  return result;
}

void MixedState::restore(const BayesGrowthPoint& point) {
  for (std::size_t k = 0; k < model_->rounded().size(); ++k)
    sites_[model_->rounded()[k]] = {point.site_precision[k], point.site_pull[k]};
  set_numbers(point.hyper);
  pass();
}

}  // namespace moltspan
