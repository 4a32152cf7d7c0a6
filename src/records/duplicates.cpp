#include <algorithm>
#include <functional>
#include <map>
#include <unordered_map>

#include "records/build.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

std::size_t hash_row(const TextTable& table, std::size_t row) {
  std::size_t hash = 0;
  for (const auto& cells : table.cells) hash = hash * 1000003 ^ std::hash<std::string_view>()(trim(cells[row]));
  return hash;
}

bool same_row(const TextTable& table, std::size_t a, std::size_t b) {
  return std::all_of(table.cells.begin(), table.cells.end(),
                     [&](const auto& cells) { return trim(cells[a]) == trim(cells[b]); });
}

bool is_blank_row(const TextTable& table, std::size_t row) {
  return std::all_of(table.cells.begin(), table.cells.end(),
                     [&](const auto& cells) { return trim(cells[row]).empty(); });
}

/// The cells that name the animal of each journal row; null where no column does.
const std::vector<std::string>* animal_cells(const Collection& collection) {
  const TextTable& table = collection.raw.journal;
  const ColumnWords words(collection.raw.rules);
  for (std::size_t i = 0; i < table.columns.size(); ++i)
    if (words.ours(table.columns[i]) == "animal") return &table.cells[i];
  return nullptr;
}

void check_duplicates(Collection& collection) {
  const TextTable& table = collection.raw.journal;
  const auto* names = animal_cells(collection);
  std::vector<std::pair<std::size_t, std::size_t>> rows;  // hash, row
  rows.reserve(table.size());
  for (std::size_t row = 0; row < table.size(); ++row)
    if (!is_blank_row(table, row)) rows.emplace_back(hash_row(table, row), row);
  std::sort(rows.begin(), rows.end());
  for (std::size_t i = 1; i < rows.size(); ++i) {
    const std::size_t first = rows[i - 1].second, second = rows[i].second;
    if (rows[i].first != rows[i - 1].first || !same_row(table, first, second)) continue;
    collection.problems.push_back(
        {Severity::doubt, table.source, table.rows[second], names ? std::string(trim((*names)[second])) : "", "", "",
         "every row written once",
         "row " + std::to_string(table.rows[first]) + " says the same: remove one of the two"});
  }
}

std::string lower_case(std::string text) {
  for (char& c : text)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c | 0x20);
  return text;
}

bool is_letter(char c) { return (c >= 'a' && c <= 'z') || (c & 0x80) != 0; }

/// Whether two names differ only in case, or by one letter more, less or changed. `sp. 1` and `sp. 2` do not.
bool differ_by_letter(const std::string& a, const std::string& b) {
  if (a == b) return true;
  if (std::max(a.size(), b.size()) > longest_name) return false;
  const auto shorter = std::min(a.size(), b.size());
  if (std::max(a.size(), b.size()) - shorter > 1 || shorter < 5) return false;
  std::size_t i = 0;
  while (i < shorter && a[i] == b[i]) ++i;
  const std::size_t skip_a = a.size() >= b.size() ? i + 1 : i, skip_b = b.size() >= a.size() ? i + 1 : i;
  if (a.substr(std::min(skip_a, a.size())) != b.substr(std::min(skip_b, b.size()))) return false;
  return is_letter(i < a.size() ? a[i] : 'a') && is_letter(i < b.size() ? b[i] : 'a');
}

struct TaxonUse {
  std::string name;
  std::string folded;
  int animals = 0;
  std::int64_t row = 0;
  std::string animal;
};

std::vector<TaxonUse> taxa_in_use(const Collection& collection) {
  std::map<std::string, TaxonUse> uses;
  for (const Animal& animal : collection.animals) {
    if (animal.taxon.empty()) continue;
    TaxonUse& use = uses[animal.taxon];
    if (use.animals++ > 0) continue;
    use = {animal.taxon, lower_case(animal.taxon), 1, collection.raw.animals.rows[static_cast<std::size_t>(animal.row)],
           animal.id};
  }
  std::vector<TaxonUse> result;
  for (auto& [name, use] : uses) result.push_back(std::move(use));
  return result;
}

/// `B. hamorii` beside `Brachypelma hamorii`.
bool abbreviates(const std::string& a, const std::string& b) {
  const std::size_t blank = b.find(' ');
  return a.size() > 3 && a[1] == '.' && blank != std::string::npos && b[1] != '.' && a[0] == b[0] &&
         a.substr(a.find_first_not_of(' ', 2)) == b.substr(blank + 1);
}

std::string difference(const TaxonUse& a, const TaxonUse& b) {
  if (abbreviates(a.folded, b.folded) || abbreviates(b.folded, a.folded)) return "differs in how the genus is written";
  return a.folded == b.folded ? "differs in capitals" : "differs by a letter";
}

void doubt_spelling(Collection& collection, const TaxonUse& a, const TaxonUse& b) {
  const TaxonUse& rare = a.animals < b.animals ? a : b;
  const TaxonUse& common = &rare == &a ? b : a;
  collection.problems.push_back({Severity::doubt, collection.raw.animals.source, rare.row, rare.animal, "taxon",
                                 rare.name,
                                 "one spelling a taxon; '" + common.name + "' (" + std::to_string(common.animals) +
                                     (common.animals == 1 ? " animal) " : " animals) ") + difference(a, b),
                                 "correct one of the two if they are the same; they count as two taxa now"});
}

void check_abbreviations(Collection& collection, const std::vector<TaxonUse>& taxa) {
  std::unordered_map<std::string, std::vector<const TaxonUse*>> by_species;
  for (const TaxonUse& full : taxa)
    if (const std::size_t blank = full.folded.find(' '); blank != std::string::npos)
      by_species[full.folded.substr(blank + 1)].push_back(&full);
  for (const TaxonUse& brief : taxa) {
    if (brief.folded.size() < 4 || brief.folded[1] != '.') continue;
    const std::size_t begin = std::min(brief.folded.find_first_not_of(' ', 2), brief.folded.size());
    const auto found = by_species.find(brief.folded.substr(begin));
    if (found == by_species.end()) continue;
    for (const TaxonUse* full : found->second)
      if (abbreviates(brief.folded, full->folded)) doubt_spelling(collection, brief, *full);
  }
}

/// Names that differ by a letter share a form with one letter left out, so only those need comparing.
void check_spellings(Collection& collection) {
  const std::vector<TaxonUse> taxa = taxa_in_use(collection);
  std::map<std::string, std::vector<std::size_t>> by_form;
  for (std::size_t i = 0; i < taxa.size(); ++i) {
    by_form[taxa[i].folded].push_back(i);
    if (taxa[i].folded.size() > longest_name) continue;  // its forms would take the square of its length
    for (std::size_t left_out = 0; left_out < taxa[i].folded.size(); ++left_out) {
      std::string form = taxa[i].folded;
      by_form[form.erase(left_out, 1)].push_back(i);
    }
  }
  std::vector<std::pair<std::size_t, std::size_t>> pairs;
  for (const auto& [form, members] : by_form)
    for (std::size_t i = 0; i < members.size(); ++i)
      for (std::size_t j = i + 1; j < members.size(); ++j)
        if (members[i] != members[j]) pairs.push_back(std::minmax(members[i], members[j]));
  std::sort(pairs.begin(), pairs.end());
  pairs.erase(std::unique(pairs.begin(), pairs.end()), pairs.end());
  for (const auto& [a, b] : pairs)
    if (differ_by_letter(taxa[a].folded, taxa[b].folded)) doubt_spelling(collection, taxa[a], taxa[b]);
  check_abbreviations(collection, taxa);
}

/// A journal row may name either; which one is meant then has to be said.
void check_cohort_names(Collection& collection) {
  const AnimalIndex index(collection.animals);
  for (const Animal& animal : collection.animals) {
    if (index.cohort(animal.id) == nullptr) continue;
    collection.problems.push_back({Severity::doubt, collection.raw.animals.source,
                                   collection.raw.animals.rows[static_cast<std::size_t>(animal.row)], animal.id,
                                   "animal", animal.id, "an id that is not the name of a cohort too",
                                   "rename one of them; in the journal it is taken for the animal alone"});
  }
}

}  // namespace

void check_tables(Collection& collection) {
  check_cohort_names(collection);
  check_duplicates(collection);
  check_spellings(collection);
}

}  // namespace moltspan
