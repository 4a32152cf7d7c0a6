#include "moltspan/calibration/fit_collection.hpp"
#include "collection/covariates.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <string>
#include <vector>

namespace moltspan {
namespace {

std::shared_ptr<const Collection> collection_of(const std::string& animals, const std::string& journal) {
  RawCollection raw;
  raw.animals = read_csv(animals, "animals.csv");
  raw.journal = read_csv(journal, "journal.csv");
  return std::make_shared<const Collection>(make_collection(std::move(raw)));
}

/// Caterpillars of one kind, of which nobody measured any: each with `molts` molts from instar `first` on, every three days.
CollectionFit unmeasured(const std::string& numbers_of_b) {
  return fit_collection(collection_of("animal,taxon\nA,Vanessa cardui\nB,Vanessa cardui\n",
                                      "animal,date,event,value\nA,2026-05-01,molt,2\nA,2026-05-04,molt,3\nA,2026-05-07,molt,4\n"
                                      "B,2026-05-01,molt," + numbers_of_b + "\n"),
                        {});
}

// By hand: .15^2 between animals, and .49 / (1 + 2 n) of the kind with n closed stadia of kin.
TEST(CollectionCovariates, UnmeasuredAnimalsHaveTheSizeOfTheirInstar) {
  const CollectionFit fit = unmeasured("4");
  const AnimalInputs &a = fit.animals[0], &b = fit.animals[1];
  EXPECT_TRUE(a.never_measured && b.never_measured);
  EXPECT_NEAR(b.sizes.back().mean, a.sizes.back().mean, 1e-12) << "both are in their fourth instar";
  EXPECT_GT(a.sizes[3].mean, a.sizes[1].mean);
  EXPECT_NEAR(b.shared_size_variance, 0.15 * 0.15 + 0.49 / (1 + 2 * 2), 1e-12);
  EXPECT_NEAR(a.shared_size_variance, 0.49, 1e-12) << "no kin of it has a closed stadium";
}

TEST(CollectionCovariates, WithoutAnInstarTheyAreAsVagueAsBefore) {
  const CollectionFit fit = fit_collection(collection_of("animal,taxon\nA,Vanessa cardui\nB,Vanessa cardui\n",
                                                         "animal,date,event,value\nA,2026-05-01,molt,\nA,2026-05-04,molt,\nB,2026-05-03,molt,\n"),
                                           {});
  for (const AnimalInputs& animal : fit.animals) EXPECT_NEAR(animal.shared_size_variance, 0.49, 1e-12);
}

bool has(const CollectionFit& fit, CoefficientRole role) { return fit.data.column(role) >= 0; }

CollectionFit at_temperatures(const std::vector<int>& degrees_c) {
  std::string animals = "animal,taxon,temperature_c\n", journal = "animal,date,event\n";
  for (std::size_t i = 0; i < degrees_c.size(); ++i) {
    const std::string id = "A" + std::to_string(i);
    animals += id + ",Gryllodes sigillatus," + std::to_string(degrees_c[i]) + "\n";
    journal += id + ",2026-05-01,molt\n" + id + ",2026-05-" + std::to_string(31 - degrees_c[i] / 2) + ",molt\n";
  }
  return fit_collection(collection_of(animals, journal), {});
}

TEST(CollectionCovariates, LengthsBendWithTheTemperatureWhereAnimalsLiveAtMany) {
  EXPECT_TRUE(has(at_temperatures({18, 22, 26, 30, 34}), CoefficientRole::warmth_squared));
  EXPECT_FALSE(has(at_temperatures({24, 25, 26, 27}), CoefficientRole::warmth_squared)) << "too much alike";
  EXPECT_FALSE(has(at_temperatures({20, 20, 30, 30}), CoefficientRole::warmth_squared)) << "two temperatures show no bend";
}

}  // namespace
}  // namespace moltspan
