#pragma once

#include <algorithm>
#include <string>
#include <vector>

#include "moltspan/records/records.hpp"

namespace moltspan {

/// Two animals and a cohort of two for tests; A1 hatched on 2024-01-01.
inline constexpr const char* example_animals =
    "animal,taxon,sex,cohort,hatched\nA1,Lasiodora parahybana,female,,2024-01-01\nB2,Lasiodora parahybana,,,\n"
    "S1,Damon diadema,,sac,\nS2,Damon diadema,,sac,\n";

inline constexpr const char* journal_header = "animal,date,until,event,value,unit,on,note\n";

inline RawCollection example_raw(const std::string& rows, const std::string& animals = example_animals,
                                 const std::string& rules = "") {
  RawCollection raw;
  raw.animals = read_csv(animals, "animals.csv");
  raw.journal = read_csv(journal_header + rows, "journal.csv");
  raw.rules = read_folder_rules(rules, "folder.toml");
  return raw;
}

inline Collection example(const std::string& rows, const std::string& animals = example_animals,
                          const std::string& rules = "") {
  return make_collection(example_raw(rows, animals, rules));
}

inline std::vector<Problem> of_severity(const Collection& collection, Severity severity) {
  std::vector<Problem> result;
  std::copy_if(collection.problems.begin(), collection.problems.end(), std::back_inserter(result),
               [&](const Problem& problem) { return problem.severity == severity; });
  return result;
}

inline std::vector<std::string> set_aside(const Collection& collection) {
  std::vector<std::string> ids;
  for (const Animal& animal : collection.animals)
    if (animal.set_aside) ids.push_back(animal.id);
  return ids;
}

/// All problems in lines, so that a failing test shows them.
inline std::string listing(const Collection& collection) {
  std::string text;
  for (const Problem& p : collection.problems)
    text += (p.severity == Severity::fault ? "fault " : "doubt ") + p.file + ":" + std::to_string(p.row) + " [" +
            p.animal + "] " + p.column + "='" + p.value + "' expected " + p.rule + " -> " + p.next_step + "\n";
  return text;
}

}  // namespace moltspan
