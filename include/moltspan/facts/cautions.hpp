#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace moltspan {

/// What to beware of where somebody stands with the animal in the hand. All texts stand in `shared/cautions.toml`, by
/// code: those of a kind of animal, of a prompt ("look for a skin"), of an animal that escaped, of every animal.
struct Caution {
  std::string code;
  std::string label;  ///< one word beside an animal's name; blank = none
  std::string text;
  std::string source;                          ///< blank = common practice of keepers, no source
  std::vector<std::string> asked_by;           ///< codes of notes and reasons that ask for what it warns of
};

/// All cautions, in the order of the file.
const std::vector<Caution>& cautions();

/// The text of a code. Throws std::invalid_argument where there is none of that code.
const std::string& caution_text(std::string_view code);

/// Codes of the cautions that belong on the same output as notes and reasons of these codes, each once, in the order of
/// the file.
std::vector<std::string> prompted_cautions(const std::vector<std::string>& note_codes);

}  // namespace moltspan
