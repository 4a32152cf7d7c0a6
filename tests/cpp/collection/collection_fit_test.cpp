#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/collection/fit.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <stdexcept>

#include "stadia_book.hpp"

// What a joint fit takes from a collection, counted by hand, and laws of its result. Days stand beside the cases.
namespace moltspan {
namespace {

CollectionFit fit_at(const Book& book, std::string_view as_of, CollectionOptions options = {}) {
  options.as_of = day(as_of);
  return fit_collection(std::make_shared<const Collection>(book.collection), options);
}

/// Molts every 60 days from 1 January 2026 on, the leg span read at each.
void regular(Book& book, int molts, double mm = 20, Day first = day("2026-01-01")) {
  for (int k = 0; k < molts; ++k) {
    const Day at = first + 60 * k;
    book.row(Event::molt, {at, at});
    if (mm > 0) book.row(Event::leg_span, {at, at}, mm);
  }
}

double coefficient(const CollectionFit& fit, const std::string& name) {
  const auto& names = fit.stadia.coefficient_names;
  const auto at = std::find(names.begin(), names.end(), name);
  EXPECT_NE(at, names.end()) << name;
  return fit.stadia.coefficients[at - names.begin()];
}

TEST(CollectionFit, CountsStadiaOfItsOwnAndOfItsTaxon) {
  Book book;
  regular(book, 4);  // A1: three closed stadia, one running
  book.animal("A2");
  regular(book, 2);  // A2: one closed, one running
  book.animal("B1", "Damon diadema");
  regular(book, 1);  // another taxon: one running
  const CollectionFit fit = fit_at(book, "2026-09-01");
  ASSERT_EQ(fit.animals.size(), 3u);
  EXPECT_EQ(fit.animals[0].own_stadia, 3);
  EXPECT_EQ(fit.animals[0].taxon_stadia, 1);
  EXPECT_EQ(fit.animals[1].own_stadia, 1);
  EXPECT_EQ(fit.animals[1].taxon_stadia, 3);
  EXPECT_EQ(fit.animals[2].own_stadia, 0);
  EXPECT_EQ(fit.animals[2].taxon_stadia, 0);
  ASSERT_EQ(fit.table.stadia.size(), 7u);
  ASSERT_EQ(fit.data.size(), 7u);
  for (std::size_t i = 0; i < 7; ++i) EXPECT_EQ(fit.data.bounds[i].min_days, fit.table.stadia[i].min_days);
  EXPECT_EQ(fit.stadia.n_exact, 4u);
  EXPECT_EQ(fit.stadia.n_running, 3u);
}

TEST(CollectionFit, RowsOfAnAnimalAreItsRunningStadiumAndTheOneBefore) {
  Book book;
  regular(book, 3);  // rows 0, 1 closed, 2 running
  book.animal("A2").died = day("2026-04-01");
  regular(book, 2);  // row 3 closed; row 4 ends with death: nothing runs
  book.animal("A3");
  book.row(Event::checked, "2026-05-01");  // no molt on record: a probe, no row
  const CollectionFit fit = fit_at(book, "2026-06-01");
  EXPECT_EQ(fit.animals[0].running_row, 2);
  EXPECT_EQ(fit.animals[0].previous_row, 1);
  EXPECT_EQ(fit.animals[0].probe, -1);
  EXPECT_EQ(fit.animals[1].running_row, -1);
  EXPECT_EQ(fit.animals[2].running_row, -1);
  EXPECT_GE(fit.animals[2].probe, 0);
  EXPECT_EQ(fit.data.size(), 5u);
}

TEST(CollectionFit, CovariatesAreThoseThatTheRecordsHold) {
  using Names = std::vector<std::string>;
  Book plain;
  regular(plain, 4);
  EXPECT_EQ(fit_at(plain, "2026-08-01").stadia.coefficient_names, (Names{"Intercept", "log_size"}));
  Book rich;
  rich.first().male_chance = 1;
  rich.first().pace = Pace::slow;
  regular(rich, 4);
  rich.row(Event::temperature, "2026-02-01", 27);
  rich.row(Event::limb_lost, "2026-03-10");  // in the second stadium, 2 March to 1 May
  const CollectionFit fit = fit_at(rich, "2026-08-01");
  EXPECT_EQ(fit.stadia.coefficient_names,
            (Names{"Intercept", "log_size", "warmth_c", "male", "pace_slow", "limb_lost"}));
  for (Eigen::Index row = 0; row < 4; ++row) {
    EXPECT_NEAR(fit.data.covariates(row, 2), 2, 1e-12);  // 27 C - 25 C
    EXPECT_EQ(fit.data.covariates(row, 3), 1);
    EXPECT_EQ(fit.data.covariates(row, 4), 1);
    EXPECT_EQ(fit.data.covariates(row, 5), row == 1 ? 1 : 0);
  }
}

TEST(CollectionFit, SizesAreReadOrCarriedOnAndSaidSo) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::leg_span, "2026-01-01", 33);
  book.row(Event::molt, "2026-03-02");
  book.animal("A2");
  regular(book, 2, 0);  // never measured
  const CollectionFit fit = fit_at(book, "2026-05-01");
  const auto& sizes = fit.animals[0].sizes;
  ASSERT_EQ(sizes.size(), 3u);  // before the first molt, after each of two
  EXPECT_FALSE(sizes[0].measured);
  EXPECT_TRUE(sizes[1].measured);
  EXPECT_FALSE(sizes[2].measured);
  EXPECT_LT(sizes[0].mean, sizes[1].mean);  // it grew at each molt
  EXPECT_LT(sizes[1].mean, sizes[2].mean);
  EXPECT_LT(sizes[1].variance, sizes[2].variance);       // what is carried on is less exact
  EXPECT_NEAR(sizes[1].mean, std::log(33.0 / 20), 0.1);  // a leg span is taken to be read some 5 % low (assumption)
  EXPECT_FALSE(fit.animals[0].never_measured);
  EXPECT_TRUE(fit.animals[1].never_measured);
  EXPECT_GT(fit.animals[1].shared_size_variance, 0);
}

TEST(CollectionFit, WithoutStadiaOnlyPriorsStandBehindIt) {
  Book book;
  book.row(Event::checked, "2026-01-01");
  const CollectionFit fit = fit_at(book, "2026-01-05");
  EXPECT_EQ(fit.data.size(), 0u);
  EXPECT_EQ(fit.table.stadia.size(), 0u);
  EXPECT_GE(fit.animals[0].probe, 0);
  EXPECT_FALSE(fit.health.empty());
  EXPECT_GT(fit.stadia.sigma, 0);
}

TEST(CollectionFit, NothingDatedIsAnError) {
  const Book book;
  EXPECT_THROW(fit_collection(std::make_shared<const Collection>(book.collection)), std::invalid_argument);
}

TEST(CollectionFit, BeforeTheFirstRecordOnlyPriorsCount) {
  Book later;
  later.row(Event::molt, "2026-03-01");
  const CollectionFit fit = fit_at(later, "2026-02-01");
  EXPECT_EQ(fit.data.size(), 0u);
  EXPECT_EQ(fit.animals[0].running_row, -1);
  EXPECT_FALSE(fit.table.animals[0].recorded);
}

TEST(CollectionFit, AnimalsSetAsideDoNotCount) {
  Book book;
  regular(book, 4);
  book.animal("A2").set_aside = true;
  regular(book, 4);
  const CollectionFit fit = fit_at(book, "2026-09-01");
  EXPECT_EQ(fit.data.size(), 4u);
  EXPECT_EQ(fit.animals[0].taxon_stadia, 0);
  EXPECT_EQ(fit.animals[1].running_row, -1);
}

TEST(CollectionFit, PriorsByNameReachTheFit) {
  Book book;
  regular(book, 4);
  CollectionOptions options;
  options.priors = {{"log_size", {Prior::Kind::normal, 0.3, 1e-6}}};
  EXPECT_NEAR(coefficient(fit_at(book, "2026-08-01", options), "log_size"), 0.3, 1e-4);
  options.priors = {{"no_such", {Prior::Kind::normal, 0, 1}}};
  EXPECT_THROW(fit_at(book, "2026-08-01", options), std::invalid_argument);
}

// Laws.

TEST(CollectionFitLaw, WhatIsWrittenLaterAndTheOrderOfRowsDoNotMatter) {
  Book early;
  regular(early, 4);
  early.animal("A2");
  regular(early, 3, 25);
  Book late = early;
  late.row(Event::leg_span, "2026-12-01", 60);
  late.row(Event::molt, "2026-12-01");
  late.row(Event::temperature, "2026-12-02", 30);
  std::reverse(late.collection.entries.begin(), late.collection.entries.end());
  const CollectionFit first = fit_at(early, "2026-08-01"), second = fit_at(late, "2026-08-01");
  ASSERT_EQ(first.stadia.coefficient_names, second.stadia.coefficient_names);
  // The same sums in another order, through a maximization: some 1e-9.
  for (Eigen::Index i = 0; i < first.stadia.coefficients.size(); ++i)
    EXPECT_NEAR(first.stadia.coefficients[i], second.stadia.coefficients[i], 1e-6);
  EXPECT_NEAR(first.stadia.sigma, second.stadia.sigma, 1e-6);
}

TEST(CollectionFitLaw, ThreadsDoNotMatter) {
  Book book;
  regular(book, 5);
  for (int a = 2; a < 12; ++a) {
    book.animal("A" + std::to_string(a));
    regular(book, 4, 18 + a, day("2026-01-01") + 3 * a);
  }
  CollectionOptions one, two;
  one.threads = 1;
  two.threads = 2;
  const CollectionFit a = fit_at(book, "2026-10-01", one), b = fit_at(book, "2026-10-01", two);
  EXPECT_NEAR(a.stadia.sigma, b.stadia.sigma, 1e-7);
  EXPECT_NEAR(coefficient(a, "Intercept"), coefficient(b, "Intercept"), 1e-7);
}

}  // namespace
}  // namespace moltspan
