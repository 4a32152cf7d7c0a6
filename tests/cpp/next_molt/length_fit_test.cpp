#include "moltspan/next_molt/length_fit.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "moltspan/intervals/intervals.hpp"
#include "moltspan/intervals/priors.hpp"
#include "moltspan/numeric/bfgs.hpp"

// The model from numbers alone beside the compiled library's: the same search makes them equal, another one nearly so.

namespace moltspan {
namespace {

const double open = std::nan("");

std::vector<StadiumRecord> one_animal() {
  return {{{41, 41}, 12}, {{38, 47}, 14}, {{44, 62, 7, 0, 11}, 18}, {{0, 70}, 22}, {{35, open}, 30}};
}

std::vector<StadiumRecord> three_animals() {
  std::vector<StadiumRecord> records = one_animal();
  for (int animal : {1, 2})
    for (double days : {48.0, 61.0, 70.0}) records.push_back({{days + 5 * animal, days + 9 * animal}, days / 3, animal});
  records.push_back({{20, open, 3}, 25, 2});
  return records;
}

StadiaData table_of(const std::vector<StadiumRecord>& records) {
  StadiaData data;
  data.coefficients = {{"(Intercept)", CoefficientRole::intercept}, {"size", CoefficientRole::log_size}};  // names are labels
  data.covariates.resize(static_cast<Eigen::Index>(records.size()), 2);
  for (std::size_t i = 0; i < records.size(); ++i) {
    data.bounds.push_back(records[i].bounds);
    data.covariates.row(static_cast<Eigen::Index>(i)) << 1, std::log(records[i].leg_span_mm / reference_leg_span_mm);
    data.groups[static_cast<std::size_t>(Level::animal)].push_back(records[i].animal);
  }
  data.probe_covariates.resize(0, 2);
  return data;
}

const Eigen::VectorXd probabilities{{0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975}};

Eigen::VectorXd compiled_quantiles(const std::vector<StadiumRecord>& records, Family family, std::size_t record, Maximiser maximiser) {
  StadiaOptions options;
  options.family = family;
  options.method = Method::bayes;
  options.maximiser = std::move(maximiser);
  const StadiaFit fit = fit_stadia(table_of(records), options);
  Eigen::Index place = 0;
  while (fit.running_rows[static_cast<std::size_t>(place)] != static_cast<int>(record)) ++place;
  return conditional_quantiles(family, running_predictors(fit), place, records[record].bounds.min_days, probabilities);
}

template <StadiumLaw Law>
void expect_equal(const std::vector<StadiumRecord>& records, Family family, std::size_t record) {
  const LengthFit<Law> fit(records);
  const Eigen::VectorXd here = fit.quantiles_days(record, probabilities);
  const Eigen::VectorXd same = compiled_quantiles(records, family, record, numeric::Bfgs{});
  const Eigen::VectorXd by_ceres = compiled_quantiles(records, family, record, {});
  for (Eigen::Index i = 0; i < here.size(); ++i) {
    EXPECT_NEAR(here[i] / same[i], 1, 1e-12);
    EXPECT_NEAR(here[i] / by_ceres[i], 1, 1e-3);  // a grid of 1.25 sds about a mode a little aside: 1.3e-4 seen
  }
}

TEST(LengthFit, EqualsTheCompiledFit) {
  expect_equal<NormalLaw>(one_animal(), Family::lognormal, 4);
  expect_equal<GumbelMinLaw>(one_animal(), Family::weibull, 4);
  expect_equal<LogisticLaw>(one_animal(), Family::loglogistic, 4);
  expect_equal<NormalLaw>(three_animals(), Family::lognormal, 11);
  expect_equal<GumbelMinLaw>(three_animals(), Family::weibull, 4);
}

TEST(LengthFit, HasThePriorsOfTheSharedTable) {
  StadiaOptions options;
  options.method = Method::bayes;
  const Priors used = priors_used(fit_stadia(table_of(three_animals()), options));
  const StadiumPriors own;
  const auto expect = [&](const std::string& name, double mean, double sd) {
    for (const auto& [found, prior] : used)
      if (found == name) {
        EXPECT_EQ(prior.mean, mean) << name;
        EXPECT_EQ(prior.sd, sd) << name;
        return;
      }
    ADD_FAILURE() << name << " is not there";
  };
  expect("(Intercept)", own.log_days.mean, own.log_days.sd);
  expect("size", own.size_exponent.mean, own.size_exponent.sd);
  expect("sigma", 0, own.sigma);
  expect("animal_sd", 0, own.animal_sd);
}

TEST(LengthFit, RefusesAnEmptyTableAndContradictions) {
  EXPECT_THROW(LengthFit<>(std::vector<StadiumRecord>{}), std::invalid_argument);
  EXPECT_THROW(LengthFit<>(std::vector<StadiumRecord>{{{40, 10}}}), std::domain_error);
}

TEST(StadiumBounds, AsMadeSayNothing) {
  EXPECT_TRUE(std::isnan(StadiumBounds{}.max_days));
  EXPECT_EQ(stadium_term<NormalLaw>({}, 3.7, -1).value, 0);
  EXPECT_LT(stadium_term<NormalLaw>({.min_days = 40}, 3.7, -1).value, 0);
}

}  // namespace
}  // namespace moltspan
