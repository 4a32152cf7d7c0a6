#include "moltspan/records/temperatures.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <set>
#include <span>

#include "records/table.hpp"
#include "records/words.hpp"

namespace moltspan {
namespace {

constexpr int week_days = 7;
constexpr std::size_t most_stretches = 1'000'000;  ///< of all animals; more of them are made longer

/// A stretch of a series with its mean, weighted by the days it covers.
struct Stretch {
  DayRange when;
  double mean_c = 0;
};

/// The degrees of each day that a series covers: straight lines over gaps of at most `longest_gap_days`.
std::map<Day, double> filled(const TemperatureSeries& series) {
  std::map<Day, double> days;
  for (std::size_t i = 0; i < series.days.size(); ++i) {
    const TemperatureDay& here = series.days[i];
    days.emplace_hint(days.end(), here.day, here.degrees_c);
    if (i + 1 == series.days.size()) break;
    const TemperatureDay& next = series.days[i + 1];
    const int gap = next.day - here.day;
    for (int k = 1; k < gap && gap <= longest_gap_days; ++k)
      days.emplace_hint(days.end(), here.day + k, here.degrees_c + (next.degrees_c - here.degrees_c) * k / gap);
  }
  return days;
}

/// The days of a place, and those of everywhere where it has none.
std::map<Day, double> laid_over(std::map<Day, double> own, const std::map<Day, double>& everywhere) {
  own.insert(everywhere.begin(), everywhere.end());
  return own;
}

/// Means over stretches of days that follow one another, at most `longest` of them; none reaches over `last` (the last
/// day of the records).
std::vector<Stretch> stretches_of(const std::map<Day, double>& days, Day last, int longest) {
  std::vector<Stretch> result;
  const auto bin = [&](Day day) { return static_cast<int>(std::floor(static_cast<double>(day - last - 1) / longest)); };
  for (const auto& [day, degrees_c] : days) {
    if (!result.empty() && result.back().when.latest == day - 1 && bin(day) == bin(day - 1)) {
      Stretch& open = result.back();
      open.when.latest = day;
      open.mean_c += (degrees_c - open.mean_c) / open.when.width_days();
    } else {
      result.push_back({{day, day}, degrees_c});
    }
  }
  return result;
}

/// Where the animals stand: the folded name of each one's place, blank where none is stated.
class Places {
 public:
  explicit Places(const Collection& collection);
  const std::string& of(std::size_t animal) const { return names_[animal]; }
  std::vector<Problem> problems;  ///< of the column

 private:
  std::vector<std::string> names_;
};

Places::Places(const Collection& collection) : names_(collection.animals.size()) {
  std::vector<Problem> told_before;
  const TextTable& animals = collection.raw.animals;
  const TableView table(animals, collection.raw.rules, {"place"}, {}, told_before);
  for (Problem& problem : told_before)
    if (std::find(animals.problems.begin(), animals.problems.end(), problem) == animals.problems.end())
      problems.push_back(std::move(problem));
  const int column = table.column("place");
  if (column < 0 || !table.usable()) return;
  for (std::size_t i = 0; i < names_.size(); ++i)
    names_[i] = fold(table.cell(column, static_cast<std::size_t>(collection.animals[i].row)));
}

/// First and last day of the first record of each animal in the journal; nothing where it has none.
std::vector<std::optional<DayRange>> first_records(const Collection& collection) {
  std::vector<std::optional<DayRange>> result(collection.animals.size());
  for (const Entry& entry : collection.entries) {
    auto& first = result[static_cast<std::size_t>(entry.animal)];
    if (!first) first = entry.when;
    first->latest = std::min(first->latest, entry.when.latest);
  }
  return result;
}

Entry entry_of(int animal, const Stretch& stretch, Day last) {
  Entry entry;
  entry.animal = animal;
  entry.when = stretch.when;
  entry.event = Event::temperature;
  entry.value = stretch.mean_c;
  entry.row = stretch.when.latest > last ? stated_row : series_row;
  return entry;
}

/// Gives each animal the stretches of its place that are over no sooner than its first record: what is known of it on
/// a day does not begin earlier for them.
class SeriesGiver {
 public:
  SeriesGiver(Collection& collection, const std::vector<TemperatureSeries>& series, const std::string& file)
      : collection_(collection), series_(series), file_(file), places_(collection) {}
  void give();

 private:
  void doubt_names();
  const std::vector<Stretch>* of(const std::string& place) const;
  void cut(Day last);
  void doubt(const std::string& column, const std::string& value, std::string rule, std::string next_step, const std::string& file);

  Collection& collection_;
  const std::vector<TemperatureSeries>& series_;
  const std::string& file_;
  Places places_;
  std::map<std::string, std::vector<Stretch>> stretches_;
};

void SeriesGiver::doubt(const std::string& column, const std::string& value, std::string rule, std::string next_step,
                        const std::string& file) {
  collection_.problems.push_back({Severity::doubt, file, 0, "", column, value, std::move(rule), std::move(next_step)});
}

void SeriesGiver::doubt_names() {
  std::set<std::string> of_animals, of_series;
  for (const TemperatureSeries& series : series_) of_series.insert(fold(series.place));
  for (std::size_t i = 0; i < collection_.animals.size(); ++i) {
    const std::string& place = places_.of(i);
    if (!of_animals.insert(place).second || place.empty() || of_series.contains(place)) continue;
    doubt("place", place, "a place with rows in " + file_ + "; " +
              (of_series.contains("") ? "those of everywhere count for its animals" : "its animals have no temperatures from there"),
          "write the place in both files alike, or leave it blank", collection_.raw.animals.source);
  }
  for (const TemperatureSeries& series : series_)
    if (!series.place.empty() && !of_animals.contains(fold(series.place)))
      doubt("place", series.place, "a place where an animal stands; these rows are not used",
            "write this place into column place of " + collection_.raw.animals.source + " for the animals that stand there", file_);
}

void SeriesGiver::cut(Day last) {
  std::map<std::string, std::map<Day, double>> days;
  std::size_t most = 0;
  for (const TemperatureSeries& series : series_) days[fold(series.place)] = filled(series);
  const std::map<Day, double> everywhere = days[""];
  for (auto& [place, own] : days) {
    own = laid_over(std::move(own), everywhere);
    most = std::max(most, own.size());
  }
  int longest = week_days;
  while (most / static_cast<std::size_t>(longest) * collection_.animals.size() > most_stretches) longest *= 2;
  for (const auto& [place, own] : days) stretches_[place] = stretches_of(own, last, longest);
}

const std::vector<Stretch>* SeriesGiver::of(const std::string& place) const {
  const auto found = stretches_.find(place);
  return &(found == stretches_.end() ? stretches_.at("") : found->second);
}

void SeriesGiver::give() {
  collection_.problems.insert(collection_.problems.end(), places_.problems.begin(), places_.problems.end());
  doubt_names();
  const auto last = collection_.last_recorded_day();
  if (!last || series_.empty()) return;
  cut(*last);
  const auto firsts = first_records(collection_);
  for (std::size_t i = 0; i < firsts.size(); ++i) {
    if (!firsts[i]) continue;
    for (Stretch stretch : *of(places_.of(i))) {
      if (stretch.when.latest < firsts[i]->latest) continue;
      stretch.when.earliest = std::max(stretch.when.earliest, std::min(firsts[i]->earliest, stretch.when.latest));
      collection_.entries.push_back(entry_of(static_cast<int>(i), stretch, *last));
    }
  }
  std::stable_sort(collection_.entries.begin(), collection_.entries.end(), [](const Entry& a, const Entry& b) {
    return a.animal != b.animal ? a.animal < b.animal : a.when.earliest < b.when.earliest;
  });
}

}  // namespace

Collection make_collection(RawCollection raw, const TextTable& temperatures, std::optional<Day> today) {
  Collection collection = make_collection(std::move(raw), today);
  const auto series = read_temperature_series(temperatures, collection.raw.rules, collection.problems);
  SeriesGiver(collection, series, temperatures.source).give();
  return collection;
}

}  // namespace moltspan
