#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <limits>
#include <map>

#include "moltspan/intervals/hidden_molts.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

constexpr double least_share = 1e-6;
constexpr std::size_t most_paths = 128;

/// Equally spaced z that reach over all that any record's number of molts could stand for, as dense as all of them
/// together are sharp.
Eigen::ArrayXd shared_grid(Family family, const std::vector<HiddenRecord>& records, double log_sigma, double log_step) {
  constexpr double reach = 5, far = 8, spacing = 0.8, most_nodes = 400;
  double low = 0, high = 0, precision = 1;
  for (const HiddenRecord& r : records) {
    const bool closed = !std::isnan(r.bounds.max_days);
    const double days = closed ? 0.5 * (r.bounds.min_days + r.bounds.max_days) : r.bounds.min_days;
    if (!r.timed || !(days > 0)) continue;
    for (int j = 0; j <= most_hidden; ++j) {
      if (std::isinf(r.log_chances[static_cast<std::size_t>(j)])) continue;
      const StadiaSum sum = sum_of_stadia(family, j + 1, log_sigma, log_step);
      const double z = std::clamp((std::log(days) - sum.shift - r.mean) / std::sqrt(r.variance), -far, far);
      high = std::max(high, z);
      if (closed) low = std::min(low, z);
    }
    const double own = sum_of_stadia(family, 1, log_sigma, log_step).log_sd;
    if (closed) precision += r.variance / (own * own + r.extra_variance);
  }
  const double sd = 1 / std::sqrt(precision), from = low - reach * sd, to = high + reach * sd;
  const double nodes = std::clamp(std::ceil((to - from) / (spacing * sd)), 2.0, most_nodes);
  return Eigen::ArrayXd::LinSpaced(static_cast<Eigen::Index>(nodes), from, to);
}

/// log (pi_j f_(j+1)) of a record: grid x numbers of hidden molts.
template <StadiumLaw Law>
Eigen::ArrayXXd log_parts_over(const Eigen::ArrayXd& grid, const GapTerms<Law>& parts, const HiddenRecord& record,
                               double shift) {
  Eigen::ArrayXXd values(grid.size(), most_hidden + 1);
  for (int j = 0; j <= most_hidden; ++j) {
    const double weight = record.log_chances[static_cast<std::size_t>(j)];
    const double middle = record.mean + shift + record.shift[static_cast<std::size_t>(j)];
    const auto at = [&](double z) {
      const double eta = middle + std::sqrt(record.variance) * z;
      if (!std::isinf(record.log_chances[0]) && parts.negligible(eta, j))
        return -std::numeric_limits<double>::infinity();
      return weight + parts.term(eta, j).value;
    };
    if (record.timed && !std::isinf(weight))
      values.col(j) = grid.unaryExpr(at);
    else
      values.col(j).setConstant(weight);
  }
  return values;
}

constexpr int most_measures = 8;

/// Sizes of one instar in all measures: they grow alike, and stand to each other as nobody knows before they are read.
class Sizes {
 public:
  explicit Sizes(std::size_t measures = 0)
      : mean_(Vector::Zero(static_cast<Eigen::Index>(measures))),
        known_(Vector::Zero(mean_.size())),
        covariance_(Matrix::Zero(mean_.size(), mean_.size())) {}

  void forget(int measure) {
    known_[measure] = 0;
    covariance_.row(measure).setZero();
    covariance_.col(measure).setZero();
  }
  void grow(double molts, const UsualJump& jump) {
    mean_ += molts * jump.log_ratio * known_;
    covariance_ += molts * jump.log_sd * jump.log_sd * known_ * known_.transpose();
  }
  /// Takes a reading in; its log density given what was known.
  double see(int measure, const LogSize& reading) {
    if (reading.variance == 0) return 0;
    if (known_[measure] == 0) {
      known_[measure] = 1;
      mean_[measure] = reading.mean;
      covariance_(measure, measure) = reading.variance;
      return 0;
    }
    const double variance = covariance_(measure, measure) + reading.variance, sd = std::sqrt(variance);
    const double deviation = reading.mean - mean_[measure];
    const Vector gain = covariance_.col(measure) / variance;
    mean_ += deviation * gain;
    covariance_ -= variance * gain * gain.transpose();
    return numeric::log_phi(deviation / sd) - std::log(sd);
  }

 private:
  using Vector = Eigen::Matrix<double, Eigen::Dynamic, 1, 0, most_measures, 1>;
  using Matrix = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, 0, most_measures, most_measures>;
  Vector mean_, known_;  ///< known: 1 or 0
  Matrix covariance_;
};

/// What a number of hidden molts in each gap so far has for it.
struct Path {
  std::vector<int> hidden;  ///< by gap
  Sizes sizes;              ///< of the last instar
  double log_scale = 0;     ///< of the weights, sizes included
  Eigen::ArrayXd weights;   ///< over the grid
  double log_total = 0;
};

double see_all(Sizes& sizes, const std::vector<LogSize>& readings) {
  double log_density = 0;
  for (std::size_t m = 0; m < readings.size(); ++m) log_density += sizes.see(static_cast<int>(m), readings[m]);
  return log_density;
}

Path extended(const Path& before, int hidden, const HiddenRecord& record, const Eigen::ArrayXd& likelihood,
              const UsualJump& jump) {
  Path path = before;
  path.hidden.push_back(hidden);
  if (record.odd_measure >= 0) path.sizes.forget(record.odd_measure);
  path.sizes.grow(hidden + 1, jump);
  path.log_scale += see_all(path.sizes, record.sizes_after);
  path.weights *= likelihood;
  const double total = path.weights.sum();
  path.log_total = path.log_scale + std::log(total);
  path.weights /= total > 0 ? total : 1;
  path.log_scale = path.log_total;
  return path;
}

std::size_t measures_of(const HiddenAnimal& animal) {
  std::size_t measures = animal.first_sizes.size();
  for (const HiddenRecord& record : animal.records) measures = std::max(measures, record.sizes_after.size());
  return measures;
}

void keep_likeliest(std::vector<Path>& paths) {
  std::sort(paths.begin(), paths.end(), [](const Path& a, const Path& b) { return a.log_total > b.log_total; });
  const double least = paths.front().log_total + std::log(least_share);
  const auto end = std::find_if(paths.begin(), paths.end(), [&](const Path& p) { return !(p.log_total >= least); });
  paths.erase(end, paths.end());
  if (paths.size() > most_paths) paths.resize(most_paths);
}

/// Every path with every number of hidden molts in one gap more; empty where none is possible.
template <StadiumLaw Law>
std::vector<Path> one_gap_further(const std::vector<Path>& paths, const Eigen::ArrayXd& grid, const GapTerms<Law>& parts,
                                  const HiddenRecord& record, const HiddenRecord* before, const UsualJump& jump) {
  const auto shift_of = [&](const Path& path) {
    return before ? before->next_shift[static_cast<std::size_t>(path.hidden.back())] : 0.0;
  };
  std::map<double, Eigen::ArrayXXd> values;  // by the shift that the gap before brings
  double top = -std::numeric_limits<double>::infinity();
  for (const Path& path : paths) {
    const double shift = shift_of(path);
    if (values.contains(shift)) continue;
    values[shift] = log_parts_over(grid, parts, record, shift);
    top = std::max(top, values[shift].maxCoeff());
  }
  if (!std::isfinite(top)) return {};
  for (auto& [shift, log_values] : values) log_values = (log_values - top).exp();
  std::vector<Path> longer;
  for (const Path& path : paths)
    for (int j = 0; j <= most_hidden; ++j)
      if (!std::isinf(record.log_chances[static_cast<std::size_t>(j)]))
        longer.push_back(extended(path, j, record, values[shift_of(path)].col(j), jump));
  std::erase_if(longer, [](const Path& path) { return !std::isfinite(path.log_total); });
  if (!longer.empty()) keep_likeliest(longer);
  for (Path& path : longer) path.log_scale = path.log_total += top;
  return longer;
}

HiddenShares shares_of(const std::vector<Path>& paths, std::size_t records) {
  HiddenShares result;
  if (paths.empty()) {
    result.shares.assign(records, {1, 0, 0});
    return result;
  }
  result.shares.assign(records, {0, 0, 0});
  double total = 0;
  const double top = paths.front().log_total;
  for (const Path& path : paths) total += std::exp(path.log_total - top);
  for (const Path& path : paths)
    for (std::size_t i = 0; i < records; ++i)
      result.shares[i][static_cast<std::size_t>(path.hidden[i])] += std::exp(path.log_total - top) / total;
  result.log_mean = top + std::log(total);
  return result;
}

}  // namespace

HiddenShares hidden_shares(Family family, const HiddenAnimal& animal, double log_sigma, double log_step,
                           const UsualJump& jump) {
  const Eigen::ArrayXd grid = shared_grid(family, animal.records, log_sigma, log_step);
  std::vector<Path> paths{{{}, Sizes(measures_of(animal)), 0, {}, 0}};
  see_all(paths[0].sizes, animal.first_sizes);
  paths[0].weights = (-0.5 * grid.square()).exp() * ((grid[1] - grid[0]) / std::sqrt(2 * M_PI));
  const HiddenRecord* before = nullptr;
  for (const HiddenRecord& record : animal.records) {
    paths = with_law(family, [&](auto law) {
      const GapTerms<decltype(law)> parts(record.bounds, log_sigma, record.extra_variance, log_step);
      return one_gap_further(paths, grid, parts, record, before, jump);
    });
    if (paths.empty()) break;
    before = &record;
  }
  return shares_of(paths, animal.records.size());
}

}  // namespace moltspan
