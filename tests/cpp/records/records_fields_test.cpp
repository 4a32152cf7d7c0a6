#include "records/fields.hpp"

#include <gtest/gtest.h>

#include <cmath>

#include "records/words.hpp"

namespace moltspan {
namespace {

TEST(RecordsFields, ReadsDecimalCommasAndDots) {
  for (const auto& [text, value] : std::initializer_list<std::pair<const char*, double>>{{"5", 5},
                                                                                         {"5.2", 5.2},
                                                                                         {"5,2", 5.2},
                                                                                         {"12,34", 12.34},
                                                                                         {"0,123", .123},
                                                                                         {"1234,567", 1234.567},
                                                                                         {"1.234", 1.234},
                                                                                         {"1.234,5", 1234.5},
                                                                                         {"1,234.5", 1234.5},
                                                                                         {"1,234,567", 1234567},
                                                                                         {"1.234.567", 1234567},
                                                                                         {"-3,5", -3.5},
                                                                                         {"+2", 2},
                                                                                         {"5e-3", .005},
                                                                                         {"1E+2", 100},
                                                                                         {"2 1/4", 2.25},
                                                                                         {"3/4", .75}}) {
    const NumberReading number = read_number(text);
    EXPECT_EQ(number.state, NumberState::ok) << text;
    EXPECT_DOUBLE_EQ(number.value, value) << text;
    EXPECT_EQ(number.rest, "") << text;
  }
}

TEST(RecordsFields, AThousandOrADecimalIsNotGuessed) {
  for (const auto* text : {"1,234", "12,345", "123,456", "1,234 g"})
    EXPECT_EQ(read_number(text).state, NumberState::ambiguous) << text;
}

TEST(RecordsFields, WhatIsNoNumberIsNone) {
  for (const auto* text :
       {"about 5", "~5", "", "cm", "1,23,4", "1.2.3", ",", "1,2.3,4", "-", "nan", "inf", "--5", "1.23,4.5", "1e999"})
    EXPECT_NE(read_number(text).state, NumberState::ok) << text;
  EXPECT_EQ(read_number("5-6").rest, "-6");
}

TEST(RecordsFields, SizesComeInMillimetersAndGrams) {
  const auto size = [](std::string_view value, std::string_view unit, Quantity quantity = Quantity::length,
                       std::string_view usual = "") { return read_quantity(value, unit, quantity, usual); };
  EXPECT_DOUBLE_EQ(size("5", "cm").value, 50);
  EXPECT_DOUBLE_EQ(size("5", "cm").step, 10);
  EXPECT_DOUBLE_EQ(size("5cm", "").value, 50);
  EXPECT_DOUBLE_EQ(size("5 cm", "CM").value, 50);
  EXPECT_DOUBLE_EQ(size("2 1/2\"", "").value, 63.5);
  EXPECT_DOUBLE_EQ(size("2,5", "in").value, 63.5);
  EXPECT_DOUBLE_EQ(size("2,5", "in").step, 25.4);
  EXPECT_DOUBLE_EQ(size("5", "", Quantity::length, "cm").value, 50);
  EXPECT_DOUBLE_EQ(size("350", "mg", Quantity::mass).value, .35);
  EXPECT_DOUBLE_EQ(size("77", "F", Quantity::temperature).value, 25);
  EXPECT_DOUBLE_EQ(size("25°C", "", Quantity::temperature).value, 25);
  EXPECT_EQ(size("5", "").state, SizeState::no_unit);
  EXPECT_EQ(size("5", "furlong").state, SizeState::unknown_unit);
  EXPECT_EQ(size("5 furlong", "").state, SizeState::unknown_unit);
  EXPECT_EQ(size("5cm", "mm").state, SizeState::two_units);
  EXPECT_EQ(size("5", "g").state, SizeState::wrong_quantity);
  EXPECT_EQ(size("5-6", "cm").state, SizeState::unreadable);
  EXPECT_EQ(size("1,234", "mm").state, SizeState::ambiguous);
}

TEST(RecordsFields, EnclosuresInTheirForms) {
  const EnclosureReading box = read_enclosure("20 x 25X30 / 8", "cm", "");
  EXPECT_EQ(box.state, EnclosureState::ok);
  EXPECT_DOUBLE_EQ(box.size.w_mm, 200);
  EXPECT_DOUBLE_EQ(box.size.d_mm, 250);
  EXPECT_DOUBLE_EQ(box.size.h_mm, 300);
  EXPECT_DOUBLE_EQ(box.size.substrate_mm, 80);
  EXPECT_FALSE(box.size.round);
  const EnclosureReading round = read_enclosure("4×5in", "", "cm");
  EXPECT_EQ(round.state, EnclosureState::ok);
  EXPECT_TRUE(round.size.round);
  EXPECT_DOUBLE_EQ(round.size.w_mm, 101.6);
  EXPECT_DOUBLE_EQ(round.size.d_mm, 101.6);
  EXPECT_DOUBLE_EQ(round.size.h_mm, 127);
  EXPECT_TRUE(std::isnan(round.size.substrate_mm));
  EXPECT_DOUBLE_EQ(read_enclosure("20,5x25x30", "", "cm").size.w_mm, 205);
}

TEST(RecordsFields, EnclosuresThatCannotBe) {
  const auto state = [](std::string_view value, std::string_view unit) {
    return read_enclosure(value, unit, "").state;
  };
  EXPECT_EQ(state("20x20x20", ""), EnclosureState::no_unit);
  EXPECT_EQ(state("20x20x20", "g"), EnclosureState::unknown_unit);
  EXPECT_EQ(state("20cmx20x20in", ""), EnclosureState::two_units);
  EXPECT_EQ(state("20", "cm"), EnclosureState::unreadable);
  EXPECT_EQ(state("big box", "cm"), EnclosureState::unreadable);
  EXPECT_EQ(state("20x20x20x20", "cm"), EnclosureState::unreadable);
  EXPECT_EQ(state("20x20x", "cm"), EnclosureState::unreadable);
  EXPECT_EQ(state("20x20x0", "cm"), EnclosureState::absurd);
  EXPECT_EQ(state("20x20x20/20", "cm"), EnclosureState::too_deep);
  EXPECT_EQ(state("10 gal", ""), EnclosureState::volume_only);
  EXPECT_EQ(state("20", "l"), EnclosureState::volume_only);
  EXPECT_DOUBLE_EQ(read_enclosure("20 l", "", "cm").size.volume_l, 20);
}

TEST(RecordsWords, EventsByNameAliasAndSpelling) {
  for (std::size_t i = 0; i < event_names().size(); ++i) EXPECT_EQ(find_event(event_names()[i]), static_cast<Event>(i));
  for (const auto* word : {"moult", "Moulted", "molted", "shed", " MOLT "})
    EXPECT_EQ(find_event(word), Event::molt) << word;
  for (const auto* word : {"webbed_up", "Webbed up", "sealed-in"})
    EXPECT_EQ(find_event(word), Event::sealed_in) << word;
  EXPECT_EQ(find_event("moult mat"), Event::molt_mat);
  EXPECT_FALSE(find_event("hatched"));
  EXPECT_EQ(nearest_word("mollt", event_names()), "molt");
  EXPECT_EQ(nearest_word("carapace lenght", event_names()), "carapace_length");
}

// By hand.
TEST(RecordsWords, TheNearestIdIsOneThatIsMeant) {
  const std::vector<std::string_view> ids = {"Rosie", "Bob the 2nd", "A12", "A2"};
  EXPECT_EQ(nearest_id("rosie", ids), "Rosie");
  EXPECT_EQ(nearest_id("Bob", ids), "Bob the 2nd");
  EXPECT_EQ(nearest_id("Rosei", ids), "") << "two letters of five";
  EXPECT_EQ(nearest_id("Rosy the first", ids), "");
  EXPECT_EQ(nearest_id("A 12", ids), "A12");
  EXPECT_EQ(nearest_id("A13", ids), "A12");
  EXPECT_EQ(nearest_id("xyzzy", ids), "");
  EXPECT_EQ(nearest_id("", {}), "");
}

// By hand: what a keeper means by the word. What is meant is offered and never taken.
TEST(RecordsWords, WhatIsNoEventGetsTheEventThatIsMeant) {
  const std::pair<const char*, const char*> words[] = {{"shedded", "'molt'"},
                                                       {"mollt", "'molt'"},
                                                       {"shed skin", "'skin_found'"},
                                                       {"Exuviae", "'skin_found'"},
                                                       {"eats", "'ate'"},
                                                       {"ate well", "'ate'"},
                                                       {"not eating", "'refused'"},
                                                       {"died today", "'died'"},
                                                       {"RIP", "'died'"},
                                                       {"death", "'died'"},
                                                       {"on its back", "'on_back'"},
                                                       {"hiding", "'sealed_in'"},
                                                       {"rehoused", "'enclosure'"},
                                                       {"DLS", "'leg_span'"},
                                                       {"leg lost", "'limb_lost'"},
                                                       {"gave away", "'left'"},
                                                       {"pre-molt", "darkened, refused"},
                                                       {"carapace lenght", "'carapace_length'"},
                                                       {"bought", "acquired"}};
  for (const auto& [word, meant] : words) {
    EXPECT_NE(event_advice(word).find(meant), std::string::npos) << word << ": " << event_advice(word);
    EXPECT_FALSE(find_event(word)) << word;
  }
  for (const auto* word : {"xyzzy", "did not do it", "\xd0\xbb\xd0\xb8\xd0\xbd\xd1\x8c\xd0\xba\xd0\xb0", "", "-"})
    EXPECT_EQ(event_advice(word).rfind("the events are molt, ", 0), 0u) << word << ": " << event_advice(word);
}

TEST(RecordsWords, SexWords) {
  EXPECT_EQ(find_sex("Female"), 0);
  EXPECT_EQ(find_sex("m"), 1);
  EXPECT_EQ(find_sex("probable female"), .2);
  EXPECT_EQ(find_sex("Probable_Male"), .8);
  EXPECT_EQ(find_sex("?"), .5);
  EXPECT_FALSE(find_sex("1.0"));
  EXPECT_FALSE(find_sex("0.1"));
}

TEST(RecordsWords, EditDistanceIsSymmetricAndExact) {
  EXPECT_EQ(edit_distance("kitten", "sitting"), 3u);  // by hand: k-s, e-i, +g
  EXPECT_EQ(edit_distance("sitting", "kitten"), 3u);
  EXPECT_EQ(edit_distance("", "abc"), 3u);
  EXPECT_EQ(edit_distance("abc", "abc"), 0u);
}

}  // namespace
}  // namespace moltspan
