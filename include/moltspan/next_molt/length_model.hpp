#pragma once

#include <Eigen/Core>
#include <cmath>
#include <limits>
#include <map>
#include <vector>

#include "moltspan/next_molt/priors.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/posterior/model.hpp"
#include "moltspan/stadium/term.hpp"

namespace moltspan {

/// One stadium of one animal: its bounds, the leg span in it (NaN = not known: as 20 mm), whose it is.
struct StadiumRecord {
  StadiumBounds bounds;
  double leg_span_mm = std::numeric_limits<double>::quiet_NaN();
  int animal = 0;
};

/// The model of StadiumPriors for the posterior engine, with any law of W. Hyperparameters: log sigma and, from two animals
/// on, log animal_sd; one animal alone has an effect with the prior's animal_sd. Without any leg span there is no size
/// exponent. It reads the records where they are: they must outlive it.
template <StadiumLaw Law>
class LengthModel {
 public:
  LengthModel(const std::vector<StadiumRecord>& records, const StadiumPriors& priors, Truncation truncation)
      : records_(records), priors_(priors), truncation_(truncation) {
    for (const StadiumRecord& record : records) sized_ = sized_ || record.leg_span_mm > 0;
    tree.nodes.push_back({-1, sized_ ? 2 : 1});
    std::map<int, int> nodes;
    for (std::size_t i = 0; i < records.size(); ++i) {
      const auto [found, added] = nodes.try_emplace(records[i].animal, static_cast<int>(tree.nodes.size()));
      if (added) tree.nodes.push_back({0, 1});
      terms.push_back({static_cast<int>(i), 1});
      predictors.push_back(predictor(found->second, records[i].leg_span_mm));
    }
  }

  LatentTree tree;
  std::vector<Predictor> predictors;
  std::vector<TermPlace> terms;

  int n_hyper() const { return tree.nodes.size() > 2 ? 2 : 1; }

  void latent_prior(const Eigen::VectorXd& hyper, Eigen::VectorXd& mean, Eigen::VectorXd& precision) const {
    const double animal_sd = n_hyper() > 1 ? std::exp(hyper[1]) : priors_.animal_sd;
    mean.setZero();
    precision.setConstant(std::pow(animal_sd, -2));
    mean[0] = priors_.log_days.mean;
    precision[0] = 1 / (priors_.log_days.sd * priors_.log_days.sd);
    if (!sized_) return;
    mean[1] = priors_.size_exponent.mean;
    precision[1] = 1 / (priors_.size_exponent.sd * priors_.size_exponent.sd);
  }

  TermResult term(std::size_t index, const double* eta, const Eigen::VectorXd& hyper) const {
    return result(index, *eta, hyper[0], truncation_);
  }
  /// The term of a record without what truncation divides it by.
  TermResult undivided_term(std::size_t index, double eta, const Eigen::VectorXd& hyper) const {
    return result(index, eta, hyper[0], Truncation::marginal);
  }

  double log_hyper_prior(const Eigen::VectorXd& hyper) const {
    constexpr double least_log_sigma = -14;  // lengths without any scatter have no posterior
    if (hyper[0] < least_log_sigma) return -std::numeric_limits<double>::infinity();
    double total = log_half_normal_of_log(priors_.sigma, hyper[0]);
    if (n_hyper() > 1) total += log_half_normal_of_log(priors_.animal_sd, hyper[1]);
    return total;
  }

 private:
  static double log_half_normal_of_log(double scale, double log_sd) {
    return std::log(2.0) + (numeric::log_phi(std::exp(log_sd) / scale) - std::log(scale)) + log_sd;
  }

  Predictor predictor(int node, double leg_span_mm) const {
    Predictor made{node, 0, {1, 1}};
    if (sized_) made.coefficients.push_back(leg_span_mm > 0 ? std::log(leg_span_mm / reference_leg_span_mm) : 0);
    return made;
  }

  TermResult result(std::size_t index, double eta, double log_sigma, Truncation truncation) const {
    const StadiumTerm one = stadium_term<Law>(records_[index].bounds, eta, log_sigma, truncation);
    TermResult result;
    result.value = one.value;
    result.gradient[0] = one.d_eta;
    result.hessian[0] = one.d_eta_eta;
    return result;
  }

  const std::vector<StadiumRecord>& records_;
  StadiumPriors priors_;
  Truncation truncation_;
  bool sized_ = false;
};

}  // namespace moltspan
