#include "collection/hidden_animals.hpp"

#include <Eigen/Dense>
#include <cmath>

namespace moltspan {
namespace {

constexpr double widest = 4;  ///< variance of predictors that nothing but their own records tell of

/// Predictors of records that hang on one node, with the slopes and curves of their terms at the mode.
struct Terms {
  Eigen::MatrixXd a;
  Eigen::VectorXd mode, slope, curve;
  double log_likelihood = 0;
};

Terms terms_at_mode(const StadiaModel& model, const ConditionalPosterior& posterior,
                    const std::vector<std::size_t>& records, Eigen::Index variables) {
  const auto n = static_cast<Eigen::Index>(records.size());
  Terms terms{Eigen::MatrixXd(n, variables), Eigen::VectorXd(n), Eigen::VectorXd(n), Eigen::VectorXd(n)};
  for (Eigen::Index i = 0; i < n; ++i) {
    const std::size_t record = records[i];
    const Predictor& predictor = model.predictors[record];
    terms.a.row(i) = Eigen::Map<const Eigen::RowVectorXd>(predictor.coefficients.data(), variables);
    terms.mode[i] = posterior.predictor_mode(predictor);
    const TermResult term = model.undivided_term(record, terms.mode[i], posterior.hyper());
    terms.slope[i] = term.gradient[0];
    terms.curve[i] = term.hessian[0];
    terms.log_likelihood += term.value;
  }
  return terms;
}

}  // namespace

/// An animal with its predictors freed of its records, and Laplace's log mean of their likelihood over those.
struct HiddenAnimals::Freed {
  HiddenAnimal animal;
  double log_laplace = 0;
  bool proper = false;  ///< something else tells of the predictors
};

HiddenAnimals::Freed HiddenAnimals::without_own(const ConditionalPosterior& posterior, const AnimalGaps& gaps) const {
  std::vector<std::size_t> records, gap;
  for (std::size_t k = 0; k < gaps.record.size(); ++k) {
    if (gaps.record[k] < 0) continue;
    records.push_back(static_cast<std::size_t>(gaps.record[k]));
    gap.push_back(k);
  }
  const Eigen::MatrixXd& covariance = posterior.path_covariance(model_.predictors[records[0]].node);
  const Terms terms = terms_at_mode(model_, posterior, records, covariance.rows());
  const Eigen::LDLT<Eigen::MatrixXd> all(covariance);
  const Eigen::LDLT<Eigen::MatrixXd> rest(all.solve(Eigen::MatrixXd::Identity(covariance.rows(), covariance.rows())) +
                                          terms.a.transpose() * terms.curve.asDiagonal() * terms.a);
  Freed freed{gaps.animal, terms.log_likelihood,
              rest.info() == Eigen::Success && rest.vectorD().minCoeff() > 0 && all.vectorD().minCoeff() > 0};
  const Eigen::MatrixXd spread = rest.solve(terms.a.transpose());
  const Eigen::VectorXd shift = terms.a * (spread * terms.slope);
  for (std::size_t i = 0; i < records.size(); ++i) {
    const auto at = static_cast<Eigen::Index>(i);
    HiddenRecord& one = freed.animal.records[gap[i]];
    one.bounds = model_.data().bounds[records[i]];
    one.extra_variance = model_.data().extra_variance[static_cast<Eigen::Index>(records[i])];
    one.mean = terms.mode[at] - (freed.proper ? shift[at] : 0);
    one.variance = freed.proper ? terms.a.row(at).dot(spread.col(at)) : widest;
  }
  if (freed.proper)
    freed.log_laplace +=
        0.5 * (rest.vectorD().array().log().sum() + all.vectorD().array().log().sum() - terms.slope.dot(shift));
  return freed;
}

HiddenShares HiddenAnimals::weighed(const ConditionalPosterior& posterior, const Freed& freed) const {
  return hidden_shares(model_.options().family, freed.animal, posterior.hyper()[model_.log_sigma_index()],
                       model_.data().hidden_log_step, jump_);
}

std::vector<HiddenWeights> HiddenAnimals::chances(const ConditionalPosterior& posterior) const {
  std::vector<HiddenWeights> result(model_.data().size(), HiddenWeights{1, 0, 0});
  for (const AnimalGaps& gaps : animals_) {
    const HiddenShares shares = weighed(posterior, without_own(posterior, gaps));
    for (std::size_t k = 0; k < gaps.record.size(); ++k)
      if (gaps.record[k] >= 0) result[gaps.record[k]] = shares.shares[k];
  }
  return result;
}

double HiddenAnimals::beyond_laplace(const ConditionalPosterior& posterior) const {
  double gain = 0;
  for (const AnimalGaps& gaps : animals_) {
    if (!gaps.doubtful) continue;
    const Freed freed = without_own(posterior, gaps);
    if (!freed.proper) continue;
    const double exact = weighed(posterior, freed).log_mean;
    if (std::isfinite(exact)) gain += exact - freed.log_laplace;
  }
  return gain;
}

}  // namespace moltspan
