#pragma once

#include <array>
#include <limits>
#include <vector>

#include "intervals/model.hpp"
#include "moltspan/growth/latent.hpp"
#include "numeric/rounding_site.hpp"

namespace moltspan {

/// What the spreads at one point say, ready for a pass over the data.
struct GrowthNumbers {
  double process_variance = 0, decline = 0;
  std::vector<double> reading_variance;  ///< by measure
  Eigen::MatrixXd blur;  ///< levels of the tree x shared variables: variances of the members' deviations
};

/// A step from one instar to the next: x' = factor x + growth g + shift + N(0, variance).
struct ChainStep {
  double factor = 1, growth = 1, shift = 0, variance = 0;
};

/// Gaussian law of the size with which an animal's readings begin.
struct FirstSize {
  double mean = 0, precision = 0;
};

/// The growth model: data, tree of groups, and the places of the spreads in the vector of hyperparameters.
///
/// Shared variables of an animal: g, then the parameters of readings. Hyperparameters: log process sd, log reading sd
/// of each measure, log sd of each estimated level, with `declining` the decline.
class GrowthModel {
 public:
  GrowthModel(const GrowthData& data, const GrowthModelOptions& options, bool declining);

  const GrowthData& data() const { return *data_; }
  const GrowthModelOptions& options() const { return options_; }
  const GroupTree& groups() const { return groups_; }
  bool declining() const { return declining_; }
  Eigen::Index n_shared() const { return 1 + static_cast<Eigen::Index>(data_->parameters.size()); }
  const std::vector<std::string>& hyper_names() const { return names_; }
  const std::vector<int>& first_reading() const { return first_reading_; }  ///< of each animal, and the end
  /// Whether a reading enters as an interval; else rounding only adds to its variance.
  bool as_interval(const GrowthReading& reading) const;

  Eigen::VectorXd start() const;
  double log_hyper_prior(const Eigen::VectorXd& hyper) const;
  GrowthNumbers numbers(const Eigen::VectorXd& hyper) const;
  ChainStep step(const GrowthAnimal& animal, std::size_t from, const GrowthNumbers& numbers) const;
  Eigen::VectorXd root_mean() const;
  Eigen::VectorXd root_variance() const;
  const PriorTable& priors() const { return priors_; }
  const FirstSize& first_size(int animal) const { return first_sizes_[animal]; }
  /// The level's members are too few to tell their spread.
  bool carried_by_prior(std::size_t level) const;

 private:
  double log_sd_prior(std::size_t index, double log_sd) const;
  void set_first_sizes();

  const GrowthData* data_;
  GrowthModelOptions options_;
  bool declining_;
  PriorTable priors_;
  GroupTree groups_;
  std::vector<int> first_reading_, estimated_;
  std::vector<FirstSize> first_sizes_;
  std::vector<std::string> names_;
};

/// Posterior of sizes and growth at fixed spreads.
///
/// Each animal's sizes are eliminated along its chain; what is left is a Gaussian factor in its shared variables, which
/// goes up the tree: at each level every component is convolved with the deviation of that level, a rank-one change of
/// the factor. Rounded readings are Gaussian sites, matched to the moments of the reading in the leave-one-out
/// posterior until they stand still.
class GrowthPosterior {
 public:
  explicit GrowthPosterior(const GrowthModel& model);

  /// From the last sites; false where they did not come to rest or the result is not finite.
  bool solve(const Eigen::VectorXd& hyper);
  double log_marginal() const { return log_marginal_; }
  const GrowthNumbers& numbers() const { return numbers_; }
  int sweeps() const { return sweeps_; }

  const GrowthModel& model() const { return *model_; }
  /// Of the shared variables of a node of the tree. All that follows is filled by `solve`.
  Eigen::VectorXd node_mean(int node) const;
  Eigen::MatrixXd node_covariance(int node) const;
  double growth_mean(int node) const { return down_[node * stride_ + p_ * p_]; }
  double growth_variance(int node) const { return down_[node * stride_]; }
  /// Chance that the g of a member exceeds that of another one of the same parent.
  double chance_above(int node) const;
  int n_places() const { return first_instar_.back(); }  ///< instars of all animals in order
  double size_mean(int place) const { return size_mean_[place]; }
  double size_variance(int place) const { return size_variance_[place]; }
  /// Covariance of a size with its animal's g.
  double size_growth_covariance(int place) const { return size_growth_[place]; }
  /// Variance of a size given its animal's shared variables.
  double own_variance(int place) const { return own_variance_[place]; }

 private:
  using Map = Eigen::Map<Eigen::MatrixXd>;
  using VectorMap = Eigen::Map<Eigen::VectorXd>;

  Map information(int node) { return Map(front_.data() + node * stride_, p_, p_); }
  VectorMap side(int node) { return VectorMap(front_.data() + node * stride_ + p_ * p_, p_); }
  Map covariance(int node) { return Map(down_.data() + node * stride_, p_, p_); }
  VectorMap mean(int node) { return VectorMap(down_.data() + node * stride_ + p_ * p_, p_); }

  void fill_gaussian_sites();
  double up();
  double eliminate_animal(int animal);
  void add_readings(int animal, int node, double& constant);
  void add_steps(int animal, int node, double& constant);
  double eliminate_chain(int animal, int node);
  double root();
  void down();
  void move_down(int node);
  void smooth_animal(int animal);
  double update_sites(double& moved);
  double update_site(std::size_t reading, double eta, double variance, double& moved);
  std::pair<double, double> reading_moments(std::size_t reading, int animal) const;

  const GrowthModel* model_;
  Eigen::Index p_, stride_;
  GrowthNumbers numbers_;
  std::vector<int> first_instar_;
  std::vector<RoundingSite> sites_;
  std::vector<int> intervals_, interval_animals_;  ///< readings that enter as intervals
  std::vector<double> diagonal_, factor_, rows_;   ///< of the eliminated chains; rows: instars x (1 + p)
  std::vector<double> front_, down_;               ///< of the nodes: information and side, covariance and mean
  std::vector<double> deviation_variance_;         ///< of g from that of the parent, by node
  std::vector<double> size_mean_, size_variance_, own_variance_, size_growth_, borders_;
  Eigen::MatrixXd scratch_information_;
  Eigen::VectorXd scratch_side_;
  double log_marginal_ = -std::numeric_limits<double>::infinity(), gaussian_constant_ = 0;
  int sweeps_ = 0;
};

}  // namespace moltspan
