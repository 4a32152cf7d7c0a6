#include "moltspan/stadia/stadia.hpp"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>
#include <stdexcept>

#include "stadia_book.hpp"

// Molts and bounds of stadia; stadia_history_test.cpp has maturity, sizes, temperature and kinds.
// All expected days are counted by hand in the comments; 2026 is no leap year: January 31, February 28, March 31 days.
namespace moltspan {
namespace {

// Bounds.

TEST(Stadia, ExactDaysGiveExactLength) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::molt, "2026-02-10");  // 30 + 10 = 40 days after 1 January
  const StadiaTable t = book.at("2026-03-01");
  ASSERT_EQ(t.stadia.size(), 2u);
  EXPECT_EQ(t.stadia[0].status, StadiumStatus::closed);
  EXPECT_EQ(t.stadia[0].min_days, 40);
  EXPECT_EQ(t.stadia[0].max_days, 40);
  EXPECT_EQ(t.stadia[0].start_range_days, 1);
  EXPECT_EQ(t.stadia[0].entry_days, 0);
  EXPECT_EQ(t.stadia[1].status, StadiumStatus::running);
  EXPECT_EQ(t.stadia[1].min_days, 19);  // 10 February to 1 March: 18 + 1
  EXPECT_TRUE(std::isnan(t.stadia[1].max_days));
  EXPECT_EQ(t.animals[0].stadia_without_start, 0);
}

TEST(Stadia, RangesGiveIntervals) {
  Book book;
  book.row(Event::molt, days("2026-01-01", "2026-01-07"));
  book.row(Event::molt, days("2026-02-05", "2026-02-11"));
  const Stadium s = book.at("2026-03-01").stadia.at(0);
  EXPECT_EQ(s.min_days, 28);  // end of 7 January (8 January, 0 h) to 5 February, 0 h: 24 + 4
  EXPECT_EQ(s.max_days, 42);  // 1 January, 0 h to 12 February, 0 h: 31 + 11
  EXPECT_EQ(s.start_range_days, 7);
}

TEST(Stadia, NeighboringRangesFloorAtZero) {
  Book book;
  book.row(Event::molt, days("2026-01-01", "2026-01-07"));
  book.row(Event::molt, days("2026-01-08", "2026-01-10"));
  const Stadium s = book.at("2026-03-01").stadia.at(0);
  EXPECT_EQ(s.min_days, 0);
  EXPECT_EQ(s.max_days, 10);  // 1 January, 0 h to 11 January, 0 h
}

// Skins found, animals on their back.

TEST(Stadia, SkinFoundLiesAfterTheLastLook) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::ate, "2026-01-20");
  book.row(Event::fed, "2026-01-26");      // outcome not known: no look
  book.row(Event::refused, "2026-01-27");  // prey left over: no look at the animal
  book.row(Event::skin_found, "2026-01-30");
  const AnimalHistory h = book.at("2026-02-01").animals[0];
  ASSERT_EQ(h.molts.size(), 2u);
  EXPECT_EQ(h.molts[1].when, days("2026-01-21", "2026-01-30"));
}

TEST(Stadia, SkinFoundTakesReadingsOnTheAnimalOnlyAsLooks) {
  Book book;
  book.row(Event::checked, "2026-01-02");
  book.row(Event::leg_span, "2026-01-10", 30);
  book.row(Event::carapace_length, "2026-01-15", 6).on = MeasuredOn::skin;
  book.row(Event::skin_found, "2026-01-20");
  const AnimalHistory h = book.at("2026-02-01").animals[0];
  ASSERT_EQ(h.molts.size(), 1u);
  EXPECT_EQ(h.molts[0].when, days("2026-01-11", "2026-01-20"));
}

TEST(Stadia, SkinFoundLiesAfterTheLastDayOfTheMoltBefore) {
  Book book;
  book.row(Event::molt, days("2026-01-01", "2026-01-07"));
  book.row(Event::skin_found, "2026-01-20");
  EXPECT_EQ(book.at("2026-02-01").animals[0].molts.at(1).when, days("2026-01-08", "2026-01-20"));
}

TEST(Stadia, SkinFoundWithItsOwnRangeKeepsIt) {
  Book book;
  book.row(Event::checked, "2026-01-02");
  book.row(Event::skin_found, days("2026-01-10", "2026-01-20"));
  EXPECT_EQ(book.at("2026-02-01").animals[0].molts.at(0).when, days("2026-01-10", "2026-01-20"));
}

TEST(Stadia, SkinFoundSinceAcquisition) {
  Book book;
  book.first().acquired = day("2026-01-05");
  book.row(Event::skin_found, "2026-01-20");
  EXPECT_EQ(book.at("2026-02-01").animals[0].molts.at(0).when, days("2026-01-06", "2026-01-20"));
}

TEST(Stadia, SkinFoundBeforeAnyLookOpensNoRowButIsSaid) {
  Book book;
  book.row(Event::skin_found, "2026-01-20");
  book.row(Event::molt, "2026-03-01");
  const StadiaTable t = book.at("2026-04-01");
  EXPECT_FALSE(t.animals[0].molts.at(0).earliest_known);
  EXPECT_EQ(t.animals[0].stadia_without_start, 1);
  ASSERT_EQ(t.stadia.size(), 1u);
  EXPECT_EQ(t.stadia[0].molt, 1);
  ASSERT_EQ(t.doubts.size(), 1u);
  EXPECT_EQ(t.doubts[0].row, 2);
  EXPECT_EQ(t.doubts[0].severity, Severity::doubt);
}

TEST(Stadia, OnBackAndTheMoltOfTheNextDayAreOne) {
  Book book;
  book.row(Event::on_back, "2026-01-20");
  book.row(Event::molt, "2026-01-21");
  book.row(Event::skin_found, "2026-01-22");
  const StadiaTable t = book.at("2026-02-01");
  ASSERT_EQ(t.animals[0].molts.size(), 1u);
  EXPECT_EQ(t.animals[0].molts[0].when, on("2026-01-21"));
  EXPECT_EQ(t.doubts.size(), 2u);  // both said
}

TEST(Stadia, OnBackAloneIsAMoltOfThatDay) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::on_back, "2026-02-01");
  const StadiaTable t = book.at("2026-02-01");
  EXPECT_EQ(t.stadia.at(0).max_days, 31);
  EXPECT_EQ(t.stadia.at(1).min_days, 0);
  EXPECT_TRUE(t.animals[0].on_back);
  EXPECT_FALSE(book.at("2026-02-02").animals[0].on_back);
}

TEST(Stadia, SkinsFarApartAreTwoMolts) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::skin_found, "2026-01-04");  // three days after the molt, no look between
  const AnimalHistory h = book.at("2026-02-01").animals[0];
  ASSERT_EQ(h.molts.size(), 2u);
  EXPECT_EQ(h.molts[1].when, days("2026-01-02", "2026-01-04"));
  book.row(Event::skin_found, "2026-01-05");
  EXPECT_EQ(book.at("2026-02-01").animals[0].molts.size(), 2u) << "one day after the other skin";
}

// Molts written twice.

TEST(Stadia, OverlappingRangesAreIntersected) {
  Book book;
  book.row(Event::molt, days("2026-01-01", "2026-01-10"));
  book.row(Event::molt, days("2026-01-06", "2026-01-15"), 4);
  book.row(Event::molt, "2026-01-08", 4);
  const AnimalHistory h = book.at("2026-02-01").animals[0];
  ASSERT_EQ(h.molts.size(), 1u);
  EXPECT_EQ(h.molts[0].when, on("2026-01-08"));
  EXPECT_EQ(h.molts[0].instar, 4);
}

TEST(Stadia, RisingInstarsInOneRangeAreTwoMolts) {
  Book book;
  book.row(Event::molt, days("2026-01-03", "2026-01-12"), 4);
  book.row(Event::molt, days("2026-01-01", "2026-01-10"), 5);
  const StadiaTable t = book.at("2026-02-01");
  ASSERT_EQ(t.animals[0].molts.size(), 2u);
  EXPECT_EQ(t.animals[0].molts[0].instar, 4);
  EXPECT_EQ(t.animals[0].molts[1].instar, 5);
  EXPECT_EQ(t.stadia[0].min_days, 0);
  EXPECT_EQ(t.stadia[0].max_days, 8);  // 3 January, 0 h to 11 January, 0 h
}

TEST(Stadia, TwoMoltsOnOneDayAreAnInterval) {
  Book book;
  book.row(Event::molt, "2026-01-03", 4);
  book.row(Event::molt, "2026-01-03", 5);
  const Stadium s = book.at("2026-02-01").stadia.at(0);
  EXPECT_EQ(s.min_days, 0);
  EXPECT_EQ(s.max_days, 1);
}

// Beginnings.

TEST(Stadia, HatchedOpensNoStadiumButAMoltOnThatDayDoes) {
  Book book;
  book.first().hatched = day("2026-01-01");
  EXPECT_TRUE(book.at("2026-02-01").stadia.empty());
  EXPECT_EQ(book.at("2026-02-01").animals[0].stadia_without_start, 1);
  book.row(Event::molt, "2026-01-01");
  const StadiaTable t = book.at("2026-02-01");
  ASSERT_EQ(t.stadia.size(), 1u);
  EXPECT_EQ(t.animals[0].molts.size(), 1u);
  EXPECT_EQ(t.stadia[0].min_days, 31);
  EXPECT_EQ(t.animals[0].stadia_without_start, 0);
}

TEST(Stadia, AcquiredPartWayIsLeftTruncated) {
  Book book;
  book.first().acquired = day("2026-02-01");
  book.row(Event::molt, "2026-01-01");  // as the seller said
  book.row(Event::molt, "2026-03-12");  // 30 + 28 + 12 = 70 days
  const StadiaTable t = book.at("2026-04-01");
  EXPECT_EQ(t.stadia.at(0).entry_days, 31);
  EXPECT_EQ(t.stadia.at(0).min_days, 70);
  EXPECT_EQ(t.stadia.at(1).entry_days, 0);
  EXPECT_EQ(t.animals[0].watched_from, day("2026-02-01"));
  EXPECT_EQ(t.animals[0].stadia_without_start, 0);
}

TEST(Stadia, StadiaOverBeforeAcquisitionAreNotTruncated) {
  Book book;
  book.first().acquired = day("2026-02-20");
  book.row(Event::molt, "2026-01-01");
  book.row(Event::molt, days("2026-01-30", "2026-02-02"));
  const StadiaTable t = book.at("2026-04-01");
  EXPECT_EQ(t.stadia.at(0).entry_days, 0);
  EXPECT_EQ(t.stadia.at(1).entry_days, 18);  // 2 to 20 February
  EXPECT_GE(t.stadia.at(1).min_days, t.stadia.at(1).entry_days);
}

TEST(Stadia, AcquiredWithinTheRangeOfTheStartIsNotTruncated) {
  Book book;
  book.first().acquired = day("2026-01-05");
  book.row(Event::molt, days("2026-01-01", "2026-01-07"));
  EXPECT_EQ(book.at("2026-02-01").stadia.at(0).entry_days, 0);
}

TEST(Stadia, FirstRecordBeforeAnyMoltHasNoStart) {
  Book book;
  book.row(Event::ate, "2026-01-01");
  book.row(Event::molt, "2026-01-20");
  const StadiaTable t = book.at("2026-02-01");
  EXPECT_EQ(t.animals[0].stadia_without_start, 1);
  EXPECT_EQ(t.stadia.size(), 1u);
  EXPECT_EQ(t.animals[0].watched_from, day("2026-01-01"));
}

TEST(Stadia, AnimalWithoutMoltIsCounted) {
  Book book;
  book.first().acquired = day("2026-01-10");
  const StadiaTable t = book.at("2026-02-01");
  EXPECT_TRUE(t.animals[0].recorded);
  EXPECT_EQ(t.animals[0].stadia_without_start, 1);
  EXPECT_EQ(t.animals[0].watched_from, day("2026-01-10"));
  EXPECT_EQ(t.animals[0].last_watched, day("2026-02-01"));
  EXPECT_FALSE(book.at("2026-01-09").animals[0].recorded) << "not there yet";
  EXPECT_EQ(book.at("2026-01-09").animals[0].stadia_without_start, 0);
}

// Ends.

TEST(Stadia, RecordEndsAtDeathOrLeaving) {
  for (const auto& [event, status, state] : {std::tuple{Event::died, StadiumStatus::died, AnimalState::died},
                                             std::tuple{Event::left, StadiumStatus::left, AnimalState::left},
                                             std::tuple{Event::escaped, StadiumStatus::left, AnimalState::escaped}}) {
    Book book;
    book.row(Event::molt, "2026-01-01");
    book.row(event, "2026-01-21");
    const StadiaTable t = book.at("2026-03-01");
    EXPECT_EQ(t.stadia.at(0).status, status);
    EXPECT_EQ(t.stadia.at(0).min_days, 20);
    EXPECT_EQ(t.animals[0].state, state);
    EXPECT_EQ(t.animals[0].ended, day("2026-01-21"));
    EXPECT_EQ(book.at("2026-01-20").stadia.at(0).status, StadiumStatus::running) << "not yet known";
  }
}

TEST(Stadia, DeathFromTheTableOfAnimals) {
  Book book;
  book.first().died = day("2026-01-21");
  book.row(Event::molt, "2026-01-01");
  EXPECT_EQ(book.at("2026-03-01").stadia.at(0).status, StadiumStatus::died);
  EXPECT_EQ(book.at("2026-01-20").stadia.at(0).status, StadiumStatus::running);
}

TEST(Stadia, FoundDeadIsCensoredAtTheFirstPossibleDay) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::died, days("2026-01-11", "2026-01-21"));
  EXPECT_EQ(book.at("2026-03-01").stadia.at(0).min_days, 10);
}

TEST(Stadia, RowsAfterTheEndAreSaidAndNotUsed) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::escaped, "2026-01-21");
  book.row(Event::ate, "2026-01-25");
  book.row(Event::molt, "2026-02-25");
  book.row(Event::leg_span, "2026-03-01", 30).on = MeasuredOn::skin;  // readings are kept
  const StadiaTable t = book.at("2026-04-01");
  ASSERT_EQ(t.stadia.size(), 1u);
  EXPECT_EQ(t.stadia[0].min_days, 20);
  EXPECT_EQ(t.animals[0].sizes.size(), 1u);
  ASSERT_EQ(t.doubts.size(), 1u) << "once, not a row each";
  EXPECT_EQ(t.doubts[0].row, 4);
}

TEST(Stadia, WatchedByRowsCensorsAtTheLastLook) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::checked, "2026-01-16");
  book.row(Event::sealed_in, "2026-01-25");  // burrow closed: nothing seen
  book.row(Event::temperature, "2026-01-28", 24);
  EXPECT_EQ(book.at("2026-02-20", Watched::rows).stadia.at(0).min_days, 15);
  EXPECT_EQ(book.at("2026-02-20", Watched::rows).animals[0].last_watched, day("2026-01-16"));
  EXPECT_EQ(book.at("2026-02-20", Watched::all).stadia.at(0).min_days, 50);  // 30 + 20
}

TEST(Stadia, RangesNotOverByAsOfAreNotKnown) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.row(Event::molt, days("2026-02-01", "2026-02-10"));
  EXPECT_EQ(book.at("2026-02-09").stadia.size(), 1u);
  EXPECT_EQ(book.at("2026-02-09").stadia[0].status, StadiumStatus::running);
  EXPECT_EQ(book.at("2026-02-10").stadia.size(), 2u);
}

TEST(Stadia, AnimalsSetAsideGiveNothing) {
  Book book;
  book.row(Event::molt, "2026-01-01");
  book.first().set_aside = true;
  EXPECT_TRUE(book.at("2026-02-01").stadia.empty());
}

// Laws.

// A year and a half of two animals with all kinds of rows.
Book busy_book() {
  Book book;
  std::mt19937 random(20260401);
  const std::vector<Event> events = {Event::molt,     Event::skin_found,  Event::on_back,   Event::checked, Event::ate,
                                     Event::leg_span, Event::temperature, Event::limb_lost, Event::fed,     Event::sex};
  for (int a = 0; a < 6; ++a) {
    if (a > 0) book.animal("A" + std::to_string(a + 1));
    if (a % 2) book.collection.animals.back().acquired = day("2026-01-20");
    for (int k = 0; k < 40; ++k) {
      const Event event = events[random() % events.size()];
      const Day first = day("2026-01-01") + static_cast<Day>(random() % 500);
      const Day width = event == Event::molt ? static_cast<Day>(random() % 5) : 0;
      const bool sized = event == Event::leg_span || event == Event::temperature;
      const double value = event == Event::sex ? 1.0 * (random() % 2) : sized ? 20.0 + random() % 9 : unknown_number;
      book.row(event, {first, first + width}, value);
    }
    book.row(Event::matured, {day("2027-03-01"), day("2027-03-01")});
  }
  return book;
}

std::string text_of(double x) { return std::isnan(x) ? "-" : std::to_string(x); }
std::string text_of(std::optional<Day> d) { return d ? to_iso(*d) : "-"; }

// All that a table says, but for the row numbers.
std::string text_of(const StadiaTable& t) {
  std::string out = to_iso(t.as_of);
  for (const Stadium& s : t.stadia) {
    out += "\n" + std::to_string(s.animal) + " " + std::to_string(s.molt) + " " + to_iso(s.start.earliest) + " " +
           text_of(s.min_days) + " " + text_of(s.max_days) + " " + text_of(s.entry_days) + " " +
           text_of(s.start_size_mm) + " " + text_of(s.temperature_c) + " " + std::to_string(s.limb_lost) +
           std::to_string(static_cast<int>(s.status));
  }
  for (const AnimalHistory& h : t.animals) {
    out += "\n" + text_of(h.meal) + " " + text_of(h.male_chance) + " " + text_of(h.temperature_c) + " " +
           std::to_string(h.stadia_without_start) + std::to_string(h.recorded) + " " + to_iso(h.last_watched);
    for (const Molt& m : h.molts) out += " " + to_iso(m.when.earliest) + ".." + to_iso(m.when.latest);
    for (const SizeReading& r : h.sizes) out += " " + text_of(r.value) + "@" + std::to_string(r.molts_before);
  }
  return out + "\n" + std::to_string(t.doubts.size());
}

TEST(StadiaLaw, RowsAfterAsOfChangeNothing) {
  const Book book = busy_book();
  for (const Watched watched : {Watched::all, Watched::rows}) {
    for (Day as_of = day("2026-01-01"); as_of <= day("2027-06-01"); as_of += 7) {
      Collection cut = book.collection;
      std::erase_if(cut.entries, [&](const Entry& e) { return e.when.latest > as_of; });
      ASSERT_EQ(text_of(build_stadia(book.collection, as_of, watched)), text_of(build_stadia(cut, as_of, watched)));
    }
  }
}

TEST(StadiaLaw, OrderOfRowsDoesNotMatter) {
  Book book = busy_book();
  const std::string before = text_of(book.at("2027-06-01"));
  std::mt19937 random(7);
  for (int turn = 0; turn < 20; ++turn) {
    std::shuffle(book.collection.entries.begin(), book.collection.entries.end(), random);
    ASSERT_EQ(text_of(book.at("2027-06-01")), before);
  }
}

TEST(StadiaLaw, BoundsAreInOrder) {
  const StadiaTable t = busy_book().at("2027-06-01");
  ASSERT_GT(t.stadia.size(), 40u);
  for (const Stadium& s : t.stadia) {
    EXPECT_GE(s.min_days, 0);
    EXPECT_LE(s.entry_days, s.end ? s.max_days : s.min_days);
    EXPECT_EQ(s.end.has_value(), s.status == StadiumStatus::closed);
    if (s.end) {
      EXPECT_LE(s.min_days, s.max_days);
      EXPECT_GT(s.max_days, 0);
    }
  }
}

}  // namespace
}  // namespace moltspan
