#pragma once

#include <algorithm>
#include <cmath>
#include <thread>

#include "moltspan/config.hpp"
#include "moltspan/instars/impl/model.hpp"
#include "moltspan/numeric/parallel.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace instars {
namespace detail_bootstrap {

inline Index drawn_component(const VectorXd& weight, double u) {
  double sum = 0;
  for (Index k = 0; k < weight.size(); ++k)
    if ((sum += weight[k]) >= u) return k;
  Index largest = 0;
  weight.maxCoeff(&largest);
  return largest;
}

/// A sample from the fit as large as the one at hand: known instars stay known, readings are rounded to the same steps.
inline InstarSizes draw(const InstarFit& fit, const InstarSizes& like, const std::vector<double>& steps, std::uint64_t seed,
                 int replicate) {
  const Model model = model_from(fit, Eigen::RowVectorXd::Zero(fit.mean_log.cols()));
  InstarSizes drawn{MatrixXd(like.sizes_mm.rows(), like.sizes_mm.cols()), like.known};
  numeric::RandomStream random(
      seed, {0x1257B007, static_cast<std::uint32_t>(fit.n_instars), static_cast<std::uint32_t>(replicate)});
  VectorXd z(like.sizes_mm.cols());
  for (Index i = 0; i < drawn.sizes_mm.rows(); ++i) {
    const double u = random.uniform();
    const int label = like.known.empty() ? instar_not_known : like.known[std::size_t(i)];
    const Index k = label == instar_not_known ? drawn_component(model.weight, u) : Index(label - fit.first_instar);
    for (double& value : z) value = random.normal();
    const VectorXd x =
        model.mean.row(k).transpose() + model.root[std::size_t(k)].transpose().triangularView<Eigen::Upper>().solve(z);
    drawn.sizes_mm.row(i) = x.array().exp().matrix().transpose();
    for (std::size_t j = 0; j < steps.size(); ++j) {
      double& size = drawn.sizes_mm(i, Index(j));
      size = std::max(steps[j] / 4, steps[j] * std::round(size / steps[j]));
    }
  }
  return drawn;
}

/// Twice the gain of one instar more, both numbers searched for quickly.
inline double likelihood_ratio(const Sample& sample, int n_instars, const InstarOptions& options) {
  const Found null = find_best(sample, n_instars, options, nullptr, Effort::quick);
  const Found more = find_best(sample, n_instars + 1, options, &null.maxima.front(), Effort::quick);
  return 2 * (more.maxima.front().log_likelihood - null.maxima.front().log_likelihood);
}

inline InstarTest test_number(const InstarSizes& sizes, const InstarFit& null, const InstarOptions& options, int replicates,
                       std::uint64_t seed, int threads) {
  InstarTest test;
  test.n_instars = null.n_instars, test.replicates = replicates;
  const Sample sample = make_sample(sizes, options.reading_step_mm);
  const double more = find_best(sample, null.n_instars + 1, options, nullptr).maxima.front().log_likelihood;
  test.likelihood_ratio = std::max(0.0, 2 * (more - null.log_likelihood));
  std::vector<char> reached(std::size_t(replicates), 0);
  numeric::in_parts(0, std::size_t(replicates), threads, [&](std::size_t from, std::size_t to) {
    for (std::size_t b = from; b < to; ++b) {
      const InstarSizes drawn = draw(null, sizes, options.reading_step_mm, seed, int(b));
      const double ratio = likelihood_ratio(make_sample(drawn, options.reading_step_mm), null.n_instars, options);
      reached[b] = ratio >= test.likelihood_ratio - 1e-9;
    }
  });
  test.p_value = (1.0 + double(std::count(reached.begin(), reached.end(), 1))) / (1.0 + replicates);
  return test;
}

}  // namespace detail_bootstrap
}  // namespace instars

MOLTSPAN_INLINE std::vector<InstarTest> instar_bootstrap(const InstarSizes& sizes, const InstarMixture& result, int replicates,
                                         std::uint64_t seed, int threads) {
  using namespace instars;
  if (threads <= 0) threads = int(std::max(1u, std::thread::hardware_concurrency()));
  const InstarFit& best = result.best;
  std::vector<InstarTest> tests;
  int least = 1;
  if (result.n_known > 0) {
    const auto known = [](int k) { return k != instar_not_known; };
    int low = 201, high = 0;
    for (const int k : sizes.known)
      if (known(k)) low = std::min(low, k), high = std::max(high, k);
    least = high - low + 1;
  }
  if (best.n_instars - 1 >= least) {
    const InstarFit fewer = fit_instars(sizes, best.n_instars - 1, result.options);
    tests.push_back(detail_bootstrap::test_number(sizes, fewer, result.options, replicates, seed, threads));
  }
  const Sample sample = make_sample(sizes, result.options.reading_step_mm);
  if (sample.rows() > best.n_instars + 1)
    tests.push_back(detail_bootstrap::test_number(sizes, best, result.options, replicates, seed, threads));
  return tests;
}

}  // namespace moltspan
