#include <cmath>
#include <cstdio>

#include "housing/parts.hpp"

namespace moltspan {
namespace {

std::string number_text(double value, int decimals) {
  char text[32];
  std::snprintf(text, sizeof text, "%.*f", decimals, value);
  return text;
}

std::string sides(double w_mm, double d_mm, double h_mm) {
  return brief(w_mm, 0) + " x " + brief(d_mm, 0) + " x " + brief(h_mm, 0) + " mm";
}

}  // namespace

std::string measure_text(const Measure& m, double leg_span_mm, bool with_limits, const std::string& size_word) {
  static constexpr const char* names[] = {"floor, shorter side", "height", "depth of soil", "drop from soil to lid"};
  std::string text = names[static_cast<int>(m.what)];
  text +=
      " " + number_text(m.multiple, 1) + " x " + size_word + " (" + brief(m.mm, 0) + " mm / " + brief(leg_span_mm, 0) + " mm)";
  const bool drop = m.what == Measure::What::drop;
  if (!with_limits && !drop) return text;
  if (m.is_due()) return text + (drop ? ": limit " : ": due under ") + with_status(m.due);
  if (m.is_planned()) return text + (drop ? ": warned over " : ": plan under ") + with_status(m.plan);
  return text;
}

std::string suggestion_text(const SuggestedBox& box) {
  std::string text = "suggested: ";
  text += box.name.empty() ? "a box of " : "own box '" + box.name + "', ";
  text += sides(box.w_mm, box.d_mm, box.h_mm);
  if (std::isfinite(box.soil_mm) && box.soil_mm > 0) text += ", soil " + brief(box.soil_mm, 0) + " mm deep";
  text +=
      "; expected to do for " + std::to_string(box.lasts_molts) + (box.lasts_molts == 1 ? " molt" : " molts") + " more";
  return text + " (assumption)";
}

}  // namespace moltspan
