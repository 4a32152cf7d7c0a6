#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "moltspan/records/records.hpp"

/// Numbers, units and sizes as people write them in a cell.
namespace moltspan {

enum class NumberState { ok, blank, unreadable, ambiguous };

/// A number at the beginning of a text and what follows it.
struct NumberReading {
  NumberState state = NumberState::blank;
  double value = unknown_number;
  std::string_view rest;  ///< trimmed; a unit, or blank
};

/// Reads `5`, `5.2`, `5,2`, `1.234,5`, `1,234.5`, `1 1/2`, `5e-3` at the beginning of a text.
///
/// With both separators the last one is the decimal one. A single comma is decimal, save that a comma followed by
/// exactly three digits with no other separator could be either and is `ambiguous` (`1,234`), unless what stands before
/// it is 0 or has more than three digits. A single dot is decimal. Several alike are thousands and must split groups of
/// three.
NumberReading read_number(std::string_view text);

enum class Quantity { length, mass, temperature, volume };

/// A unit and its factor to mm, g, C or l (Fahrenheit has an offset besides: see to_celsius).
struct Unit {
  Quantity quantity = Quantity::length;
  double factor = 1;
  bool fahrenheit = false;
};

/// mm, cm, in, um; g, mg; C, F; l, ml, gal (US) and their usual spellings, case ignored.
std::optional<Unit> find_unit(std::string_view word);

/// Units of a quantity for messages: `mm, cm or in`.
std::string_view unit_words(Quantity quantity);

/// Value in mm, g, C or l.
double in_base_units(double value, const Unit& unit);

enum class SizeState { ok, unreadable, ambiguous, no_unit, unknown_unit, two_units, wrong_quantity };

/// A number with its unit, in mm, g or C.
struct SizeReadingText {
  SizeState state = SizeState::unreadable;
  double value = unknown_number;
  double step = unknown_number;  ///< the unit in mm or g
};

/// Reads a value such as `5` or `5cm` beside its unit cell; `usual_unit` stands in where neither names one.
SizeReadingText read_quantity(std::string_view value, std::string_view unit, Quantity quantity,
                              std::string_view usual_unit);

enum class EnclosureState {
  ok,
  volume_only,
  unreadable,
  ambiguous,
  no_unit,
  unknown_unit,
  two_units,
  absurd,
  too_deep
};

struct EnclosureReading {
  EnclosureState state = EnclosureState::unreadable;
  EnclosureSize size;
};

/// Reads `WxDxH` or `DxH` (round), optional `/S`, in mm, cm or in, or a volume alone. `x`, `*` and the sign for times.
EnclosureReading read_enclosure(std::string_view value, std::string_view unit, std::string_view usual_unit);

}  // namespace moltspan
