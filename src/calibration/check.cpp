#include "calibration/check.hpp"

#include <algorithm>
#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <cmath>
#include <map>
#include <sstream>

namespace moltspan {
namespace {

constexpr double off_errors = 3;             ///< standard errors from which bands do not hold
constexpr double few_chances = 2e-4;         ///< of one test by classes under a right model
constexpr double enough_cases = 20;          ///< over all
constexpr std::size_t enough_animals = 5;
constexpr double enough_in_class = 8;
constexpr std::size_t most_named = 4;        ///< classes
constexpr double named_from = 2;             ///< standard errors
const double uniform_sd = std::sqrt(1.0 / 12);

/// Cases that count at all.
double counted(std::span<const CheckedCase> cases) {
  double sum = 0;
  for (const CheckedCase& one : cases) sum += one.weight;
  return sum;
}

/// Weighted mean with its errors. The clustered one is that of ClusteredMean.
template <typename Value>
ClusteredMean mean_of(std::span<const CheckedCase> cases, Value value) {
  ClusteredMean result;
  double weight = 0, square = 0;
  std::map<int, double> by_animal;
  for (const CheckedCase& one : cases) {
    result.mean += one.weight * value(one.pit);
    weight += one.weight;
    ++result.n;
  }
  result.mean /= weight;
  for (const CheckedCase& one : cases) {
    const double off = one.weight * (value(one.pit) - result.mean);
    square += off * off;
    by_animal[one.animal] += off;
  }
  double clustered = 0;
  for (const auto& [animal, sum] : by_animal) clustered += sum * sum;
  const double n = static_cast<double>(result.n), g = static_cast<double>(by_animal.size());
  result.n_clusters = by_animal.size();
  result.standard_error = std::sqrt(square * n / std::max(n - 1, 1.0)) / weight;
  result.clustered_standard_error = g > 1 ? std::sqrt(clustered * g / (g - 1)) / weight : std::nan("");
  return result;
}

/// Standard error of a mean of independent values of that sd.
double error_of_right_model(std::span<const CheckedCase> cases, double sd) {
  double square = 0;
  for (const CheckedCase& one : cases) square += one.weight * one.weight;
  return sd * std::sqrt(square) / counted(cases);
}

/// E|2 u - 1| of a uniformised PIT.
double mean_distance(const Pit& pit) {
  const auto integral = [](double u) { return u < 0.5 ? u - u * u : 0.5 + u * u - u; };  // of |2 u - 1|
  const double width = pit.high - pit.low;
  return width > 1e-9 ? (integral(pit.high) - integral(pit.low)) / width : std::abs(2 * pit.low - 1);
}

/// Standard errors that a mean lies off, that of a right model being the least.
double errors_off(const ClusteredMean& mean, double promised, double least) {
  const double error = std::isfinite(mean.clustered_standard_error) ? mean.clustered_standard_error : 0;
  return (mean.mean - promised) / std::max({error, least, 1e-12});
}

/// The bar of a normal deviate for a mean over few clusters.
double bar_with(std::size_t clusters) {
  if (clusters < 3) return 1e9;
  const boost::math::students_t law(static_cast<double>(clusters) - 1);
  return boost::math::quantile(law, 0.99865);
}

std::string rounded(double value) {
  std::ostringstream text;
  text.precision(0);
  text << std::fixed << value;
  return text.str();
}

std::string percent_of(double share) { return rounded(100 * share) + " %"; }

/// "the 80 % band holds 61 % (s.e. 3)".
std::string held_words(const CalibrationClass& found, std::size_t level) {
  const ClusteredMean& mean = found.held[level];
  return "the " + percent_of(calibration_levels[level]) + " band holds " + percent_of(mean.mean) + " (s.e. " +
         rounded(100 * mean.clustered_standard_error) + ")";
}

/// Notes over all cases; whether any.
bool note_all(const CalibrationClass& all, std::span<const CheckedCase> cases, const CalibrationWords& words,
              std::vector<HealthNote>& health) {
  if (counted(cases) < enough_cases || all.below_median.n_clusters < enough_animals) return false;
  const double bar = off_errors * bar_with(all.below_median.n_clusters) / bar_with(100000);
  std::string off;
  double sum = 0;
  for (std::size_t i = 0; i < calibration_levels.size(); ++i) {
    const double level = calibration_levels[i], least = error_of_right_model(cases, std::sqrt(level * (1 - level)));
    const double by = errors_off(all.held[i], level, least);
    if (std::abs(by) < bar) continue;
    off += (off.empty() ? "" : ", ") + held_words(all, i);
    sum += by;
  }
  const std::string cases_said = std::to_string(all.below_median.n) + " " + words.cases_word;
  if (!off.empty())
    health.push_back({HealthState::bad, words.topic,
                      "bands do not hold: of " + cases_said + " " + off + (sum < 0 ? ": too narrow" : ": too wide") +
                          "; " + words.advice});
  const double least = error_of_right_model(cases, 0.5);
  if (std::abs(errors_off(all.below_median, 0.5, least)) < bar) return !off.empty();
  health.push_back({HealthState::bad, words.topic + "_median",
                    "medians do not hold: of " + cases_said + " " + percent_of(all.below_median.mean) + " (s.e. " +
                        rounded(100 * all.below_median.clustered_standard_error) + ") came before the median; " +
                        words.advice});
  return true;
}

/// The classes that lie off most, told by `tell`.
template <typename Off, typename Tell>
std::string worst_classes(std::vector<CalibrationClass> classes, Off off, Tell tell) {
  std::sort(classes.begin(), classes.end(), [&](const auto& a, const auto& b) { return std::abs(off(a)) > std::abs(off(b)); });
  std::string text;
  for (std::size_t i = 0; i < std::min(classes.size(), most_named); ++i)
    if (i == 0 || std::abs(off(classes[i])) > named_from)
      text += (text.empty() ? "" : ", ") + tell(classes[i]) + " of " + std::to_string(classes[i].below_median.n) +
              " in " + classes[i].label;
  return text;
}

/// One kind of misfit by classes: the chance of it under a right model, how far a class lies off, and what is told.
struct Misfit {
  const char *topic, *what, *told;
  double FactorCheck::*chance;
  double CalibrationClass::*off;
  double (*share)(const CalibrationClass&);
};

/// The factor that shows it most, and the names of the others that do.
void note_misfit(const std::vector<FactorCheck>& factors, const Misfit& misfit, const CalibrationWords& words,
                 std::vector<HealthNote>& health) {
  std::vector<const FactorCheck*> found;
  for (const FactorCheck& factor : factors)
    if (factor.*misfit.chance < few_chances) found.push_back(&factor);
  if (found.empty()) return;
  std::stable_sort(found.begin(), found.end(),
                   [&](const auto* a, const auto* b) { return a->*misfit.chance < b->*misfit.chance; });
  std::string others;
  for (std::size_t i = 1; i < found.size(); ++i) others += (i == 1 ? " (as do those by " : ", ") + found[i]->name;
  health.push_back({HealthState::bad, words.topic + misfit.topic,
                    "by " + found[0]->name + " " + misfit.what + " do not hold" + (others.empty() ? "" : others + ")") +
                        ", " + words.cases_word + ": " + misfit.told + " " +
                        worst_classes(
                            found[0]->classes, [&](const auto& c) { return c.*misfit.off; },
                            [&](const auto& c) { return percent_of(misfit.share(c)); }) +
                        "; " + words.advice});
}

double chance_of(double chi_square, std::size_t classes) {
  if (classes < 2) return 1;
  const boost::math::chi_squared law(static_cast<double>(classes));
  return boost::math::cdf(boost::math::complement(law, chi_square));
}

std::vector<CheckedCase> cases_with(std::span<const CheckedCase> cases, const CaseFactor& factor, int code) {
  std::vector<CheckedCase> chosen;
  for (std::size_t i = 0; i < cases.size(); ++i)
    if (factor.code[i] == code) chosen.push_back(cases[i]);
  return chosen;
}

}  // namespace

CaseFactor factor_of(std::string name, const std::vector<std::string>& texts) {
  CaseFactor factor{std::move(name), {}, {}};
  std::map<std::string, int> codes;
  for (const std::string& text : texts)
    if (!text.empty()) codes.try_emplace(text, 0);
  for (auto& [text, code] : codes) {
    code = static_cast<int>(factor.labels.size());
    factor.labels.push_back(text);
  }
  for (const std::string& text : texts) factor.code.push_back(text.empty() ? -1 : codes.at(text));
  return factor;
}

std::string instar_text(int instar) {
  return instar < 0 ? "" : (instar < 10 ? "instar 0" : "instar ") + std::to_string(instar);
}

std::string month_text(Day day) { return "month " + to_iso(day).substr(5, 2); }

double share_under(const Pit& pit, double level) {
  if (pit.high <= level) return 1;
  if (pit.low >= level) return 0;
  return (level - pit.low) / (pit.high - pit.low);
}

double share_within(const Pit& pit, double level) {
  return share_under(pit, 0.5 * (1 + level)) - share_under(pit, 0.5 * (1 - level));
}

CalibrationClass calibration_of(std::span<const CheckedCase> cases, std::string label) {
  CalibrationClass result;
  result.label = std::move(label);
  if (cases.empty()) return result;
  for (std::size_t i = 0; i < calibration_levels.size(); ++i)
    result.held[i] = mean_of(cases, [i](const Pit& pit) { return share_within(pit, calibration_levels[i]); });
  result.below_median = mean_of(cases, [](const Pit& pit) { return share_under(pit, 0.5); });
  const double least = error_of_right_model(cases, uniform_sd);
  result.place = errors_off(mean_of(cases, [](const Pit& pit) { return 0.5 * (pit.low + pit.high); }), 0.5, least);
  result.spread = errors_off(mean_of(cases, mean_distance), 0.5, least);
  return result;
}

std::vector<CalibrationClass> classes_of(std::span<const CheckedCase> cases, const CaseFactor& factor) {
  std::vector<CalibrationClass> classes;
  for (std::size_t code = 0; code < factor.labels.size(); ++code) {
    const auto chosen = cases_with(cases, factor, static_cast<int>(code));
    if (!chosen.empty()) classes.push_back(calibration_of(chosen, factor.labels[code]));
  }
  return classes;
}

FactorCheck check_factor(std::span<const CheckedCase> cases, const CaseFactor& factor) {
  FactorCheck result;
  result.name = factor.name;
  double place = 0, spread = 0;
  for (std::size_t code = 0; code < factor.labels.size(); ++code) {
    const auto chosen = cases_with(cases, factor, static_cast<int>(code));
    if (counted(chosen) < enough_in_class) continue;
    CalibrationClass found = calibration_of(chosen, factor.labels[code]);
    if (found.below_median.n_clusters < 3) continue;
    place += found.place * found.place;
    spread += found.spread * found.spread;
    result.classes.push_back(std::move(found));
  }
  result.p_place = chance_of(place, result.classes.size());
  result.p_spread = chance_of(spread, result.classes.size());
  return result;
}

void note_calibration(std::span<const CheckedCase> cases, const std::vector<CaseFactor>& factors,
                      const CalibrationWords& words, std::vector<HealthNote>& health) {
  if (cases.empty()) return;
  note_all(calibration_of(cases, "all"), cases, words, health);
  std::vector<FactorCheck> checks;
  for (const CaseFactor& factor : factors) checks.push_back(check_factor(cases, factor));
  note_misfit(checks,
              {"_by_class", "bands", "the 80 % band holds", &FactorCheck::p_spread, &CalibrationClass::spread,
               [](const CalibrationClass& c) { return c.held[1].mean; }},
              words, health);
  note_misfit(checks,
              {"_median_by_class", "medians", "the median stands above", &FactorCheck::p_place, &CalibrationClass::place,
               [](const CalibrationClass& c) { return c.below_median.mean; }},
              words, health);
}

}  // namespace moltspan
