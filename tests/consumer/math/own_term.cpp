#include <cstdio>
#include <moltspan/numeric/bfgs.hpp>
#include <moltspan/posterior.hpp>

/// Molts counted in equal spells of watching: Poisson with a log rate an animal, about a mean of all. Not one of the
/// library's terms.
struct Counts {
  explicit Counts(std::vector<int> molts) : counts(std::move(molts)) {
    for (int i = 0; i < static_cast<int>(counts.size()); ++i) {
      tree.nodes.push_back({0, 1});                  // an effect of the animal, below the root with the mean
      predictors.push_back({i + 1, 0.0, {1.0, 1.0}});  // effect + mean
      terms.push_back({i, 1});
    }
  }
  void latent_prior(const Eigen::VectorXd& hyper, Eigen::VectorXd& mean, Eigen::VectorXd& precision) const {
    mean.setZero();
    precision.setConstant(std::exp(-2 * hyper[0]));
    precision[0] = 0.25;
  }
  moltspan::TermResult term(std::size_t i, const double* eta, const Eigen::VectorXd&) const {
    const double rate = std::exp(*eta);
    return {counts[i] * *eta - rate - std::lgamma(counts[i] + 1.0), {counts[i] - rate}, {-rate}};
  }
  double log_hyper_prior(const Eigen::VectorXd& hyper) const { return -0.5 * std::exp(2 * hyper[0]) + hyper[0]; }

  std::vector<int> counts;
  moltspan::LatentTree tree{{{-1, 1}}};
  std::vector<moltspan::Predictor> predictors;
  std::vector<moltspan::TermPlace> terms;
};

int main() {
  const Counts model({3, 5, 2, 4, 9, 3, 4});  // invented records
  Eigen::VectorXd means;
  const auto begin = [&](std::size_t points) { means.conservativeResize(static_cast<Eigen::Index>(points)); };
  const auto posterior = moltspan::integrate_hyperparameters(
      model, Eigen::VectorXd::Constant(1, -1.0), {}, begin,
      [&](std::size_t point, const auto& at) { means[static_cast<Eigen::Index>(point)] = at.node_mean(0)[0]; },
      moltspan::numeric::Bfgs{});
  std::printf("log evidence %.17g\nmean log rate %.17g\n", posterior.log_evidence, posterior.weights.dot(means));
}
