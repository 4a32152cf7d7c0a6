#include "moltspan/facts/cautions.hpp"

#include <toml++/toml.h>

#include <algorithm>
#include <cassert>
#include <stdexcept>

#include "facts/embedded_tables.hpp"

namespace moltspan {
namespace {

Caution caution_of(std::string_view code, const toml::table& row) {
  Caution caution;
  caution.code = code;
  caution.label = row["label"].value_or(std::string());
  caution.text = row["text"].value_or(std::string());
  caution.source = row["source"].value_or(std::string());
  assert(!caution.text.empty() && "shared/cautions.toml: a caution without a text");
  if (const toml::array* list = row["asked_by"].as_array())
    for (const toml::node& node : *list) caution.asked_by.push_back(node.value_or(std::string()));
  return caution;
}

std::vector<Caution> shipped() {
  const toml::table table = toml::parse(embedded_table("cautions"));
  std::vector<std::pair<std::uint32_t, Caution>> found;
  for (const auto& [code, node] : table)
    found.emplace_back(node.source().begin.line, caution_of(code.str(), *node.as_table()));
  std::sort(found.begin(), found.end(), [](const auto& a, const auto& b) { return a.first < b.first; });
  std::vector<Caution> list;
  for (auto& [line, caution] : found) list.push_back(std::move(caution));
  return list;
}

}  // namespace

const std::vector<Caution>& cautions() {
  static const std::vector<Caution> list = shipped();
  return list;
}

const std::string& caution_text(std::string_view code) {
  for (const Caution& caution : cautions())
    if (caution.code == code) return caution.text;
  throw std::invalid_argument("caution_text: '" + std::string(code) + "' is no caution of shared/cautions.toml");
}

std::vector<std::string> prompted_cautions(const std::vector<std::string>& note_codes) {
  const auto said = [&](const std::string& code) { return std::ranges::find(note_codes, code) != note_codes.end(); };
  std::vector<std::string> codes;
  for (const Caution& caution : cautions())
    if (std::ranges::any_of(caution.asked_by, said)) codes.push_back(caution.code);
  return codes;
}

}  // namespace moltspan
