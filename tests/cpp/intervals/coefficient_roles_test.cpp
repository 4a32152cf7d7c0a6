#include <gtest/gtest.h>

#include <cmath>
#include <set>
#include <string>

#include "intervals/model.hpp"
#include "moltspan/intervals/intervals.hpp"
#include "moltspan/intervals/priors.hpp"

namespace moltspan {
namespace {

/// A few stadia of one animal, so that the prior shows.
StadiaFit fitted(const Coefficient& intercept, Method method = Method::bayes) {
  StadiaData data;
  data.bounds = {{90, 90}, {100, 112}, {80, NAN}};
  data.covariates = Eigen::MatrixXd::Ones(3, 1);
  data.coefficients = {intercept};
  StadiaOptions options;
  options.method = method;
  return fit_stadia(data, options);
}

TEST(CoefficientRoles, ThePriorGoesByTheRoleHoweverTheColumnIsSpelled) {
  const StadiaFit plain = fitted({"Intercept", CoefficientRole::intercept});
  const StadiaFit brackets = fitted({"(Intercept)", CoefficientRole::intercept});
  EXPECT_EQ(plain.coefficients[0], brackets.coefficients[0]);
  EXPECT_EQ(plain.coefficient_errors[0], brackets.coefficient_errors[0]);
  EXPECT_EQ(brackets.coefficient_names[0], "(Intercept)");
  EXPECT_NEAR(priors_used(brackets).front().second.mean, std::log(40), 1e-15);  // written with 16 digits
}

TEST(CoefficientRoles, AColumnWithoutARoleHasThePriorOfAnyOther) {
  const StadiaFit none = fitted({"Intercept"});
  EXPECT_EQ(priors_used(none).front().second.mean, 0);
  EXPECT_EQ(priors_used(none).front().second.sd, 1);
  EXPECT_LT(none.coefficients[0], fitted({"Intercept", CoefficientRole::intercept}).coefficients[0]);
}

TEST(CoefficientRoles, EachHasItsNameAndItsPrior) {
  std::set<std::string> names;
  for (int i = 0; i <= static_cast<int>(CoefficientRole::egg_sac); ++i) {
    const auto role = static_cast<CoefficientRole>(i);
    EXPECT_EQ(role_named(role_name(role)), role);
    EXPECT_GT(default_prior(role).sd, 0) << role_name(role);
    names.insert(role_name(role));
  }
  EXPECT_EQ(names.size(), 13u);
  EXPECT_EQ(role_named("(Intercept)"), CoefficientRole::other);
  EXPECT_EQ(role_named("sigma"), CoefficientRole::other);
}

TEST(CoefficientRoles, AFitFindsItsCoefficientsByRole) {
  const StadiaFit fit = fitted({"level", CoefficientRole::intercept});
  EXPECT_EQ(fit.column(CoefficientRole::intercept), 0);
  EXPECT_EQ(fit.coefficient(CoefficientRole::intercept), fit.coefficients[0]);
  EXPECT_EQ(fit.column(CoefficientRole::log_size), -1);
  EXPECT_EQ(fit.coefficient(CoefficientRole::log_size, 0.8), 0.8);
}

TEST(CoefficientRoles, PosteriorsTravelByRole) {
  EXPECT_EQ(posterior_as_priors(fitted({"level", CoefficientRole::intercept})).front().first, "level");
  EXPECT_EQ(posterior_as_priors(fitted({"Intercept"})).front().first, "sigma");
}

}  // namespace
}  // namespace moltspan
