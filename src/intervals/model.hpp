#pragma once

#include <array>
#include <map>
#include <string>
#include <vector>

#include "intervals/chain.hpp"
#include "moltspan/intervals/intervals.hpp"
#include "moltspan/posterior/posterior.hpp"

namespace moltspan {

double log_normal_density(double mean, double sd, double x);
/// Log density of a half-normal standard deviation on its log scale.
double log_half_normal_of_log(double scale, double log_sd);

/// Throws std::invalid_argument where a prior has no positive sd or its kind does not fit the name.
void check_prior(const std::string& name, const Prior& prior);

std::vector<std::string> names_of(const std::vector<LearnedSpread>& learned);
std::vector<std::string> names_of(const std::vector<Coefficient>& coefficients);

/// Of shared/priors.toml.
Prior default_prior(CoefficientRole role);

/// Default priors of shared/priors.toml with the caller's on top. Throws std::invalid_argument for an unknown name or
/// kind.
class PriorTable {
 public:
  /// Learned spreads without a prior of their own in shared/priors.toml have that of `own_sd`.
  PriorTable(const Priors& given, const std::vector<Coefficient>& coefficients,
             const std::vector<std::string>& learned = {});
  /// The priors of a table within shared/priors.toml, such as `growth`, with the caller's on top.
  PriorTable(const std::string& section, const Priors& given);
  const Prior& of(const std::string& name) const;  ///< of a coefficient or a standard deviation
  /// Log density of a standard deviation on its log scale, from its half-normal prior.
  double log_density_of_log_sd(const std::string& name, double log_sd) const;

 private:
  void replace(const Priors& given);

  std::map<std::string, Prior> priors_;
};

/// Members of the levels in use, as nodes of a tree: which node each record hangs on.
struct GroupTree {
  std::vector<Level> levels;       ///< levels with data, outermost first
  LatentTree tree;                 ///< root of dimension `root_dim`, then the levels' members
  std::vector<int> level_of_node;  ///< index into `levels`; -1 for the root
  std::vector<int> node_of_record;
  std::array<std::map<int, int>, n_levels> node_of_code;
  std::array<int, n_levels> members{};
};

/// Throws std::invalid_argument naming the record where a member lies in two members of the level above.
GroupTree make_group_tree(const std::array<std::vector<int>, n_levels>& groups, std::size_t records, int root_dim);

/// The stadium-length model for the engine.
///
/// Hyperparameters: log sigma, log sd of each estimated level, log sd of each learned spread. With `coefficients_in_hyper` (maximum likelihood)
/// the coefficients come first and the root is empty; else they are the root's latent variables under their priors.
class StadiaModel final : public LatentModel {
 public:
  StadiaModel(StadiaData data, StadiaOptions options, bool coefficients_in_hyper);

  void latent_prior(const Eigen::VectorXd& hyper, Eigen::VectorXd& mean, Eigen::VectorXd& precision) const override;
  TermResult term(std::size_t index, const double* eta, const Eigen::VectorXd& hyper) const override;
  /// The term of a record without what truncation divides it by.
  TermResult undivided_term(std::size_t index, double eta, const Eigen::VectorXd& hyper) const;
  double log_joint(const std::function<double(std::size_t)>& eta, const Eigen::VectorXd& hyper) const override;
  double log_hyper_prior(const Eigen::VectorXd& hyper) const override;

  const StadiaData& data() const { return data_; }
  const StadiaOptions& options() const { return options_; }
  const GroupTree& groups() const { return groups_; }
  const PriorTable& priors() const { return priors_; }
  const std::vector<int>& estimated_levels() const { return estimated_; }  ///< indices into groups().levels
  int n_hyper() const { return first_learned() + static_cast<int>(coefficients_in_hyper_ ? 0 : data_.learned.size()); }
  /// Place of the log sd of the first learned spread of coefficients.
  int first_learned() const { return log_sigma_index() + 1 + static_cast<int>(estimated_.size()); }
  int log_sigma_index() const { return coefficients_in_hyper_ ? static_cast<int>(data_.coefficients.size()) : 0; }
  /// sd of the effects of groups().levels[level].
  double level_sd(int level, const Eigen::VectorXd& hyper) const;
  /// Whether molts may be hidden within a record.
  bool hides_molts(std::size_t record) const;
  double record_log_sigma(std::size_t record, const Eigen::VectorXd& hyper) const;

  /// Predictor of a row of covariates on a node of the tree.
  Predictor make_predictor(const Eigen::VectorXd& covariates, int node) const;

 private:
  TermResult weighted_term(std::size_t index, double eta, const Eigen::VectorXd& hyper, Truncation truncation) const;

  StadiaData data_;
  SharedDates shared_dates_;
  StadiaOptions options_;
  bool coefficients_in_hyper_;
  PriorTable priors_;
  GroupTree groups_;
  std::vector<int> estimated_;
  std::vector<std::pair<int, double>> extra_node_variance_;
  Eigen::VectorXd coefficient_means_, coefficient_precisions_;
};

/// The stadia of every k-th animal, about `most_records` of them, without probes: enough for a quick look. Never more
/// than twice as many: where one animal holds most of them, every k-th of its stadia.
StadiaData thinned(const StadiaData& data, std::size_t most_records);
/// The rows that `thinned` takes.
std::vector<Eigen::Index> rows_of_part(const StadiaData& data, std::size_t most_records);
/// Their rows, whole animals only, however many stadia these have; empty where no row has an animal.
std::vector<Eigen::Index> thinned_rows(const StadiaData& data, std::size_t most_records);

/// Some records of a table, without probes.
StadiaData picked_rows(const StadiaData& data, const std::vector<Eigen::Index>& rows);

}  // namespace moltspan
