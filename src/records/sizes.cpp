#include <algorithm>
#include <array>
#include <cmath>

#include "records/checks.hpp"
#include "records/table.hpp"

namespace moltspan {
namespace {

constexpr std::array<Event, 5> measures = {Event::leg_span, Event::body_length, Event::carapace_length,
                                           Event::carapace_width, Event::mass};

/// A reading in the instar that it belongs to, counted by the molts before it.
struct Placed {
  int instar = 0;
  const Entry* entry = nullptr;
  bool skin() const { return entry->on == MeasuredOn::skin; }
  /// On a linear scale, so that ratios of masses compare with ratios of lengths.
  double linear() const { return entry->event == Event::mass ? std::cbrt(entry->value) : entry->value; }
};

/// Tells the instar of a day from molts in the order of their first days.
class Instars {
 public:
  explicit Instars(const std::vector<CheckedMolt>& molts) {
    for (const CheckedMolt& molt : molts) {
      first_.push_back(molt.when.earliest);
      last_.push_back(last_.empty() ? molt.when.latest : std::max(last_.back(), molt.when.latest));
    }
  }
  /// Molts up to that day, the day included; nothing where one of them may be before or after it.
  std::optional<int> on(Day day) const {
    const auto count = std::upper_bound(first_.begin(), first_.end(), day) - first_.begin();
    if (count > 0 && last_[static_cast<std::size_t>(count) - 1] > day) return {};
    return static_cast<int>(count);
  }

 private:
  std::vector<Day> first_, last_;
};

std::vector<Placed> readings(const Life& life, const Instars& instars, Event measure) {
  std::vector<Placed> result;
  for (const Entry& entry : life.entries) {
    if (entry.event != measure) continue;
    const auto first = instars.on(entry.when.earliest), last = instars.on(entry.when.latest);
    if (!first || first != last) continue;
    const int instar = *first - (entry.on == MeasuredOn::skin ? 1 : 0);
    if (instar >= 0) result.push_back({instar, &entry});
  }
  std::stable_sort(result.begin(), result.end(), [](const Placed& a, const Placed& b) { return a.instar < b.instar; });
  return result;
}

/// Mass and body length fall with every day without a meal: only hard parts say that a reading is wrong.
bool is_hard(Event measure) { return measure != Event::mass && measure != Event::body_length; }

void check_shrinking(Life& life, const std::vector<Placed>& placed) {
  std::array<const Placed*, 2> before = {nullptr, nullptr};  // on the animal, on the skin
  for (const Placed& reading : placed) {
    const Placed*& last = before[reading.skin() ? 1 : 0];
    if (last != nullptr && last->instar == reading.instar && reading.entry->value < last->entry->value)
      life.doubt(*reading.entry, "value", reading.entry->text,
                 "no smaller reading within an instar; " + days_text(last->entry->when) + " has " +
                     number_text(last->entry->value) + " mm, this one " + number_text(reading.entry->value) + " mm",
                 "measure again, or look for a slip in one of the two; both are used");
    last = &reading;
  }
}

void check_growth(Life& life, const std::vector<Placed>& placed) {
  for (std::size_t i = 1; i < placed.size(); ++i) {
    const int molts = std::max(1, placed[i].instar - placed[i - 1].instar);
    const double ratio = std::pow(placed[i].linear() / placed[i - 1].linear(), 1. / molts);
    if (!(ratio > largest_growth_ratio)) continue;
    life.doubt(*placed[i].entry, "value", placed[i].entry->text,
               "growth of at most " + number_text(largest_growth_ratio) + " times a molt; since " +
                   days_text(placed[i - 1].entry->when) + " it is " + number_text(std::round(100 * ratio) / 100),
               "look for a wrong unit, or a molt that was not written down");
  }
}

/// A hard part that is much smaller after a molt than before it: a regrown leg or a torn skin takes less off.
void check_loss(Life& life, const std::vector<Placed>& placed) {
  for (std::size_t i = 1; i < placed.size(); ++i) {
    const Placed &before = placed[i - 1], &reading = placed[i];
    if (reading.instar == before.instar || reading.entry->value >= least_growth_ratio * before.entry->value) continue;
    life.doubt(*reading.entry, "value", reading.entry->text,
               "a size after a molt that is no less than " + number_text(least_growth_ratio) +
                   " times the one before (assumption); " + days_text(before.entry->when) + " has " +
                   number_text(before.entry->value) + " mm, this one " + number_text(reading.entry->value) + " mm",
               "look for a wrong unit or animal, or a slip in one of the two; both are used");
  }
}

void check_proportion(Life& life, const std::vector<Placed>& spans, const std::vector<Placed>& carapaces) {
  std::size_t i = 0;
  for (const Placed& span : spans) {
    while (i < carapaces.size() && carapaces[i].instar < span.instar) ++i;
    if (i == carapaces.size() || carapaces[i].instar != span.instar) continue;
    const double ratio = span.entry->value / carapaces[i].entry->value;
    if (ratio >= least_leg_span_over_carapace && ratio <= most_leg_span_over_carapace) continue;
    life.doubt(*span.entry, "value", span.entry->text,
               "a leg span of " + number_text(least_leg_span_over_carapace) + " to " +
                   number_text(most_leg_span_over_carapace) + " carapace lengths (assumption); with row " +
                   std::to_string(carapaces[i].entry->row) + " it is " + number_text(std::round(10 * ratio) / 10),
               "look for a wrong unit in one of the two; both are used");
  }
}

/// A carapace measured when the skin lies there may be the old or the new one.
void check_carapace_at_molt(Life& life) {
  std::vector<DayRange> molts;
  for (const Entry& entry : life.entries)
    if (is_molt(entry.event)) molts.push_back(entry.when);
  for (const Entry& entry : life.entries) {
    const bool carapace = entry.event == Event::carapace_length || entry.event == Event::carapace_width;
    if (!carapace || entry.on != MeasuredOn::unsaid) continue;
    // Molts stand by first day; only the last one that began by then can be looked up fast, and it suffices.
    const auto behind = std::upper_bound(molts.begin(), molts.end(), entry.when.latest,
                                         [](Day day, const DayRange& molt) { return day < molt.earliest; });
    if (behind == molts.begin() || std::prev(behind)->latest < entry.when.earliest) continue;
    life.doubt(entry, "on", "", "animal or skin for a carapace measured on the day of a molt",
               "write animal (the new instar, as it is taken now) or skin (the one that ended)");
  }
}

}  // namespace

void check_sizes(Life& life) {
  const Instars instars(life.molts);
  std::array<std::vector<Placed>, measures.size()> placed;
  for (std::size_t i = 0; i < measures.size(); ++i) {
    placed[i] = readings(life, instars, measures[i]);
    if (is_hard(measures[i])) check_shrinking(life, placed[i]);
    if (is_hard(measures[i])) check_loss(life, placed[i]);
    check_growth(life, placed[i]);
  }
  check_proportion(life, placed[0], placed[2]);
  check_carapace_at_molt(life);
}

}  // namespace moltspan
