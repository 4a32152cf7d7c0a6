#include "stadia/temperatures.hpp"

#include <algorithm>
#include <cmath>

#include "moltspan/records/temperatures.hpp"

namespace moltspan::stadia_detail {
namespace {

/// Days that are spoken for already.
class Covered {
 public:
  explicit Covered(const std::vector<TemperatureSpan>& first, const std::vector<TemperatureSpan>& second) {
    from_ = first.empty() ? second.front().from : first.front().from;
    Day until = from_;
    for (const auto* spans : {&first, &second})
      for (const TemperatureSpan& s : *spans) {
        from_ = std::min(from_, s.from);
        until = std::max(until, s.until);
      }
    days_.assign(static_cast<std::size_t>(until - from_), false);
  }

  /// Adds what of a span is left to it, in stretches of days on end.
  void lay(const TemperatureSpan& span, std::vector<TemperatureSpan>& result) {
    bool open = false;
    for (Day day = span.from; day < span.until; ++day) {
      auto taken = days_[static_cast<std::size_t>(day - from_)];
      if (taken) {
        open = false;
        continue;
      }
      if (!open) result.push_back({day, day, span.mean_c});
      result.back().until = day + 1;
      open = taken = true;
    }
  }

 private:
  Day from_ = 0;
  std::vector<bool> days_;
};

}  // namespace

std::vector<OwnSpan> temperature_spans(const std::vector<const Entry*>& entries, Day watched_from) {
  std::vector<OwnSpan> spans;
  Day last = watched_from;
  for (const Entry* e : entries) {
    if (e->event != Event::temperature || std::isnan(e->value)) continue;
    const bool own_range = e->when.width_days() > 1;
    const Day until = e->when.latest + 1, from = own_range ? e->when.earliest : std::min(last, until - 1);
    spans.push_back({{from, until, e->value}, own_range ? from : std::max(from, until - longest_gap_days)});
    last = until;
  }
  return spans;
}

std::vector<TemperatureSpan> series_spans(const std::vector<const Entry*>& entries, Day as_of) {
  std::vector<TemperatureSpan> spans;
  for (const Entry* e : entries)
    if (e->when.latest <= as_of) spans.push_back({e->when.earliest, e->when.latest + 1, e->value});
  return spans;
}

std::vector<TemperatureSpan> with_series(const std::vector<OwnSpan>& own, const std::vector<TemperatureSpan>& series) {
  std::vector<TemperatureSpan> spans, result;
  for (const OwnSpan& s : own) spans.push_back(s.span);
  if (series.empty()) return spans;
  if (own.empty()) return series;
  Covered covered(spans, series);
  for (auto s = own.rbegin(); s != own.rend(); ++s) covered.lay({s->sure_from, s->span.until, s->span.mean_c}, result);
  for (const TemperatureSpan& s : series) covered.lay(s, result);
  for (const OwnSpan& s : own) covered.lay({s.span.from, s.sure_from, s.span.mean_c}, result);
  std::stable_sort(result.begin(), result.end(), [](const auto& a, const auto& b) { return a.from < b.from; });
  return result;
}

}  // namespace moltspan::stadia_detail
