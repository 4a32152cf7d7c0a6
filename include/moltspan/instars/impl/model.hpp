#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <optional>
#include <vector>

#include "moltspan/instars/instars.hpp"
#include "moltspan/stadium/term.hpp"

/// Inner parts of the instar mixture: data at hand, parameters, one EM step, Newton, starts.
namespace moltspan::instars {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

/// Rows that are alike are one row with a count. Log sizes are shifted by `center`.
struct Sample {
  MatrixXd y;          ///< rows x traits
  MatrixXd low, high;  ///< bounds of exp(y) where sizes were read to a step; else empty
  VectorXd count;
  std::vector<int> label;  ///< instar or instar_not_known
  Eigen::RowVectorXd center;
  double n = 0;
  std::vector<Index> row_of;  ///< animal -> row

  Index rows() const { return y.rows(); }
  Index traits() const { return y.cols(); }
  bool censored() const { return low.size() > 0; }
};

Sample make_sample(const InstarSizes& sizes, const std::vector<double>& reading_step_mm,
                   const Eigen::RowVectorXd* center = nullptr);

/// What is fitted: linear maps from few parameters to the means and spreads of the components.
struct Structure {
  int n_instars, first;
  Spacing spacing;
  Spread spread;
  Covariance covariance;
  MatrixXd design;          ///< instars x mean parameters
  VectorXd middle;          ///< the instar less the middle one
  double spread_floor = 0;  ///< of free spreads against `common`
  MatrixXd common;          ///< covariance of equal spread
  double least_sd = 0;      ///< no sd under this: sizes without spread
  bool diagonal() const { return covariance == Covariance::diagonal; }
  bool own_spreads() const { return spread == Spread::free; }
  int n_parameters(Index traits) const;
};

Structure make_structure(int n_instars, int first, const InstarOptions& options, Index traits);

/// One number of instars: means, precision roots L (Sigma^-1 = L L', lower), weights.
struct Model {
  MatrixXd mean;  ///< instars x traits
  std::vector<MatrixXd> root;
  VectorXd weight;
  double log_likelihood = 0;
  int iterations = 0, newton_steps = 0;
  double decrement = 0;
  bool converged = false;
  std::vector<char> held;  ///< components whose spread is at its floor

  bool at_floor() const { return std::find(held.begin(), held.end(), 1) != held.end(); }
};

/// Expected complete-data moments: counts, sums and sums of products of each component.
struct Moments {
  VectorXd count;
  MatrixXd sum;
  std::vector<MatrixXd> product;
};

MatrixXd covariance_of(const MatrixXd& root);
MatrixXd root_of(const MatrixXd& covariance);

/// Responsibilities (rows x instars) and log-likelihood.
double expectation(const Sample& sample, const Structure& structure, const Model& model, MatrixXd& responsibility);

/// True where `even_expectation` may be asked instead of `expectation` and `moments_of`.
bool may_be_even(const Sample& sample, const Structure& structure);

/// Log-likelihood and moments in one pass; nothing where the components are not even after all.
std::optional<double> even_expectation(const Sample& sample, const Model& model, Moments& moments);

Moments moments_of(const Sample& sample, const Model& model, const MatrixXd& responsibility);

/// True where a covariance lies under the floors of the structure.
bool under_floor(const MatrixXd& root, const Structure& structure);

/// Parameters that maximise the expected complete log-likelihood (for unequal spreads, one conditional cycle).
void maximization(const Moments& moments, const Structure& structure, Model& model);

/// EM until the log-likelihood moves by less than `tolerance` or `most` steps are done.
void run_em(const Sample& sample, const Structure& structure, Model& model, int most, double tolerance);

/// EM, then Newton with the observed information; components whose weight goes to 0 are held there.
void climb(const Sample& sample, const Structure& structure, Model& model, int rounds);

/// Gradient and Hessian of the log-likelihood in (mean parameters by trait, spread parameters, log weights), and the
/// map from these to the components.
struct Slopes {
  double log_likelihood = 0;
  VectorXd gradient;
  MatrixXd hessian;
};

VectorXd parameters_of(const Structure& structure, const Model& model);
Model model_of(const Structure& structure, const Model& like, const VectorXd& parameters);
Slopes slopes(const Sample& sample, const Structure& structure, const Model& model);

/// Covariance of the parameters by the observed information; NaN where it is not positive.
MatrixXd parameter_covariance(const Sample& sample, const Structure& structure, const Model& model);

/// How hard a search looks: only for a start of the next number, for the maximum from few starts, or from all.
enum class Effort { start, quick, full };

/// Local maxima from many starts, best first; `previous`: the best of one instar less.
std::vector<Model> search(const Sample& sample, Structure structure, const Model* previous, Effort effort);

/// Best fit of one number over the offsets that the known instars allow.
struct Found {
  Structure structure;
  std::vector<Model> maxima;
};
Found find_best(const Sample& sample, int n_instars, const InstarOptions& options, const Model* previous,
                Effort effort = Effort::full);

InstarFit package(const Sample& sample, const Found& found);

Misclassification misclassification(const InstarFit& fit);
std::vector<InstarRange> size_ranges(const InstarFit& fit, Index trait);
Model model_from(const InstarFit& fit, const Eigen::RowVectorXd& center);
Structure structure_from(const InstarFit& fit, const InstarOptions& options);

std::vector<HealthNote> judge(const InstarMixture& result, const Sample& sample);

}  // namespace moltspan::instars
