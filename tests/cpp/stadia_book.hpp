#pragma once

#include <gtest/gtest.h>

#include <cstdint>
#include <string>
#include <string_view>
#include <utility>

#include "moltspan/stadia/stadia.hpp"

namespace moltspan {

inline Day day(std::string_view iso) {
  const DateReading reading = read_date(iso);
  EXPECT_EQ(reading.state, DateState::ok) << iso;
  return reading.day;
}

inline DayRange days(std::string_view from, std::string_view to) { return {day(from), day(to)}; }
inline DayRange on(std::string_view iso) { return days(iso, iso); }

// Builds small checked collections as the reader of records would hand them over.
struct Book {
  Collection collection;

  Book() {
    collection.raw.animals.source = "animals.csv";
    collection.raw.journal.source = "journal.csv";
    animal("A1");
  }

  Animal& animal(std::string id, std::string taxon = "Brachypelma hamorii") {
    Animal a;
    a.id = std::move(id);
    a.genus = taxon.substr(0, taxon.find(' '));
    a.taxon = std::move(taxon);
    a.row = static_cast<std::int64_t>(collection.animals.size());
    collection.raw.animals.rows.push_back(a.row + 2);
    collection.animals.push_back(a);
    return collection.animals.back();
  }

  Animal& first() { return collection.animals.front(); }

  Entry& row(Event event, DayRange when, double value = unknown_number) {
    Entry e;
    e.animal = static_cast<int>(collection.animals.size()) - 1;
    e.event = event;
    e.when = when;
    e.value = value;
    e.row = static_cast<std::int64_t>(collection.entries.size()) + 2;
    collection.entries.push_back(e);
    return collection.entries.back();
  }
  Entry& row(Event event, std::string_view iso, double value = unknown_number) { return row(event, on(iso), value); }

  StadiaTable at(std::string_view as_of, Watched watched = Watched::all) const {
    return build_stadia(collection, day(as_of), watched);
  }
};

}  // namespace moltspan
