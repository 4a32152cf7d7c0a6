#include <cmath>
#include <cstdio>

#include "housing_parts.hpp"
#include "moltspan/stadia.hpp"

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

std::string measure_text(const Measure& m, double leg_span_mm, bool with_limits) {
  static constexpr const char* names[] = {"floor, shorter side", "height", "depth of soil", "drop from soil to lid"};
  std::string text = names[static_cast<int>(m.what)];
  text +=
      " " + number_text(m.multiple, 1) + " x leg span (" + brief(m.mm, 0) + " mm / " + brief(leg_span_mm, 0) + " mm)";
  const bool drop = m.what == Measure::What::drop;
  if (!with_limits && !drop) return text;
  if (m.is_due()) return text + (drop ? ": limit " : ": due under ") + marked(m.due);
  if (m.is_planned()) return text + (drop ? ": warned over " : ": plan under ") + marked(m.plan);
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

Hazards hazards_for(const HousingSituation& s, const HousingRules& rules, std::string& assumption) {
  const Kind& kind = kind_of(s.taxon, s.group);
  Hazards result = s.hazards;
  if (!result.stated) {
    assumption = "hazard not recorded: all cautions are given (assumption)";
    result = {false, true, true, true, true};
    for (const auto& [group, hazards] : rules.hazards_of_group)
      if (!kind.group.empty() && group == kind.group) {
        result = hazards;
        assumption = "hazard not recorded: cautions as for " + group + " (assumption, from memory)";
      }
  }
  const bool none = !result.urticating_setae && !result.systemic_venom && !result.irritant_spray && !result.fast;
  if (kind.is_tarantula && s.world == World::old_world && !result.systemic_venom && !none) {
    result.systemic_venom = true;
    assumption = "Old World tarantula: counted as one whose bite acts on the whole body (assumption)";
  }
  return result;
}

std::vector<std::string> caution_texts(const Hazards& hazards) {
  std::vector<std::string> texts;
  if (hazards.systemic_venom)
    texts.push_back(
        "venom that may act on the whole body: no bare hand in the box, long tweezers, someone else within call, the "
        "number "
        "of a poison centre at hand; cramps, trouble breathing or a bite by an Old World tarantula are for a doctor at "
        "once");
  if (hazards.urticating_setae)
    texts.push_back(
        "urticating setae: eye protection, sleeves and gloves; never rub the eyes; setae in an eye are for an eye "
        "doctor");
  if (hazards.irritant_spray)
    texts.push_back("irritant spray: eye protection, face to the side, windows open after the lid is shut");
  if (hazards.fast)
    texts.push_back(
        "fast: may bolt, also up an arm; open the box only inside a larger closed space, catch cup in hand");
  return texts;
}

}  // namespace moltspan
