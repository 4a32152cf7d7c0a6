#include "moltspan/collection/animal_view.hpp"

#include <gtest/gtest.h>

#include <cmath>
#include <memory>
#include <stdexcept>

#include "moltspan/calibration/fit_collection.hpp"
#include "stadia_book.hpp"

namespace moltspan {
namespace {

/// A1 with three molts and readings, a whip spider met without a molt, A2 with two molts: stadia of A1 and A2 stand beside each other.
CollectionFit three_animals() {
  Book book;
  const auto molts = [&](int n) {
    for (int k = 0; k < n; ++k) {
      const Day at = day("2026-01-01") + 60 * k;
      book.row(Event::molt, {at, at});
      book.row(Event::leg_span, {at, at}, 20 * std::pow(1.3, k));
    }
  };
  molts(3);
  book.animal("B1", "Damon diadema");
  book.row(Event::checked, {day("2026-02-01"), day("2026-02-01")});
  book.animal("A2");
  molts(2);
  CollectionOptions options;
  options.as_of = day("2026-06-01");
  return fit_collection(std::make_shared<const Collection>(book.collection), options);
}

TEST(AnimalView, IsWhatTheFitHoldsOfOneAnimal) {
  const CollectionFit fit = three_animals();
  for (int i = 0; i < 3; ++i) {
    const AnimalView animal = fit.animal(i);
    EXPECT_EQ(animal.index(), i);
    EXPECT_EQ(&animal.record(), &fit.collection->animals[i]);
    EXPECT_EQ(&animal.history(), &fit.table.animals[i]);
    EXPECT_EQ(&animal.inputs(), &fit.animals[i]);
    EXPECT_EQ(animal.signs(), &fit.sign_timelines[i]);
    EXPECT_EQ(&animal.growth()->sizes, &fit.growth->sizes[i]);
    EXPECT_EQ(animal.growth()->log_ratio.mean, fit.growth->member_log_ratio[3][i].second.mean);
  }
  EXPECT_EQ(fit.animal(0).record().id, "A1");
  EXPECT_TRUE(fit.animal(0).runs());
  EXPECT_FALSE(fit.animal(1).runs());
}

TEST(AnimalView, HasTheStadiaOfItsOwn) {
  const CollectionFit fit = three_animals();
  ASSERT_EQ(fit.animal(0).stadia().size(), 3u);  // two closed, one running
  EXPECT_EQ(fit.animal(0).stadia()[1].molt, 1);
  EXPECT_TRUE(fit.animal(1).stadia().empty());
  ASSERT_EQ(fit.animal(2).stadia().size(), 2u);
  EXPECT_EQ(fit.animal(2).stadia().data(), fit.table.stadia.data() + 3);
}

TEST(AnimalView, HasItsGroupsByLevel) {
  const CollectionFit fit = three_animals();
  const auto name = [&](int animal, Level level) {
    return fit.group_names[static_cast<std::size_t>(level)][fit.animal(animal).group(level)];
  };
  EXPECT_EQ(fit.animal(0).group(Level::taxon), fit.animal(2).group(Level::taxon));
  EXPECT_EQ(name(0, Level::taxon), fit.collection->animals[0].taxon);
  EXPECT_EQ(name(1, Level::taxon), "Damon diadema");  // by its probe, as it has no stadium
  EXPECT_EQ(name(2, Level::animal), "A2");
  EXPECT_EQ(fit.animal(0).group(Level::cohort), -1);
}

TEST(AnimalView, RefusesAnimalsThatAreNotThere) {
  const CollectionFit fit = three_animals();
  EXPECT_THROW(fit.animal(3), std::out_of_range);
  EXPECT_THROW(fit.animal(-1), std::out_of_range);
}

TEST(AnimalView, WithoutAGrowthModelThereIsNoGrowth) {
  CollectionFit fit = three_animals();
  fit.growth = nullptr;
  EXPECT_FALSE(fit.animal(0).growth());
}

}  // namespace
}  // namespace moltspan
