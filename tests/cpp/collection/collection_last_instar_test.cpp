#include <gtest/gtest.h>

#include <cmath>
#include <memory>
#include <string>
#include <vector>

#include "moltspan/calibration/fit_collection.hpp"
#include "moltspan/collection/fit.hpp"

namespace moltspan {
namespace {

const Day first_day = read_date("2026-01-01").day;

std::shared_ptr<const Collection> collection_of(std::string animals, std::string journal) {
  RawCollection raw;
  raw.animals = read_csv(animals, "animals.csv");
  raw.journal = read_csv(journal, "journal.csv");
  return std::make_shared<const Collection>(make_collection(std::move(raw)));
}

/// Mantids of which each molts into `first` and on, every 15 days; `matured`: the last molt is that into the adult.
struct Nymph {
  std::string name;
  int first = 1, molts = 2;
  bool matured = false;
};

CollectionFit fit_of(const std::vector<Nymph>& nymphs, const std::string& taxon = "Sphodromantis viridis") {
  std::string animals = "animal,taxon\n", journal = "animal,date,event,value,unit\n";
  for (const Nymph& nymph : nymphs) {
    animals += nymph.name + "," + taxon + "\n";
    for (int k = 0; k < nymph.molts; ++k)
      journal += nymph.name + "," + to_iso(first_day + 15 * k) + ",molt," +
                 std::to_string(nymph.first + k) + ",\n";
    if (nymph.matured)
      journal += nymph.name + "," + to_iso(first_day + 15 * (nymph.molts - 1)) + ",matured,,\n";
  }
  return fit_collection(collection_of(animals, journal), {});
}

double row_value(const CollectionFit& fit, int animal, int molt) {
  for (std::size_t row = 0; row < fit.table.stadia.size(); ++row)
    if (fit.table.stadia[row].animal == animal && fit.table.stadia[row].molt == molt)
      return fit.data.covariates(static_cast<Eigen::Index>(row), fit.last_instar.column);
  return unknown_number;
}

TEST(LastInstar, TarantulasHaveNone) {
  EXPECT_EQ(fit_of({{"A", 3, 4}}, "Brachypelma hamorii").last_instar.column, -1);
}

TEST(LastInstar, IsTheOneThatEndsWithTheMoltToMaturity) {
  const CollectionFit fit = fit_of({{"A", 6, 4, true}, {"B", 6, 3}});
  ASSERT_GE(fit.last_instar.column, 0);
  const double ratio = std::log(1.35);  // of mantises, shared/kind_facts.toml
  EXPECT_DOUBLE_EQ(row_value(fit, 0, 2), ratio);
  EXPECT_EQ(row_value(fit, 0, 1), 0);
  EXPECT_EQ(row_value(fit, 1, 0), 0) << "another stadium followed";
  const double running = row_value(fit, 1, 2);
  EXPECT_GT(running, 0.3 * ratio);  // in its 8th instar, as A was in its last
  EXPECT_LT(running, 0.95 * ratio);
}

// By hand: the chance with two animals' worth of facts p and n that matured at this instar is (2 p + n) / (2 P + n), P that of this or a later number.
TEST(LastInstar, AnimalsOfTheKindThatMaturedCount) {
  const auto value = [&](int matured_kin) {
    std::vector<Nymph> nymphs = {{"R", 5, 2}};
    for (int k = 0; k < matured_kin; ++k) nymphs.push_back({"K" + std::to_string(k), 4, 4, true});
    return row_value(fit_of(nymphs), 0, 1) / std::log(1.35);
  };
  const double few = value(0), more = value(4);
  EXPECT_LT(few, 0.05) << "the sixth is the last of few";
  EXPECT_GT(more, 0.6);
}

TEST(LastInstar, MakesForecastsOfAnUnseenLastInstarLater) {
  const std::vector<Nymph> nymphs = {{"A", 4, 5}, {"B", 5, 4}};
  const auto median = [&](const char* taxon) {
    const CollectionFit fit = fit_of(nymphs, taxon);
    const PredictorMixture running = running_predictors(fit.stadia);
    return std::exp(running.weights.dot(running.mean.col(0)));
  };
  EXPECT_GT(median("Sphodromantis viridis"), 15 * 1.08);
}

}  // namespace
}  // namespace moltspan
