#include <algorithm>

#include "housing/words.hpp"
#include "moltspan/facts/cautions.hpp"
#include "moltspan/stadia/stadia.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

constexpr Hazards all_hazards{false, true, true, true, true};

/// Whether its genus, or a word of its taxon, names these kinds.
bool names(const KindHazards& row, std::string_view taxon) {
  const std::string_view genus = taxon.substr(0, taxon.find(' '));
  return std::find(row.genera.begin(), row.genera.end(), genus) != row.genera.end() ||
         std::any_of(row.words.begin(), row.words.end(), [&](const auto& word) { return holds_word(taxon, word); });
}

/// The rules' row for its genus, else for its group; none where neither is known.
const KindHazards* row_for(const HousingSituation& s, const HousingRules& rules) {
  const std::string taxon = in_small_letters(s.taxon);
  for (const KindHazards& row : rules.hazards_of_kind)
    if (names(row, taxon)) return &row;
  const std::string& group = kind_of(s.taxon, s.group).group;
  for (const KindHazards& row : rules.hazards_of_group)
    if (!group.empty() && row.name == group) return &row;
  return nullptr;
}

void escape_codes(const Hazards& hazards, Habit habit, std::vector<std::string>& codes) {
  codes.push_back("escaped");
  const bool high = habit == Habit::arboreal || habit == Habit::semi_arboreal || habit == Habit::unknown;
  if (habit != Habit::arboreal) codes.push_back("escaped_low");
  if (high) codes.push_back("escaped_high");
  if (hazards.systemic_venom) codes.push_back("escaped_venom");
  if (hazards.urticating_setae) codes.push_back("escaped_hairs");
}

void kind_codes(const Hazards& hazards, const HousingSituation& s, std::vector<std::string>& codes) {
  if (hazards.systemic_venom) codes.push_back("serious_venom");
  if (hazards.urticating_setae) codes.push_back("urticating_setae");
  if (hazards.irritant_spray) codes.push_back("irritant_spray");
  if (hazards.fast) codes.push_back("fast");
  if (kind_of(s.taxon, s.group).is_tarantula && !hazards.systemic_venom) codes.push_back("bite");
  if (hazards.urticating_setae || hazards.irritant_spray) codes.push_back("in_the_eye");
  codes.push_back("allergy");
}

/// Of its reasons; the verdict's sentence may say more than its reason.
std::vector<std::string> codes_said(const HousingAdvice& a) {
  std::vector<std::string> codes;
  for (const Note& reason : a.reasons) codes.push_back(reason.code);
  if (says(a.reasons, reason_name(a.verdict.reason)))
    codes.insert(codes.end(), a.verdict.why_codes.begin(), a.verdict.why_codes.end());
  return codes;
}

}  // namespace

Hazards hazards_for(const HousingSituation& s, const HousingRules& rules, Note& assumption) {
  Hazards result = s.hazards;
  const KindHazards* row = row_for(s, rules);
  join_hazards(result, row ? row->hazards : all_hazards);
  assumption = row ? housing_words::cautions_as_for(*row) : housing_words::kind_not_known();
  if (kind_of(s.taxon, s.group).is_tarantula && s.world == World::old_world && !result.systemic_venom) {
    result.systemic_venom = true;
    assumption.text += housing_words::old_world_venom();
  }
  return result;
}

void add_cautions(const HousingSituation& s, const HousingRules& rules, HousingAdvice& a) {
  const bool escaped = s.ended == Event::escaped;
  if (s.ended && !escaped) return;
  Note assumption;
  const Hazards hazards = hazards_for(s, rules, assumption);
  std::vector<std::string> codes;
  if (escaped) escape_codes(hazards, s.habit, codes);
  kind_codes(hazards, s, codes);
  for (std::string& code : prompted_cautions(codes_said(a))) codes.push_back(std::move(code));
  for (const std::string& code : codes) a.cautions.push_back({code, caution_text(code)});
  a.assumptions.push_back(std::move(assumption));
}

}  // namespace moltspan
