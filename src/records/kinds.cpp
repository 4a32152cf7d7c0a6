#include <toml++/toml.h>

#include <algorithm>
#include <cassert>
#include <map>
#include <optional>

#include "facts/embedded_tables.hpp"
#include "moltspan/records/records.hpp"
#include "records/words.hpp"
#include "base/words.hpp"

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

  const Kind& find(std::string_view taxon, std::string_view stated_group) const {
    for (const Kind& kind : kinds_)
      if (!stated_group.empty() && kind.group == stated_group) return kind;
    const std::string text = in_small_letters(taxon);
    const std::string genus = text.substr(0, text.find(' '));
    if (const auto found = genera_.find(genus); found != genera_.end()) return kinds_[found->second];
    for (const auto& [word, kind] : words_) {
      if (holds_word(text, word)) return kinds_[kind];
    }
    return unknown_;
  }

  const std::vector<Kind>& kinds() const { return kinds_; }

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
    for (auto& word : lower_list(row, "words")) words_.emplace_back(std::move(word), index);
  }

  std::vector<Kind> kinds_;
  std::map<std::string, std::size_t, std::less<>> genera_;
  std::vector<std::pair<std::string, std::size_t>> words_;
  const Kind unknown_;
};

const KindTable& kind_table() {
  static const KindTable table(embedded_table("kinds"));
  return table;
}

// `tarantula` and `mantis` as well as `tarantulas` and `mantises`.
bool names_group(std::string_view folded, std::string_view group) {
  const std::string whole = fold(group);
  const std::string_view name = whole;
  return folded == name || (name.ends_with("s") && folded == name.substr(0, name.size() - 1)) ||
         (name.ends_with("es") && folded == name.substr(0, name.size() - 2));
}

}  // namespace

std::optional<std::string> find_group(std::string_view word) {
  const std::string folded = fold(word);
  for (const Kind& kind : kind_table().kinds())
    if (names_group(folded, kind.group)) return kind.group;
  return {};
}

std::string group_words() {
  std::string words;
  const auto& kinds = kind_table().kinds();
  for (std::size_t i = 0; i < kinds.size(); ++i)
    words += (i == 0 ? "" : i + 1 == kinds.size() ? " or " : ", ") + kinds[i].group;
  return words;
}

const Kind& kind_of(std::string_view taxon, std::string_view stated_group) {
  return kind_table().find(taxon, stated_group);
}

const Kind& kind_of(const Animal& animal) {
  return kind_of(animal.taxon.empty() ? animal.genus : animal.taxon, animal.group);
}

}  // namespace moltspan
