#include <Eigen/Cholesky>
#include <cmath>

#include "growth/latent_model.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr int max_sweeps = 60;
constexpr double site_tolerance =
    3e-4;  ///< shift of a reading's mean in its sds; its log marginal then errs by its square
constexpr double log_2pi = 2 * numeric::log_sqrt_2pi;

/// Convolves one component with N(0, variance): the factor exp(-x'Jx / 2 + h'x) becomes the one of x minus the
/// deviation. Returns what the log of its constant gains.
template <typename Information, typename Side>
double convolve(Information& information, Side& side, Index component, double variance) {
  const double own = information(component, component), scale = 1 / (1 + variance * own);
  const double pull = side[component], gain = variance * scale;
  const VectorXd column = information.col(component);
  information.noalias() -= gain * column * column.transpose();
  side -= gain * pull * column;
  return 0.5 * (std::log(scale) + gain * pull * pull);
}

}  // namespace

GrowthPosterior::GrowthPosterior(const GrowthModel& model)
    : model_(&model), p_(model.n_shared()), stride_(p_ * (p_ + 1)) {
  const GrowthData& data = model.data();
  first_instar_.push_back(0);
  for (const GrowthAnimal& animal : data.animals)
    first_instar_.push_back(first_instar_.back() + static_cast<int>(animal.molts.size()) + 1);
  const auto instars = static_cast<std::size_t>(first_instar_.back());
  diagonal_.resize(instars);
  factor_.resize(instars);
  rows_.resize(instars * static_cast<std::size_t>(1 + p_));
  borders_.resize(instars * static_cast<std::size_t>(p_));
  size_mean_.resize(instars);
  size_variance_.resize(instars);
  own_variance_.resize(instars);
  size_growth_.resize(instars);
  sites_.resize(data.readings.size());
  for (std::size_t i = 0; i < data.readings.size(); ++i) {
    if (!model.as_interval(data.readings[i])) continue;
    intervals_.push_back(static_cast<int>(i));
    const GrowthReading& r = data.readings[i];
    // To begin with: a uniform law over the interval.
    const double width = std::log(r.upper / std::max(r.lower, 0.2 * r.upper));
    const double sd = data.measures[r.measure].reading_sd;
    sites_[i].precision = 1 / (sd * sd + width * width / 12);
    sites_[i].pull = sites_[i].precision * (std::log(r.upper) - 0.5 * width);
  }
  const std::size_t nodes = model.groups().tree.nodes.size();
  front_.resize(nodes * static_cast<std::size_t>(stride_));
  down_.resize(front_.size());
  deviation_variance_.assign(nodes, 0);
}

VectorXd GrowthPosterior::node_mean(int node) const {
  return Eigen::Map<const VectorXd>(down_.data() + node * stride_ + p_ * p_, p_);
}

MatrixXd GrowthPosterior::node_covariance(int node) const {
  return Eigen::Map<const MatrixXd>(down_.data() + node * stride_, p_, p_);
}

double GrowthPosterior::chance_above(int node) const {
  const auto at = static_cast<std::size_t>(node);
  const double of_others = numbers_.blur(model_->groups().level_of_node[at], 0);
  const double deviation = growth_mean(node) - growth_mean(model_->groups().tree.nodes[at].parent);
  return numeric::Phi(deviation / std::sqrt(of_others + deviation_variance_[at]));
}

/// Readings without a wide rounding interval are Gaussian, whatever the rest says.
void GrowthPosterior::fill_gaussian_sites() {
  const GrowthData& data = model_->data();
  gaussian_constant_ = 0;
  std::size_t next = 0;
  for (std::size_t i = 0; i < data.readings.size(); ++i) {
    if (next < intervals_.size() && intervals_[next] == static_cast<int>(i)) {
      ++next;
      continue;
    }
    const GrowthReading& r = data.readings[i];
    double variance = numbers_.reading_variance[r.measure];
    if (r.upper > r.lower) variance += std::pow(std::log(r.upper / r.lower), 2) / 12;
    sites_[i] = {1 / variance, r.log_value / variance};
    gaussian_constant_ -= 0.5 * (log_2pi + std::log(variance) + r.log_value * r.log_value / variance);
  }
}

/// Sites exp(-precision eta^2 / 2 + pull eta) in eta = size + columns' parameters + bias.
void GrowthPosterior::add_readings(int animal, int node, double& constant) {
  const GrowthData& data = model_->data();
  const auto& first = model_->first_reading();
  auto information = this->information(node);
  auto side = this->side(node);
  for (int i = first[animal]; i < first[animal + 1]; ++i) {
    const GrowthReading& r = data.readings[i];
    const auto [precision, pull] = sites_[i];
    const double bias = data.measures[r.measure].bias, centered = pull - precision * bias;
    const auto place = static_cast<std::size_t>(first_instar_[animal] + r.instar);
    double* row = rows_.data() + place * static_cast<std::size_t>(1 + p_);
    diagonal_[place] += precision;
    row[0] += centered;
    constant += bias * (pull - 0.5 * precision * bias);
    if (p_ == 1) continue;
    const auto columns = data.columns.row(i);
    for (Index k = 1; k < p_; ++k) {
      const double column = columns[k - 1];
      if (column == 0) continue;
      row[1 + k] -= precision * column;
      side[k] += centered * column;
      for (Index m = 1; m < p_; ++m) information(m, k) += precision * column * columns[m - 1];
    }
  }
}

/// The walk between instars, and the law of the first one that was read.
void GrowthPosterior::add_steps(int animal, int node, double& constant) {
  const GrowthAnimal& a = model_->data().animals[animal];
  const auto& first_reading = model_->first_reading();
  auto information = this->information(node);
  auto side = this->side(node);
  const auto base = static_cast<std::size_t>(first_instar_[animal]);
  const auto width = static_cast<std::size_t>(1 + p_);
  int first_read = static_cast<int>(a.molts.size());
  for (int i = first_reading[animal]; i < first_reading[animal + 1];
       ++i)
    first_read = std::min(first_read, model_->data().readings[i].instar);
  for (std::size_t k = 0; k < a.molts.size(); ++k) {
    const ChainStep step = model_->step(a, k, numbers_);
    const double precision = 1 / step.variance;
    double *from = rows_.data() + (base + k) * width, *to = from + width;
    diagonal_[base + k] += precision * step.factor * step.factor;
    diagonal_[base + k + 1] += precision;
    factor_[base + k + 1] = -precision * step.factor;
    from[0] -= precision * step.factor * step.shift;
    to[0] += precision * step.shift;
    from[1] -= precision * step.factor * step.growth;
    to[1] += precision * step.growth;
    information(0, 0) += precision * step.growth * step.growth;
    side[0] -= precision * step.growth * step.shift;
    constant -= 0.5 * (precision * step.shift * step.shift + log_2pi + std::log(step.variance));
    // Sizes before the first reading are as the walk leads back from there.
    if (static_cast<int>(k) < first_read) constant += std::log(step.factor);
  }
  const FirstSize& first = model_->first_size(animal);
  diagonal_[base + static_cast<std::size_t>(first_read)] += first.precision;
  rows_[(base + static_cast<std::size_t>(first_read)) * width] += first.precision * first.mean;
  constant += 0.5 * (std::log(first.precision) - log_2pi - first.precision * first.mean * first.mean);
}

/// Eliminates the sizes from first to last; what is left stands in the node.
double GrowthPosterior::eliminate_chain(int animal, int node) {
  auto information = this->information(node);
  auto side = this->side(node);
  const auto base = static_cast<std::size_t>(first_instar_[animal]);
  const auto end = static_cast<std::size_t>(first_instar_[animal + 1]);
  const auto width = static_cast<std::size_t>(1 + p_);
  double constant = 0;
  for (std::size_t k = base; k < end; ++k) {
    double* row = rows_.data() + k * width;
    if (k > base) {
      const double off = factor_[k], factor = off / diagonal_[k - 1];
      factor_[k] = factor;
      diagonal_[k] -= factor * off;
      for (std::size_t c = 0; c < width; ++c) row[c] -= factor * (row - width)[c];
    }
    const double inverse = 1 / diagonal_[k];
    constant += 0.5 * (row[0] * row[0] * inverse - std::log(diagonal_[k]) + log_2pi);
    for (Index i = 0; i < p_; ++i) {
      const double scaled = row[1 + i] * inverse;
      side[i] += scaled * row[0];
      for (Index j = 0; j < p_; ++j) information(j, i) -= scaled * row[1 + j];
    }
  }
  return constant;
}

double GrowthPosterior::eliminate_animal(int animal) {
  const int node = model_->groups().node_of_record[animal];
  const auto base = first_instar_[animal],
             end = first_instar_[animal + 1];
  std::fill(diagonal_.begin() + base, diagonal_.begin() + end, 0.0);
  std::fill(rows_.begin() + base * (1 + p_), rows_.begin() + end * (1 + p_), 0.0);
  double constant = 0;
  add_readings(animal, node, constant);
  add_steps(animal, node, constant);
  return constant + eliminate_chain(animal, node);
}

/// Log of the integral of all Gaussian factors.
double GrowthPosterior::up() {
  std::fill(front_.begin(), front_.end(), 0.0);
  const auto& groups = model_->groups();
  const auto& first = model_->first_reading();
  double constant = gaussian_constant_;
  for (int animal = 0; animal < static_cast<int>(model_->data().animals.size()); ++animal)
    if (first[animal + 1] > first[animal])
      constant += eliminate_animal(animal);
  for (int node = static_cast<int>(groups.tree.nodes.size()) - 1; node > 0; --node) {
    scratch_information_ = information(node);
    scratch_side_ = side(node);
    const int level = groups.level_of_node[node];
    for (Index k = 0; k < p_; ++k)
      if (const double variance = numbers_.blur(level, k); variance > 0)
        constant += convolve(scratch_information_, scratch_side_, k, variance);
    const int parent = groups.tree.nodes[node].parent;
    information(parent) += scratch_information_;
    side(parent) += scratch_side_;
  }
  return constant + root();
}

double GrowthPosterior::root() {
  const VectorXd prior_mean = model_->root_mean(), prior_precision = model_->root_variance().cwiseInverse();
  auto information = this->information(0);
  auto side = this->side(0);
  information.diagonal() += prior_precision;
  side += prior_precision.cwiseProduct(prior_mean);
  const Eigen::LLT<MatrixXd> cholesky(information);
  if (cholesky.info() != Eigen::Success) return -std::numeric_limits<double>::infinity();
  covariance(0) = cholesky.solve(MatrixXd::Identity(p_, p_));
  mean(0) = cholesky.solve(side);
  const double log_determinant = 2 * cholesky.matrixLLT().diagonal().array().log().sum();
  return 0.5 * (side.dot(mean(0)) - log_determinant + prior_precision.array().log().sum() -
                prior_precision.dot(prior_mean.cwiseAbs2()));
}

/// From the posterior of the parent to that of a member: the deviations in the reverse order of `up`.
void GrowthPosterior::move_down(int node) {
  const auto& groups = model_->groups();
  const int level = groups.level_of_node[node],
            parent = groups.tree.nodes[node].parent;
  auto m = mean(node);
  auto c = covariance(node);
  m = mean(parent);
  c = covariance(parent);
  for (Index k = p_; k-- > 0;) {
    const double variance = numbers_.blur(level, k);
    if (!(variance > 0)) continue;
    scratch_information_ = information(node);
    scratch_side_ = side(node);
    for (Index before = 0; before < k; ++before)
      if (const double earlier = numbers_.blur(level, before); earlier > 0)
        convolve(scratch_information_, scratch_side_, before, earlier);
    const double gain = variance / (1 + variance * scratch_information_(k, k));
    const VectorXd column = scratch_information_.col(k);
    if (k == 0) deviation_variance_[node] = gain + gain * gain * column.dot(c * column);
    m[k] += gain * (scratch_side_[k] - column.dot(m));
    // (I - gain e_k column') C (I - gain e_k column')' + gain e_k e_k'
    c.row(k) -= gain * (column.transpose() * c).eval();
    c.col(k) -= gain * (c * column).eval();
    c(k, k) += gain;
  }
}

void GrowthPosterior::down() {
  for (int node = 1; node < static_cast<int>(model_->groups().tree.nodes.size()); ++node) move_down(node);
}

/// Moments of an animal's sizes, its shared variables integrated out: backwards along the chain.
void GrowthPosterior::smooth_animal(int animal) {
  const int node = model_->groups().node_of_record[animal];
  const auto m = mean(node);
  const auto c = covariance(node);
  const int base = first_instar_[animal],
            end = first_instar_[animal + 1];
  double within = 0;
  for (int k = end; k-- > base;) {
    const auto place = static_cast<std::size_t>(k);
    const double inverse = 1 / diagonal_[place], factor = k + 1 < end ? factor_[place + 1] : 0;
    const double* row = rows_.data() + place * static_cast<std::size_t>(1 + p_);
    double* border = borders_.data() + place * static_cast<std::size_t>(p_);
    double size = row[0] * inverse;
    for (Index i = 0; i < p_; ++i) {
      border[i] = row[1 + i] * inverse - (factor != 0 ? factor * border[p_ + i] : 0);
      size += row[1 + i] * inverse * m[i];
    }
    if (factor != 0) size -= factor * size_mean_[place + 1];
    within = inverse + factor * factor * within;
    const Eigen::Map<const VectorXd> b(border, p_);
    size_mean_[place] = size;
    own_variance_[place] = within;
    size_variance_[place] = within + b.dot(c * b);
    size_growth_[place] = b.dot(c.col(0));
  }
}

std::pair<double, double> GrowthPosterior::reading_moments(std::size_t reading, int animal) const {
  const GrowthReading& r = model_->data().readings[reading];
  const auto place = static_cast<std::size_t>(first_instar_[animal] + r.instar);
  double mean = size_mean_[place] + model_->data().measures[r.measure].bias;
  double variance = size_variance_[place];
  if (p_ == 1) return {mean, variance};
  const int node = model_->groups().node_of_record[animal];
  const Eigen::Map<const VectorXd> border(borders_.data() + place * static_cast<std::size_t>(p_), p_);
  VectorXd w = VectorXd::Zero(p_);
  w.tail(p_ - 1) = model_->data().columns.row(static_cast<Index>(reading)).transpose();
  const MatrixXd c = node_covariance(node);
  return {mean + w.dot(node_mean(node)), variance + w.dot(c * (2 * border + w))};
}

/// One reading's site from the moments of its interval in the posterior without it. Returns its share of the log
/// marginal beyond the Gaussian integral.
double GrowthPosterior::update_site(std::size_t reading, double eta, double variance, double& moved) {
  RoundingSite& site = sites_[reading];
  const Cavity cavity = without_site(site, eta, variance);
  if (!cavity.proper) {
    moved = std::max(moved, 1.0);
    return 0;
  }
  const GrowthReading& r = model_->data().readings[reading];
  const double spread = std::sqrt(cavity.variance + numbers_.reading_variance[r.measure]);
  const IntervalMass mass = interval_mass(r.lower > 0 ? std::log(r.lower) : -std::numeric_limits<double>::infinity(),
                                          std::log(r.upper), cavity.mean, spread);
  const double gain = site_correction(site, cavity, mass.log_mass);
  moved = std::max(moved, std::abs(cavity.mean + cavity.variance * mass.slope - eta) / std::sqrt(variance));
  moved = std::max(moved, 0.1 * std::abs(cavity.variance * (1 + cavity.variance * mass.curvature) / variance - 1));
  site = matched_site(cavity, mass);
  return gain;
}

double GrowthPosterior::update_sites(double& moved) {
  double total = 0;
  for (int reading : intervals_) {
    const auto i = static_cast<std::size_t>(reading);
    const int animal = model_->data().readings[i].animal;
    const auto [mean, variance] = reading_moments(i, animal);
    total += update_site(i, mean, variance, moved);
  }
  return total;
}

bool GrowthPosterior::solve(const VectorXd& hyper) {
  numbers_ = model_->numbers(hyper);
  if (!(numbers_.decline > -0.9)) return false;
  fill_gaussian_sites();
  const auto& first = model_->first_reading();
  for (sweeps_ = 1; sweeps_ <= max_sweeps; ++sweeps_) {
    double value = up();
    if (!std::isfinite(value)) return false;
    down();
    for (int animal = 0; animal < static_cast<int>(model_->data().animals.size()); ++animal)
      if (first[animal + 1] > first[animal]) smooth_animal(animal);
    double moved = 0;
    value += update_sites(moved);
    log_marginal_ = value;
    if (moved < site_tolerance) return std::isfinite(value);
  }
  return false;
}

}  // namespace moltspan
