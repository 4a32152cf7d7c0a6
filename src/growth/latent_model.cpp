#include "growth/latent_model.hpp"

#include <algorithm>
#include <cmath>

namespace moltspan {
namespace {

constexpr double flat_precision = 1e-4;     ///< of the first size: sd of 100 log units
constexpr double usual_first_log_sd = 0.5;  ///< of first sizes, and how many animals that counts as (assumption)
constexpr double usual_first_animals = 4;
constexpr double wide_rounding = 0.5;  ///< interval over the usual error of a reading from which its shape matters

std::string measure_spread(const GrowthMeasure& measure) { return "reading_sd." + measure.name; }

}  // namespace

GrowthModel::GrowthModel(const GrowthData& data, const GrowthModelOptions& options, bool declining)
    : data_(&data), options_(options), declining_(declining), priors_("growth", options.priors) {
  groups_ = make_group_tree(data.groups, data.animals.size(), static_cast<int>(n_shared()));
  first_reading_.assign(data.animals.size() + 1, 0);
  for (const GrowthReading& reading : data.readings) ++first_reading_[reading.animal + 1];
  for (std::size_t i = 1; i < first_reading_.size(); ++i) first_reading_[i] += first_reading_[i - 1];
  names_.push_back("process_sd");
  for (const GrowthMeasure& measure : data.measures) names_.push_back(measure_spread(measure));
  for (std::size_t level = 0; level < groups_.levels.size(); ++level) {
    if (carried_by_prior(level)) continue;
    estimated_.push_back(static_cast<int>(level));
    names_.push_back(sd_name(groups_.levels[level]));
  }
  if (declining) names_.push_back("decline");
  set_first_sizes();
}

/// Student's law by reweighting; each animal then has the Gaussian that its weight stands for. Of animals whose first
/// reading is another measure nothing is taken: its ratio would count as known from as many animals as there are.
void GrowthModel::set_first_sizes() {
  first_sizes_.assign(data_->animals.size(), {0, flat_precision});
  if (!options_.alike_at_first) return;
  std::vector<std::size_t> animals;
  std::vector<double> sizes;
  const Eigen::VectorXd parameters = root_mean().tail(n_shared() - 1);
  for (std::size_t i = 0; i < data_->animals.size(); ++i) {
    if (first_reading_[i + 1] == first_reading_[i]) continue;
    const auto begin = data_->readings.begin() + first_reading_[i],
               end = data_->readings.begin() + first_reading_[i + 1];
    const auto first = std::min_element(
        begin, end, [](const GrowthReading& a, const GrowthReading& b) { return a.instar < b.instar; });
    const GrowthReading& r = *first;
    const auto row = static_cast<Eigen::Index>(first - data_->readings.begin());
    Eigen::VectorXd columns = parameters;
    if (columns.size() > 0) columns = data_->columns.row(row);
    if (columns.size() > 0 && columns.minCoeff() < 0) continue;  // by a ratio: all such sizes err together
    animals.push_back(i);
    sizes.push_back(r.log_value - data_->measures[r.measure].bias - columns.dot(parameters));
  }
  if (sizes.empty()) return;
  const double n = static_cast<double>(sizes.size());
  std::vector<double> weights(sizes.size(), 1);
  double mean = 0, variance = usual_first_log_sd * usual_first_log_sd;
  for (int round = 0; round < 20; ++round) {
    double total = 0, sum = 0, squares = usual_first_animals * usual_first_log_sd * usual_first_log_sd;
    for (std::size_t i = 0; i < sizes.size(); ++i) {
      total += weights[i];
      sum += weights[i] * sizes[i];
    }
    mean = sum / total;
    for (std::size_t i = 0; i < sizes.size(); ++i) squares += weights[i] * std::pow(sizes[i] - mean, 2);
    variance = squares / (n + usual_first_animals);
    for (std::size_t i = 0; i < sizes.size(); ++i)
      weights[i] = (first_size_freedom + 1) / (first_size_freedom + std::pow(sizes[i] - mean, 2) / variance);
  }
  for (std::size_t i = 0; i < animals.size(); ++i)
    first_sizes_[animals[i]] = {mean, weights[i] / (variance * (1 + 1 / n))};
}

bool GrowthModel::carried_by_prior(std::size_t level) const {
  return groups_.members[static_cast<std::size_t>(groups_.levels[level])] < 2;
}

bool GrowthModel::as_interval(const GrowthReading& reading) const {
  if (!(reading.upper > reading.lower)) return false;
  const double usual = data_->measures[reading.measure].reading_sd;
  return !(reading.lower > 0) || std::log(reading.upper / reading.lower) > wide_rounding * usual;
}

Eigen::VectorXd GrowthModel::start() const {
  Eigen::VectorXd hyper(static_cast<Eigen::Index>(names_.size()));
  Eigen::Index at = 0;
  hyper[at++] = std::log(0.5 * priors_.of("process_sd").sd);
  for (const GrowthMeasure& measure : data_->measures)
    hyper[at++] = std::log(measure.log_sd_spread > 0 ? measure.reading_sd : 0.5 * measure.reading_sd);
  for (int level : estimated_)
    hyper[at++] = std::log(0.5 * priors_.of(sd_name(groups_.levels[level])).sd);
  if (declining_) hyper[at++] = priors_.of("decline").mean;
  return hyper;
}

double GrowthModel::log_sd_prior(std::size_t index, double log_sd) const {
  const std::size_t measures = data_->measures.size();
  if (index == 0 || index > measures) return priors_.log_density_of_log_sd(names_[index], log_sd);
  const GrowthMeasure& measure = data_->measures[index - 1];
  if (!(measure.log_sd_spread > 0)) return log_half_normal_of_log(measure.reading_sd, log_sd);
  return log_normal_density(std::log(measure.reading_sd), measure.log_sd_spread, log_sd);
}

double GrowthModel::log_hyper_prior(const Eigen::VectorXd& hyper) const {
  double total = 0;
  const std::size_t sds = names_.size() - (declining_ ? 1 : 0);
  for (std::size_t i = 0; i < sds; ++i) total += log_sd_prior(i, hyper[static_cast<Eigen::Index>(i)]);
  if (declining_) {
    const Prior& prior = priors_.of("decline");
    total += log_normal_density(prior.mean, prior.sd, hyper[hyper.size() - 1]);
  }
  return total;
}

GrowthNumbers GrowthModel::numbers(const Eigen::VectorXd& hyper) const {
  GrowthNumbers result;
  Eigen::Index at = 0;
  const auto next_variance = [&] { return std::exp(2 * hyper[at++]); };
  result.process_variance = next_variance();
  for (std::size_t i = 0; i < data_->measures.size(); ++i) result.reading_variance.push_back(next_variance());
  result.blur.setZero(static_cast<Eigen::Index>(groups_.levels.size()), n_shared());
  for (std::size_t level = 0; level < groups_.levels.size(); ++level)
    result.blur(static_cast<Eigen::Index>(level), 0) = std::pow(priors_.of(sd_name(groups_.levels[level])).sd, 2);
  for (int level : estimated_) result.blur(level, 0) = next_variance();
  for (std::size_t level = 0; level < groups_.levels.size(); ++level)
    for (std::size_t k = 0; groups_.levels[level] == Level::taxon && k < data_->parameters.size(); ++k)
      result.blur(static_cast<Eigen::Index>(level), static_cast<Eigen::Index>(k) + 1) =
          std::pow(data_->parameters[k].taxon_sd, 2);
  if (declining_) result.decline = hyper[at];
  return result;
}

ChainStep GrowthModel::step(const GrowthAnimal& animal, std::size_t from, const GrowthNumbers& numbers) const {
  const double molts = animal.molts[from];
  if (!animal.shifts.empty() && std::isfinite(animal.shifts[from]))
    return {1, 0, molts * animal.shifts[from], molts * numbers.process_variance};
  const double share = animal.slowing.empty() ? 1 : animal.slowing[from];
  const double variance = numbers.process_variance * spread_share(share), decline = share * numbers.decline;
  const double unsure = animal.slowing_variance.empty() ? 0 : animal.slowing_variance[from];
  if (std::abs(decline) < 1e-9) return {1, molts * share, 0, molts * variance + unsure};
  const double once = 1 + decline, factor = std::pow(once, molts);
  return {factor, (factor - 1) / numbers.decline, 0, variance * (factor * factor - 1) / (once * once - 1) + unsure};
}

Eigen::VectorXd GrowthModel::root_mean() const {
  Eigen::VectorXd result(n_shared());
  result[0] = priors_.of("log_ratio").mean;
  for (std::size_t k = 0; k < data_->parameters.size(); ++k)
    result[static_cast<Eigen::Index>(k) + 1] = data_->parameters[k].mean;
  return result;
}

Eigen::VectorXd GrowthModel::root_variance() const {
  Eigen::VectorXd sd(n_shared());
  sd[0] = priors_.of("log_ratio").sd;
  for (std::size_t k = 0; k < data_->parameters.size(); ++k)
    sd[static_cast<Eigen::Index>(k) + 1] = data_->parameters[k].sd;
  return sd.cwiseAbs2();
}

}  // namespace moltspan
