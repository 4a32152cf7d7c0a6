#include <cassert>
#include <map>
#include <stdexcept>

#include "facts/embedded_tables.hpp"
#include "moltspan/housing/housing.hpp"
#include "records/words.hpp"
#include "base/toml_of_user.hpp"
#include "base/words.hpp"

namespace moltspan {
namespace {

using Places = std::map<std::string, RuleNumber*, std::less<>>;

Places habit_places(HabitRules& r) {
  return {{"floor_due", &r.floor_due},         {"floor_plan", &r.floor_plan},
          {"floor_target", &r.floor_target},   {"floor_target_most", &r.floor_target_most},
          {"height_due", &r.height_due},       {"height_plan", &r.height_plan},
          {"height_target", &r.height_target}, {"drop_warn", &r.drop_warn},
          {"drop_limit", &r.drop_limit},       {"soil_due", &r.soil_due},
          {"soil_target", &r.soil_target},     {"sling_soil", &r.sling_soil}};
}

std::map<std::string, Places, std::less<>> places(HousingRules& r) {
  return {{"terrestrial", habit_places(r.terrestrial)},
          {"fossorial", habit_places(r.fossorial)},
          {"semi_arboreal", habit_places(r.semi_arboreal)},
          {"arboreal", habit_places(r.arboreal)},
          {"limits",
           {{"drop_from_leg_span_mm", &r.drop_from_leg_span_mm},
            {"oversize_floor", &r.oversize_floor},
            {"oversize_side_mm", &r.oversize_side_mm},
            {"sling_share", &r.sling_share},
            {"sling_mm", &r.sling_mm},
            {"juvenile_share", &r.juvenile_share},
            {"juvenile_mm", &r.juvenile_mm}}},
          {"safety",
           {{"premolt_chance", &r.premolt_chance},
            {"likely_premolt", &r.likely_premolt},
            {"look_chance", &r.look_chance},
            {"own_longest", &r.own_longest},
            {"offer_again_days", &r.offer_again_days},
            {"arrival_days", &r.arrival_days},
            {"sign_leads", &r.sign_leads},
            {"sac_days", &r.sac_days},
            {"rest_days", &r.rest_days},
            {"settle_days", &r.settle_days},
            {"later_chance", &r.later_chance}}},
          {"growth",
           {{"adult_ratio", &r.adult_ratio},
            {"adult_log_sd", &r.adult_log_sd},
            {"interval_ratio", &r.interval_ratio},
            {"next_stadium_log_sd", &r.next_stadium_log_sd}}}};
}

[[noreturn]] void refuse(const std::string& place, const std::string& rule) {
  throw std::invalid_argument("housing_rules: " + place + ": " + rule + "; see shared/housing.toml for the shape");
}

RuleStatus status_of(const std::string& place, const std::string& word) {
  if (word == "P") return RuleStatus::published;
  if (word == "C") return RuleStatus::common_practice;
  if (word == "M") return RuleStatus::assumption;
  refuse(place, "status = \"" + word + "\": P (published), C (common practice) or M (assumption) expected");
}

RuleNumber number_of(const std::string& place, const toml::node& node) {
  const toml::table* table = node.as_table();
  const auto value = table ? (*table)["value"].value<double>() : node.value<double>();
  if (!value || !(*value > 0)) refuse(place, "a number over 0 expected, as {value = 2.0, status = \"M\"}");
  // A bare number is the reader's own: an assumption until a status is stated.
  return {*value, status_of(place, table ? (*table)["status"].value_or(std::string("M")) : std::string("M"))};
}

Hazards hazards_of(const std::string& place, const toml::array& list) {
  Hazards hazards;
  for (const toml::node& entry : list) {
    const std::string word = entry.value_or(std::string());
    if (word == "none" || !add_hazard(word, hazards)) refuse(place, "'" + word + "' is no hazard");
  }
  return hazards;
}

std::string basis_of(const std::string& place, const toml::table& row) {
  const std::string status = row["status"].value_or(std::string("M")), source = row["source"].value_or(std::string());
  if (status == "C") return "common practice, no source";
  if (status == "M") return "assumption, from memory";
  if (status != "P" && status != "A")
    refuse(place,
           "status = \"" + status + "\": P (published), A (authority), C (common practice) or M (assumption) expected");
  if (source.empty()) refuse(place, "status " + status + " needs a source");
  return (status == "P" ? "published: " : "authorities: ") + source;
}

std::vector<std::string> small_list(const toml::table& row, std::string_view key) {
  std::vector<std::string> list;
  if (const toml::array* array = row[key].as_array())
    for (const toml::node& node : *array) list.push_back(in_small_letters(node.value_or(std::string())));
  return list;
}

/// `{hazards = [...], status = "C"}`, with genera and words for kinds within a group; a bare list is the reader's own.
KindHazards kind_hazards(const std::string& name, const std::string& place, const toml::node& node, bool of_group) {
  const toml::table* row = node.as_table();
  const toml::array* list = row ? (*row)["hazards"].as_array() : node.as_array();
  if (!list) refuse(place, "a list of hazards expected, as {hazards = [\"fast\"], status = \"M\"}");
  KindHazards kind{name, {}, {}, hazards_of(place, *list), "assumption"};
  if (!row) return kind;
  kind.genera = small_list(*row, "genera");
  kind.words = small_list(*row, "words");
  if (!of_group && kind.genera.empty() && kind.words.empty()) refuse(place, "genera or words expected");
  kind.basis = basis_of(place, *row);
  return kind;
}

std::vector<Event> trusted_signs(const toml::table& section) {
  constexpr Event signs[] = {Event::darkened, Event::sealed_in, Event::molt_mat, Event::sluggish, Event::refused};
  std::vector<Event> result;
  const toml::array* list = section["signs"].as_array();
  if (!list || section.size() != 1) refuse("trusted", "signs = [...] expected");
  for (const toml::node& node : *list) {
    const std::string word = node.value_or(std::string());
    bool known = false;
    for (Event sign : signs)
      if (event_name(sign) == word) {
        result.push_back(sign);
        known = true;
      }
    if (!known) refuse("trusted.signs", "'" + word + "' is no sign of premolt");
  }
  return result;
}

void set_kind(std::vector<KindHazards>& kinds, KindHazards kind) {
  for (KindHazards& known : kinds)
    if (known.name == kind.name) {
      known = std::move(kind);
      return;
    }
  kinds.push_back(std::move(kind));
}

void apply(HousingRules& rules, const toml::table& table) {
  const auto known = places(rules);
  for (const auto& [key, node] : table) {
    const std::string section(key.str());
    const toml::table* content = node.as_table();
    if (!content) refuse(section, "a section expected");
    if (section == "trusted") {
      rules.trusted_signs = trusted_signs(*content);
      continue;
    }
    const auto found = known.find(section);
    const bool of_group = section == "hazards_of_group", hazards = of_group || section == "hazards_of_kind";
    if (found == known.end() && !hazards) refuse("[" + section + "]", "no such section");
    for (const auto& [name, value] : *content) {
      const std::string place = section + "." + std::string(name.str());
      if (hazards) {
        set_kind(of_group ? rules.hazards_of_group : rules.hazards_of_kind,
                 kind_hazards(std::string(name.str()), place, value, of_group));
        continue;
      }
      const auto number = found->second.find(name.str());
      if (number == found->second.end()) refuse(place, "no such number");
      *number->second = number_of(place, value);
    }
  }
}

HousingRules shipped_rules() {
  HousingRules rules;
  apply(rules, toml::parse(embedded_table("housing")));
  assert(rules.safety_complete() && "shared/housing.toml: a number of [limits], [safety] or [growth] is missing");
  return rules;
}

}  // namespace

bool HousingRules::safety_complete() const {
  for (const RuleNumber& n :
       {drop_from_leg_span_mm, oversize_floor, oversize_side_mm, sling_share, sling_mm, juvenile_share, juvenile_mm,
        premolt_chance, likely_premolt, look_chance, own_longest, offer_again_days, arrival_days, sign_leads, sac_days, rest_days, settle_days, later_chance, adult_ratio,
        adult_log_sd, interval_ratio, next_stadium_log_sd})
    if (!(n.value > 0)) return false;
  return !trusted_signs.empty();
}

const CareRules& care_rules() {
  static const HousingRules shipped = housing_rules();
  return shipped;
}

HousingRules housing_rules(std::string_view toml_text) {
  static const HousingRules shipped = shipped_rules();
  HousingRules rules = shipped;
  if (toml_text.empty()) return rules;
  try {
    apply(rules, parse_users_toml(toml_text, {}));
  } catch (const toml::parse_error& error) {
    refuse("line " + std::to_string(error.source().begin.line), std::string(error.description()));
  } catch (const std::length_error& error) {
    throw std::invalid_argument(std::string("housing_rules: ") + error.what());
  }
  return rules;
}

}  // namespace moltspan
