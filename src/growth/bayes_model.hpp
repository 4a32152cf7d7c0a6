#pragma once

#include <map>
#include <string>
#include <vector>

#include "moltspan/growth/bayes.hpp"
#include "numeric/rounding_site.hpp"

namespace moltspan {

/// Spreads at one point, ready for use.
struct MixedParameters {
  std::vector<double> reading_variance;  ///< by measure
  Eigen::MatrixXd effect_covariance;
  Eigen::VectorXd effect_sds, correlations;  ///< correlations of pairs (1, 0), (2, 0), (2, 1), ...
  double cohort_variance = 0, process_variance = 0, decline = 0;
};

/// Rows under one decline.
struct MixedDesign {
  Eigen::MatrixXd x, z;
};

/// The mixed model: data by animal, priors, and the places of spreads in the vector of hyperparameters: log sigma of
/// each measure, log sd of each effect, Fisher's z of the partial correlations, log cohort sd, log process sd, decline.
class MixedModel {
 public:
  MixedModel(const BayesGrowthData& data, const BayesGrowthOptions& options, bool declining);

  const BayesGrowthData& data() const { return *data_; }
  bool declining() const { return declining_; }
  bool process() const { return options_.process; }
  bool cohorts() const { return !data_->rows.outer_groups.empty(); }
  Eigen::Index n_coefficients() const { return data_->rows.x.cols(); }
  Eigen::Index n_effects() const { return data_->rows.z.cols(); }
  const std::vector<std::vector<int>>& rows_of_animal() const { return rows_of_animal_; }
  int cohort_of(std::size_t animal) const { return cohort_of_.empty() ? -1 : cohort_of_[animal]; }
  int n_cohorts() const { return n_cohorts_; }
  const std::vector<int>& rounded() const { return rounded_; }  ///< rows that are known to an interval
  int measure(Eigen::Index row) const {
    return data_->rows.measures.empty() ? 0 : data_->rows.measures[row];
  }

  const std::vector<std::string>& spread_names() const { return names_; }
  Eigen::VectorXd start() const;
  double log_hyper_prior(const Eigen::VectorXd& hyper) const;
  MixedParameters numbers(const Eigen::VectorXd& hyper) const;
  /// On the bounded scale, in the order of the names.
  Eigen::VectorXd bounded(const Eigen::VectorXd& hyper) const;
  /// As `bounded`, on the unbounded scale: correlations in place of partial ones.
  Eigen::VectorXd unbounded(const Eigen::VectorXd& hyper) const;

  MixedDesign design(const BayesGrowthRows& rows, double decline) const;
  /// Covariance of the walk at two instars.
  double walk(double instar, double other, const MixedParameters& numbers) const;

  const Eigen::VectorXd& prior_mean() const { return prior_mean_; }
  const Eigen::VectorXd& prior_precision() const { return prior_precision_; }
  const Prior& prior_of(const std::string& name) const { return priors_.at(name); }
  Priors priors_used() const;

 private:
  void set_groups();
  void set_names();
  void set_priors(const Priors& given);
  void set_default_priors();
  Prior default_prior(const std::string& name, const std::string& base, double column_scatter) const;
  std::vector<std::string> meant_by(const std::string& name) const;
  Eigen::Index n_correlations() const { return n_correlations_; }
  Eigen::Index first_correlation() const;
  bool is_correlation(Eigen::Index index) const;
  double log_correlation_prior(const Eigen::VectorXd& hyper) const;

  const BayesGrowthData* data_;
  BayesGrowthOptions options_;
  bool declining_;
  std::map<std::string, Prior> priors_;
  std::vector<std::string> names_;
  std::vector<std::vector<int>> rows_of_animal_;
  std::vector<int> cohort_of_, rounded_;
  int n_cohorts_ = 0;
  Eigen::Index n_correlations_ = 0;
  double first_instar_ = 0, mean_instar_ = 0;
  Eigen::VectorXd prior_mean_, prior_precision_;
};

/// One animal's readings at given spreads: V = Z Psi Z' + walk + error, and V^-1 of [X 1 y].
struct AnimalBlock {
  Eigen::MatrixXd x, prior, inverse;  ///< rows' x; covariance of the predictors given beta and cohort; V^-1
  Eigen::VectorXd y, error;           ///< pseudo readings and their variances
  Eigen::MatrixXd solved;             ///< V^-1 [X 1 y]
  double log_determinant = 0;
};

/// What a cohort's readings say of its effect u given beta: N(center - slope'beta, variance).
struct CohortLaw {
  double variance = 0, center = 0;
  Eigen::VectorXd slope;
};

/// Posterior at fixed spreads.
class MixedState {
 public:
  explicit MixedState(const MixedModel& model);

  /// From the last sites; false where they did not come to rest.
  bool solve(const Eigen::VectorXd& hyper);
  /// Takes the sites as they are: blocks, coefficients and cohorts at a point that was solved before.
  void restore(const BayesGrowthPoint& point);
  BayesGrowthPoint point() const;

  double log_marginal() const { return log_marginal_; }
  const MixedModel& model() const { return *model_; }
  const MixedParameters& numbers() const { return numbers_; }
  const Eigen::VectorXd& beta() const { return beta_; }
  const Eigen::MatrixXd& beta_covariance() const { return beta_covariance_; }
  const AnimalBlock& block(std::size_t animal) const { return blocks_[animal]; }
  const CohortLaw& cohort(int code) const { return cohorts_[code]; }

 private:
  void set_numbers(const Eigen::VectorXd& hyper);
  void forget_sites();
  bool sweep();
  bool pass();
  bool make_block(std::size_t animal);
  void gather_cohorts(Eigen::MatrixXd& information, Eigen::VectorXd& side, double& quadratic, double& log_determinant);
  bool solve_root(Eigen::MatrixXd information, Eigen::VectorXd side, double quadratic, double log_determinant);
  double update_sites(double& moved);
  double update_animal(std::size_t animal, double& moved);

  const MixedModel* model_;
  Eigen::VectorXd hyper_;
  MixedParameters numbers_;
  MixedDesign design_;
  std::vector<AnimalBlock> blocks_;
  std::vector<CohortLaw> cohorts_;
  std::vector<RoundingSite> sites_;  ///< by row; those of rounded rows are in use
  std::vector<bool> is_rounded_;
  Eigen::VectorXd beta_;
  Eigen::MatrixXd beta_covariance_;
  double log_marginal_ = 0;
};

}  // namespace moltspan
