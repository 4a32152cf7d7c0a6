#pragma once

#include <Eigen/Core>
#include <algorithm>
#include <utility>

#include "moltspan/posterior/conditional.hpp"

namespace moltspan {

/// The leave-one-out (cavity) distribution of a term's predictor, as a Gaussian (mean, variance): without what was seen of the
/// record. `model.undivided_term(record, eta, hyper)` is what is taken out; what truncation divides by stays: an animal that
/// was met part-way is of a population that favors those that were there to be met. Term `record` is the record's.
template <typename Posterior, typename Model>
std::pair<double, double> predictor_without_term(const Posterior& posterior, const Model& model, std::size_t record) {
  const Predictor& predictor = model.predictors[record];
  const auto [mean, variance] = posterior.predictor_moments(predictor);
  const double mode = posterior.predictor_mode(predictor);
  const TermResult term = model.undivided_term(record, mode, posterior.hyper());
  // Doubtful gaps of the animal can bend the rest the wrong way: no less is known of it than before any record.
  const double least = std::max(1 / posterior.prior_variance(predictor), 1e-8 / variance);
  const double freed = 1 / std::max(1 / variance + term.hessian[0], least);
  const double at = mean - posterior.own_shift(record);
  return {at - freed * (term.gradient[0] + term.hessian[0] * (at - mode)), freed};
}

}  // namespace moltspan
