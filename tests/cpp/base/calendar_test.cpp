#include "moltspan/base/calendar.hpp"

#include <gtest/gtest.h>

namespace moltspan {
namespace {

DateState state_of(std::string_view text, DateOrder order = DateOrder::unstated) {
  return read_date(text, order).state;
}

std::string iso_of(std::string_view text, DateOrder order = DateOrder::unstated) {
  const DateReading reading = read_date(text, order);
  return reading.state == DateState::ok ? to_iso(reading.day)
                                        : "state " + std::to_string(static_cast<int>(reading.state));
}

// Day numbers from GNU date: date -u -d DATE +%s, divided by 86400.
TEST(Calendar, CountsDaysFrom1970) {
  EXPECT_EQ(day_from_civil(1970, 1, 1), 0);
  EXPECT_EQ(day_from_civil(1969, 12, 31), -1);
  EXPECT_EQ(day_from_civil(2000, 2, 29), 11016);
  EXPECT_EQ(day_from_civil(2026, 4, 3), 20546);
  EXPECT_EQ(to_iso(20546), "2026-04-03");
  EXPECT_EQ(to_iso(-1), "1969-12-31");
}

TEST(Calendar, KnowsWhichDaysExist) {
  EXPECT_FALSE(day_from_civil(2026, 2, 29));
  EXPECT_TRUE(day_from_civil(2024, 2, 29));
  EXPECT_FALSE(day_from_civil(1900, 2, 29));
  EXPECT_TRUE(day_from_civil(2000, 2, 29));
  for (const auto& [month, day] : {std::pair{0, 1}, {13, 1}, {1, 0}, {1, 32}, {4, 31}, {-1, -1}})
    EXPECT_FALSE(day_from_civil(2026, month, day)) << month << " " << day;
}

TEST(Calendar, EveryDayIsReadBackFromItsIsoText) {
  for (Day day = *day_from_civil(1899, 1, 1); day < *day_from_civil(2101, 1, 1); ++day)
    ASSERT_EQ(read_date(to_iso(day)).day, day);
}

TEST(Calendar, ReadsIsoDatesAndDropsTheTimeOfDay) {
  for (const auto* text : {"2026-04-03", " 2026-04-03 ", "2026-4-3", "2026/04/03", "2026.04.03", "20260403",
                           "2026-04-03T14:30:00Z", "2026-04-03 14:30:00.123+02:00", "2026-04-03 9:05 PM"})
    EXPECT_EQ(iso_of(text), "2026-04-03") << text;
}

TEST(Calendar, ReadsMonthNames) {
  for (const auto* text : {"3 April 2026", "3 apr 2026", "April 3, 2026", "Apr 3rd, 2026", "3-Apr-2026",
                           "3rd April 2026", "2026 Apr 3", "3. April 2026", "APRIL 03 2026"})
    EXPECT_EQ(iso_of(text), "2026-04-03") << text;
  EXPECT_EQ(iso_of("1 Sept 2026"), "2026-09-01");
  EXPECT_EQ(state_of("3 Aprilis 2026"), DateState::unreadable);
  EXPECT_EQ(state_of("31 April 2026"), DateState::impossible);
  EXPECT_EQ(state_of("3 April 26"), DateState::two_digit_year);
}

TEST(Calendar, NeverGuessesTheOrderOfDayAndMonth) {
  for (const auto* text : {"03/04/2026", "3-4-2026", "3 4 2026"}) {
    EXPECT_EQ(state_of(text), DateState::ambiguous) << text;
    EXPECT_EQ(iso_of(text, DateOrder::day_first), "2026-04-03") << text;
    EXPECT_EQ(iso_of(text, DateOrder::month_first), "2026-03-04") << text;
  }
  EXPECT_EQ(iso_of("25/04/2026"), "2026-04-25");
  EXPECT_EQ(iso_of("04/25/2026"), "2026-04-25");
  EXPECT_EQ(iso_of("04/04/2026"), "2026-04-04");
  EXPECT_EQ(state_of("04/25/2026", DateOrder::day_first), DateState::impossible);
  EXPECT_EQ(state_of("25/04/2026", DateOrder::month_first), DateState::impossible);
}

TEST(Calendar, DotsMeanDayFirstUnlessTheFolderSaysOtherwise) {
  EXPECT_EQ(iso_of("3.4.2026"), "2026-04-03");
  EXPECT_EQ(iso_of("03.04.2026", DateOrder::day_first), "2026-04-03");
  EXPECT_EQ(iso_of("03.04.2026", DateOrder::month_first), "2026-03-04");
  EXPECT_EQ(state_of("04.25.2026"), DateState::impossible);
}

TEST(Calendar, SaysWhyADateCannotBeRead) {
  EXPECT_EQ(state_of(""), DateState::blank);
  EXPECT_EQ(state_of("  "), DateState::blank);
  for (const auto* text : {"2026-02-31", "31/02/2026", "2026-13-01", "2026-00-10", "0206-04-03", "3/4/0026"})
    EXPECT_EQ(state_of(text), DateState::impossible) << text;
  for (const auto* text : {"03/04/26", "3.4.26", "26-04-03", "3 Apr 26"})
    EXPECT_EQ(state_of(text), DateState::two_digit_year) << text;
  for (const auto* text :
       {"spring", "2026", "2026-04", "April 2026", "45000", "2026-04-03-05", "2026--04-03x", "3/4-2026",
        "2026-04-03 noon", "~2026-04-03", "12345678901-1-1", "1,2,2026", "2026-04-03:", "-", "."})
    EXPECT_EQ(state_of(text), DateState::unreadable) << text;
}

TEST(Calendar, ARangeOfOneDayIsOneDayWide) {
  EXPECT_EQ((DayRange{5, 5}.width_days()), 1);
  EXPECT_EQ((DayRange{5, 9}.width_days()), 5);
}

}  // namespace
}  // namespace moltspan
