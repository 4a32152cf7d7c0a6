#include "moltspan/facts/cautions.hpp"

#include <toml++/toml.h>

#include <algorithm>
#include <cassert>
#include <stdexcept>

#include "facts/embedded_tables.hpp"

namespace moltspan {
namespace {

std::vector<std::string> parts_of(std::string_view signal) {
  constexpr std::string_view plus = " + ";
  std::vector<std::string> parts;
  for (std::size_t at = 0; at <= signal.size();) {
    const std::size_t end = std::min(signal.find(plus, at), signal.size());
    parts.emplace_back(signal.substr(at, end - at));
    at = end + plus.size();
  }
  return parts;
}

Caution caution_of(std::string_view code, const toml::table& row) {
  Caution caution;
  caution.code = code;
  caution.label = row["label"].value_or(std::string());
  caution.text = row["text"].value_or(std::string());
  caution.source = row["source"].value_or(std::string());
  assert(!caution.text.empty() && "shared/cautions.toml: a caution without a text");
  if (const toml::array* list = row["said"].as_array())
    for (const toml::node& node : *list) caution.said.push_back(parts_of(node.value_or(std::string_view())));
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

bool prompts(const std::vector<std::string>& texts, const std::vector<std::string>& parts) {
  return std::any_of(texts.begin(), texts.end(), [&](const std::string& text) {
    return std::all_of(parts.begin(), parts.end(),
                       [&](const std::string& part) { return text.find(part) != std::string::npos; });
  });
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

std::vector<std::string> prompted_cautions(const std::vector<std::string>& texts) {
  std::vector<std::string> codes;
  for (const Caution& caution : cautions())
    if (std::any_of(caution.said.begin(), caution.said.end(), [&](const auto& parts) { return prompts(texts, parts); }))
      codes.push_back(caution.code);
  return codes;
}

}  // namespace moltspan
