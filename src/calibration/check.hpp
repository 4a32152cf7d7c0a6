#pragma once

#include <span>
#include <string>
#include <vector>

#include "moltspan/calibration/calibration.hpp"
#include "moltspan/base/health.hpp"

namespace moltspan {

/// One forecast and where the truth lay in it.
struct CheckedCase {
  Pit pit;
  double weight = 1;
  int animal = 0;
};

/// What cases are told apart by.
struct CaseFactor {
  std::string name;                 ///< as it is said: "instar", "month of the start"
  std::vector<int> code;            ///< one a case; -1 = not known
  std::vector<std::string> labels;  ///< by code
};

/// Cases by a text, coded in the order of the texts; blank = not known.
CaseFactor factor_of(std::string name, const std::vector<std::string>& texts);
/// `instar 03`; blank where not stated (negative).
std::string instar_text(int instar);
/// `month 07`.
std::string month_text(Day day);

/// Share of a uniformised PIT under `level`.
double share_under(const Pit& pit, double level);
/// Share of a uniformised PIT within the central band of that level.
double share_within(const Pit& pit, double level);

/// Coverage and medians of some of the cases.
CalibrationClass calibration_of(std::span<const CheckedCase> cases, std::string label);

/// One factor: its classes with enough cases, and how likely a right model would have them lie as unevenly.
struct FactorCheck {
  std::string name;
  std::vector<CalibrationClass> classes;
  double p_place = 1, p_spread = 1;  ///< chi-square of the classes' places and spreads
};
FactorCheck check_factor(std::span<const CheckedCase> cases, const CaseFactor& factor);

/// Every class of a factor, in the order of the codes.
std::vector<CalibrationClass> classes_of(std::span<const CheckedCase> cases, const CaseFactor& factor);

/// Says where bands do not hold: over all, from three clustered standard errors on; by classes, from a chance of 1 in
/// 5,000 on, so that all the tests of one collection together cry wolf in less than one of a hundred. `cases_word`: what
/// the cases are; `advice`: what would mend it.
struct CalibrationWords {
  std::string topic, cases_word, advice;
};
void note_calibration(std::span<const CheckedCase> cases, const std::vector<CaseFactor>& factors,
                      const CalibrationWords& words, std::vector<HealthNote>& health);

/// The same on the leave-one-out transforms of a fitted collection, by kind, instar, month and size.
void note_fit_calibration(const CollectionFit& fit, std::vector<HealthNote>& notes);

}  // namespace moltspan
