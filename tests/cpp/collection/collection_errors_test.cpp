// What is not known of the covariates of a stadium, by hand.
#include "moltspan/calibration/fit_collection.hpp"
#include "collection/errors.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <memory>

#include "stadia_book.hpp"

namespace moltspan {
namespace {

/// Six stadia of 60 days at 24 and 26 C in turn, each temperature written when its stadium ends, and one that runs.
CollectionFit six_stadia(bool written) {
  Book book;
  const Day first = day("2025-01-01");
  for (int k = 0; k < 7; ++k) {
    const DayRange when{first + 60 * k, first + 60 * k};
    book.row(Event::molt, when);
    book.row(Event::leg_span, when, 20 * std::pow(1.25, k));
    if (written && k > 0) book.row(Event::temperature, when, k % 2 ? 24 : 26);
  }
  CollectionOptions options;
  options.as_of = first + 380;
  return fit_collection(std::make_shared<const Collection>(book.collection), options);
}

TEST(CovariateErrors, ATemperatureThatNobodyMeasuredHasTheSpreadOfThoseMeasured) {
  CollectionFit fit = six_stadia(true);
  const auto running = static_cast<std::size_t>(fit.animals[0].running_row);
  EXPECT_TRUE(std::isnan(fit.table.stadia[running].temperature_c));
  weigh_covariate_errors(fit, 0.8, -0.08);
  // Squares about the mean of 25: 6 with 5 degrees of freedom.
  EXPECT_NEAR(fit.unmeasured_warmth_sd, 0.08 * std::sqrt(6.0 / 5), 1e-9);
  const double of_size = 0.64 * fit.animals[0].sizes.back().record_variance;
  EXPECT_NEAR(fit.data.extra_variance[static_cast<Eigen::Index>(running)], of_size + 0.0064 * 6 / 5, 1e-9);
  EXPECT_NEAR(fit.data.extra_variance[0], 0.64 * fit.animals[0].sizes[1].record_variance, 1e-12);  // measured
}

TEST(CovariateErrors, WithoutTemperaturesThereIsNoSpread) {
  const CollectionFit fit = six_stadia(false);
  EXPECT_EQ(fit.unmeasured_warmth_sd, 0);
}

}  // namespace
}  // namespace moltspan
