#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <memory>
#include <vector>

#include "collection/hidden_animals.hpp"
#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/collection/fit.hpp"
#include "moltspan/simulate/simulate.hpp"

namespace moltspan {
namespace {

constexpr double never = -std::numeric_limits<double>::infinity();

/// Animals with four gaps each, lengths known exactly, an intercept that is as good as known.
struct SmallModel {
  std::vector<std::vector<double>> days{{70, 82, 160, 75}, {95, 60, 66, 71}, {120, 118, 64, 131}};
  StadiaData data;
  StadiaOptions options;
  std::vector<AnimalGaps> gaps;

  explicit SmallModel(const HiddenWeights& weights) {
    options.method = Method::bayes;
    options.priors = {{"Intercept", {Prior::Kind::normal, 4.3, 1e-4}}};
    data.coefficients = {{"Intercept", CoefficientRole::intercept}};
    data.covariates = Eigen::MatrixXd::Ones(12, 1);
    data.extra_variance = Eigen::VectorXd::Constant(12, 0.001);
    data.hidden_log_step = 0.1;
    for (std::size_t a = 0; a < days.size(); ++a) {
      gaps.emplace_back();
      for (double t : days[a]) {
        gaps.back().record.push_back(static_cast<Eigen::Index>(data.bounds.size()));
        data.bounds.push_back({t, t, 0, 0});
        data.groups[static_cast<int>(Level::animal)].push_back(static_cast<int>(a));
        data.hidden_log_weights.push_back(weights);
        gaps.back().animal.records.emplace_back();
        gaps.back().animal.records.back().log_chances = weights;
      }
    }
  }

  /// log of the product over the animals of the integral over the animal's effect, by a dense sum.
  double log_marginal(double log_sigma, double animal_sd) const {
    double log_all = 0;
    for (std::size_t a = 0; a < days.size(); ++a) {
      double sum = 0;
      const double width = 0.01;
      for (double z = -8; z < 8; z += width) {
        double log_term = -0.5 * z * z + std::log(width / std::sqrt(2 * M_PI));
        for (double t : days[a])
          log_term += hidden_term(Family::lognormal, {t, t, 0, 0}, 4.3 + animal_sd * z, log_sigma, 0.001,
                                  gaps[a].animal.records[0].log_chances, 0.1, Truncation::marginal)
                          .value;
        sum += std::exp(log_term);
      }
      log_all += std::log(sum);
    }
    return log_all;
  }
};

/// Laplace's log marginal and what HiddenAnimals adds to it, at sigma .2 and animals' sd .2.
std::pair<double, double> log_marginals(const SmallModel& small) {
  const StadiaModel model(small.data, small.options, false);
  const HiddenAnimals animals(model, small.gaps, {});
  ConditionalPosterior posterior(model);
  EXPECT_TRUE(posterior.solve(Eigen::Vector2d(std::log(0.2), std::log(0.2))));
  // Flat or not, the engine counts the prior of the intercept with its density; the dense sum has it fixed.
  return {posterior.log_marginal(), animals.beyond_laplace(posterior)};
}

// Without hidden molts the likelihood of exact lengths is Gaussian, and Laplace's approximation exact.
TEST(HiddenAnimals, AddNothingToWhatIsGaussian) {
  const auto [laplace, beyond] = log_marginals(SmallModel({0, never, never}));
  EXPECT_NEAR(beyond, 0, 1e-6);  // the intercept is known to 1e-4
}

// With doubtful gaps: the whole against the dense sum, which Laplace misses by far more. The constant that priors add
// is that of the Gaussian case.
TEST(HiddenAnimals, MakeLaplacesApproximationExact) {
  const SmallModel plain({0, never, never}), doubtful(hidden_chances(0.15));
  const double constant = log_marginals(plain).first - plain.log_marginal(std::log(0.2), 0.2);
  const auto [laplace, beyond] = log_marginals(doubtful);
  const double exact = doubtful.log_marginal(std::log(0.2), 0.2);
  EXPECT_NEAR(laplace + beyond - constant, exact, 1e-3);
  EXPECT_GT(std::abs(laplace - constant - exact), 0.02);
}

CollectionFit simulated(SimulationOptions o, bool instars = false) {
  o.n_animals = 60;
  o.n_taxa = o.n_genera = 1;
  o.sigma = 0.2;
  o.study_days = 900;
  o.write_instars = instars;
  auto raw = simulate_collection(o, 31).raw;
  CollectionOptions options;
  options.hidden_molts = true;
  return fit_collection(std::make_shared<const Collection>(make_collection(std::move(raw))), options);
}

double mean_hidden(const CollectionFit& fit) {
  double sum = 0, n = 0;
  for (std::size_t i = 0; i < fit.data.size(); ++i)
    if (fit.table.stadia[i].end) sum += fit.hidden.chance_of_any(i), ++n;
  return sum / n;
}

TEST(FindHiddenMolts, CleanRecordsStayClean) {
  const CollectionFit fit = simulated({});
  EXPECT_LT(fit.hidden.missed_chance, 0.02);  // no molt missed among some 300
  EXPECT_LT(mean_hidden(fit), 0.005);
  EXPECT_NEAR(fit.hidden.log_ratio, 0.25, 0.02);  // as simulated; 200 jumps with an error of .1
}

// Instar numbers on record settle the matter.
TEST(FindHiddenMolts, StatedInstarsFixTheNumber) {
  SimulationOptions o;
  o.missed_molt_chance = 0.15;
  const CollectionFit fit = simulated(o, true);
  for (std::size_t i = 0; i < fit.data.size(); ++i) {
    const Stadium& s = fit.table.stadia[i];
    if (!s.end) continue;
    const auto& molts = fit.table.animals[static_cast<std::size_t>(s.animal)].molts;
    const int hidden =
        molts[static_cast<std::size_t>(s.molt) + 1].instar - molts[static_cast<std::size_t>(s.molt)].instar - 1;
    EXPECT_EQ(fit.hidden.chance_of_any(i) > 0.5, hidden > 0);
  }
  EXPECT_NEAR(fit.hidden.missed_chance, 0.15, 0.06);  // 3 binomial errors of 300 molts
}

// Sizes are reckoned with the molts that were found missing: the growth ratio of the collection is not drawn up by
// jumps of two molts (a tenth of the molts missed, readings exact to 2 %: by .26 / 10 else).
TEST(FindHiddenMolts, GrowthReckonsWithThem) {
  SimulationOptions o;
  o.missed_molt_chance = 0.1;
  o.reading_error = 0.02;
  o.reading_step_mm = 1;
  o.taxon_growth_sd = 0;
  const CollectionFit fit = simulated(o);
  ASSERT_TRUE(fit.growth);
  double found = 0;
  for (double molts : fit.hidden.sized_with) found += molts;
  EXPECT_GT(found, 10);                                 // some 30 of 300
  // As simulated; 200 jumps with an error of .06. It is the ratio far below the adult size: what the few molts near it are taken to lack
  // draws it up by some hundredths of itself.
  EXPECT_NEAR(fit.growth->log_ratio.mean, 0.25, 0.015);
}

}  // namespace
}  // namespace moltspan
