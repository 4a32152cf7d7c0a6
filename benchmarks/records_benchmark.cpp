// Seconds and peak memory of reading and checking journals of 1e3 to 1e6 rows: records_benchmark [ROWS...]

#include <sys/resource.h>

#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <vector>

#include "moltspan/records/records.hpp"

namespace {

using namespace moltspan;

constexpr int animals = 10'000;

std::string animal_text() {
  std::string text = "animal,taxon,sex,cohort,hatched\n";
  for (int i = 0; i < animals; ++i)
    text += "A" + std::to_string(i) + ",Lasiodora parahybana,unknown,c" + std::to_string(i / 10) + ",2015-01-01\n";
  return text;
}

/// Meals, refusals with a note, molts, sizes, boxes; the animals take turns, a day after 333 rows.
std::string journal_text(int rows) {
  static constexpr const char* events[] = {",,ate,,,,\n",
                                           ",,ate,,,,\n",
                                           ",,refused,,,,a longer note about this animal\n",
                                           ",,molt,,,,\n",
                                           ",,leg_span,\"5,5\",cm,,\n",
                                           ",,ate,2 crickets,,,\n",
                                           ",,enclosure,20x20x30/5,cm,,\n"};
  const Day first = *day_from_civil(2016, 1, 1);
  std::string text = "animal,date,until,event,value,unit,on,note\n";
  for (int i = 0; i < rows; ++i)
    text += "A" + std::to_string(i * 7919LL % animals) + "," + to_iso(first + i / 333) + events[i % 7];
  return text;
}

double peak_mib() {
  rusage usage;
  getrusage(RUSAGE_SELF, &usage);
  return static_cast<double>(usage.ru_maxrss) / 1024;
}

void measure(int rows) {
  const std::string animal = animal_text(), journal = journal_text(rows);
  const auto begin = std::chrono::steady_clock::now();
  RawCollection raw;
  raw.animals = read_csv(animal, "animals.csv");
  raw.journal = read_csv(journal, "journal.csv");
  const auto read = std::chrono::steady_clock::now();
  const Collection collection = make_collection(std::move(raw));
  const auto end = std::chrono::steady_clock::now();
  std::printf("%8d rows: read %.3f s, check %.3f s, %zu entries, %zu problems, peak %.0f MiB\n", rows,
              std::chrono::duration<double>(read - begin).count(), std::chrono::duration<double>(end - read).count(),
              collection.entries.size(), collection.problems.size(), peak_mib());
}

}  // namespace

int main(int count, char** words) {
  std::vector<int> sizes;
  for (int i = 1; i < count; ++i) sizes.push_back(std::atoi(words[i]));
  if (sizes.empty()) sizes = {1'000, 10'000, 100'000, 1'000'000};
  for (const int rows : sizes) measure(rows);
}
