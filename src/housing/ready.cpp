#include "housing/ready.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "housing/parts.hpp"
#include "moltspan/facts/cautions.hpp"
#include "moltspan/stadia/stadia.hpp"

namespace moltspan {
namespace {

std::vector<const HousingAdvice*> first_sitting(const RehousePlan& plan) {
  std::vector<const HousingAdvice*> moved;
  for (const HousingAdvice& a : plan.animals)
    if (a.sitting == 1) moved.push_back(&a);
  return moved;
}

std::string listed(const std::vector<const HousingAdvice*>& animals) {
  std::string text;
  for (const HousingAdvice* a : animals) text += (text.empty() ? "" : ", ") + a->id;
  return text;
}

std::string counted(std::size_t n, const std::string& word) {
  return std::to_string(n) + " " + word + (n == 1 ? "" : "s");
}

void boxes_of(const std::vector<const HousingAdvice*>& moved, std::vector<std::string>& lines) {
  for (const HousingAdvice* a : moved) {
    std::string line = "box for " + a->id + ": ";
    if (!a->suggested) {
      lines.push_back(line + "as large as the one it has, clean and dry (its size is not recorded)");
      continue;
    }
    const SuggestedBox& box = *a->suggested;
    line += box.name.empty() ? box_size_text(box) : "own box '" + box.name + "', " + box_size_text(box);
    if (std::isfinite(box.soil_mm) && box.soil_mm > 0) line += ", soil " + brief(box.soil_mm, 0) + " mm deep";
    lines.push_back(line + " (sizes by assumption); furnished, watered, lid tried");
  }
}

/// Animals of the sitting by a property of their situation.
template <class Of>
std::size_t count_of(const std::vector<const HousingAdvice*>& moved, const std::vector<HousingSituation>& situations,
                     Of of) {
  return static_cast<std::size_t>(std::count_if(
      moved.begin(), moved.end(), [&](const auto* a) { return of(situations[a->animal]); }));
}

void tools(const std::vector<const HousingAdvice*>& moved, std::vector<std::string>& lines) {
  double widest = 0;
  for (const HousingAdvice* a : moved)
    if (std::isfinite(a->leg_span_mm)) widest = std::max(widest, a->leg_span_mm);
  lines.push_back(
      "clear catch cup with its lid" +
      (widest > 0 ? ", wider than " + brief(widest, 0) + " mm, the largest leg span of this sitting" : std::string()) +
      "; a stiff card to slide under it; a soft long brush to steer; long tweezers");
  lines.push_back("room shut: door, windows, gaps under doors, vents and drains; lids of all other boxes shut");
  lines.push_back("old and new box together inside one larger closed space, low over something soft: a fall can kill");
  lines.push_back(
      "one animal open at a time; let it walk, steer with the brush, stop when it threatens; leave the hard ones out "
      "when tired");
}

std::string band_text(const BoxNeed& need, std::size_t h) {
  std::string text = std::to_string(need.from[h]);
  if (need.to[h] != need.from[h]) text += " to " + std::to_string(need.to[h]);
  return text;
}

/// One line of the sizes of which the band does not say "none"; the plan's own table holds all.
void needs(const RehousePlan& plan, std::vector<std::string>& lines) {
  std::string line;
  for (const BoxNeed& need : plan.boxes) {
    if (need.to.back() == 0) continue;
    line += (line.empty() ? "" : "; ") + (need.own ? "own box '" + need.name + "'" : need.name) + ": ";
    for (std::size_t h = 0; h < 3; ++h) line += (h ? " / " : "") + band_text(need, h);
  }
  if (line.empty()) return;
  lines.push_back("boxes needed within 30 / 60 / 90 days, 80 % band (growth and limits by assumption): " + line);
}

void after(const std::vector<const HousingAdvice*>& moved, const HousingRules& rules, std::vector<std::string>& lines) {
  if (!moved.empty())
    lines.push_back("afterwards: water at once, peace, first meal after " + with_status(rules.settle_days, "days"));
  lines.push_back(
      "skins and old soil: gloves or tweezers and eye protection; keep the skin, it gives the size: never disturb an "
      "animal to "
      "measure it");
  if (moved.empty()) return;
  lines.push_back("head count: " + counted(moved.size(), "animal") + " (" + listed(moved) +
                  "): each seen inside its new box, lid shut and tried, skin kept, row written (enclosure)");
  lines.push_back("if an animal " + caution_text("escaped") + "; search low and dark first, high for climbers");
}

}  // namespace

std::string box_size_text(const SuggestedBox& box) {
  return brief(box.w_mm, 0) + " x " + brief(box.d_mm, 0) + " x " + brief(box.h_mm, 0) + " mm";
}

std::vector<std::string> make_ready(const RehousePlan& plan, const std::vector<HousingSituation>& situations,
                                    const HousingRules& rules) {
  const auto moved = first_sitting(plan);
  std::vector<std::string> lines;
  if (moved.empty())
    lines.push_back("no animal is to be moved on " + to_iso(plan.on));
  else
    lines.push_back("order of " + to_iso(plan.on) + ": " + listed(moved));
  boxes_of(moved, lines);
  if (!moved.empty()) tools(moved, lines);
  const std::size_t old_world = count_of(moved, situations, [](const HousingSituation& s) {
    return s.world == World::old_world && kind_of(s.taxon, s.group).is_tarantula;
  });
  if (old_world > 1)
    lines.push_back(counted(old_world, "Old World tarantula") +
                    " in this sitting: one a sitting for those new to them (assumption)");
  needs(plan, lines);
  after(moved, rules, lines);
  lines.push_back(
      "local rules on keeping and moving animals come first; a sick or hurt animal is for a licensed veterinarian; a "
      "bite, a sting or setae in the eye for a doctor, poison center or the emergency number");
  return lines;
}

}  // namespace moltspan
