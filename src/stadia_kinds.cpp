#include <toml++/toml.h>

#include <algorithm>
#include <cassert>
#include <map>

#include "embedded_tables.hpp"
#include "moltspan/stadia.hpp"
#include "words.hpp"

namespace moltspan {
namespace {

AfterMaturity rule_of(std::string_view word) {
  if (word == "goes_on") return AfterMaturity::goes_on;
  if (word == "stops") return AfterMaturity::stops;
  assert(word == "unknown" && "shared/kinds.toml: after_maturity");
  return AfterMaturity::unknown;
}

std::vector<std::string> lower_list(const toml::table& table, std::string_view key) {
  std::vector<std::string> list;
  if (const toml::array* array = table[key].as_array()) {
    for (const toml::node& node : *array) list.push_back(in_small_letters(node.value_or(std::string())));
  }
  return list;
}

class KindTable {
 public:
  explicit KindTable(std::string_view text) {
    const toml::table parsed = toml::parse(text);
    const toml::array* list = parsed["kind"].as_array();
    kinds_.reserve(list ? list->size() : 0);
    for (const toml::node& node : *list) add(*node.as_table());
    const auto longest_first = [](const auto& a, const auto& b) { return a.first.size() > b.first.size(); };
    std::stable_sort(words_.begin(), words_.end(), longest_first);
  }

  const Kind& find(std::string_view taxon) const {
    const std::string text = in_small_letters(taxon);
    const std::string genus = text.substr(0, text.find(' '));
    if (const auto found = genera_.find(genus); found != genera_.end()) return kinds_[found->second];
    for (const auto& [ending, kind] : endings_) {
      if (genus.size() > ending.size() && genus.ends_with(ending)) return kinds_[kind];
    }
    for (const auto& [word, kind] : words_) {
      if (holds_word(text, word)) return kinds_[kind];
    }
    return unknown_;
  }

 private:
  void add(const toml::table& row) {
    const std::size_t index = kinds_.size();
    Kind kind;
    kind.group = row["group"].value_or(std::string());
    kind.is_tarantula = row["is_tarantula"].value_or(false);
    kind.female = rule_of(row["after_maturity"]["female"].value_or(std::string()));
    kind.male = rule_of(row["after_maturity"]["male"].value_or(std::string()));
    kinds_.push_back(std::move(kind));
    for (auto& genus : lower_list(row, "genera")) genera_.emplace(std::move(genus), index);
    for (auto& ending : lower_list(row, "endings")) endings_.emplace_back(std::move(ending), index);
    for (auto& word : lower_list(row, "words")) words_.emplace_back(std::move(word), index);
  }

  std::vector<Kind> kinds_;
  std::map<std::string, std::size_t, std::less<>> genera_;
  std::vector<std::pair<std::string, std::size_t>> endings_, words_;
  const Kind unknown_;
};

}  // namespace

const Kind& kind_of(std::string_view genus) {
  static const KindTable table(embedded_table("kinds"));
  return table.find(genus);
}

}  // namespace moltspan
