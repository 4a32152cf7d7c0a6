#include "intervals/chain.hpp"

#include <algorithm>
#include <cmath>

#include "moltspan/law/family.hpp"

namespace moltspan {
namespace {

constexpr int most_nodes = 128;  ///< of one range: a chain with a wider one is left as its terms have it
/// Step of the grid over the length of the shortest stadium: that of its standard deviation where sigma is so small.
constexpr double finest_share = 0.03;
constexpr int finest_parts_of_day = 8;

bool is_whole(double days) { return days > 0 && std::abs(days - std::round(days)) < 1e-9; }

/// Whether a record is a stadium between two ranges of days, or one that runs since one.
bool can_join(const StadiaData& data, std::size_t record) {
  const StadiumBounds& b = data.bounds[record];
  if (data.hides_molts(record) || !is_whole(b.start_range_days)) return false;
  if (data.weights.size() > 0 && data.weights[static_cast<Eigen::Index>(record)] != 1) return false;
  if (std::isnan(b.max_days)) return true;
  return is_whole(b.end_range_days) && b.min_days >= 0 &&
         std::abs(b.max_days - b.min_days - b.start_range_days - b.end_range_days) < 1e-9;
}

/// exp(values - their greatest), so that they do not all underflow.
void exponentiate(std::vector<double>& values) {
  const double top = *std::max_element(values.begin(), values.end());
  for (double& value : values) value = std::exp(value - top);
}

}  // namespace

SharedDates::SharedDates(const StadiaData& data) {
  if (data.follows.empty() || data.size() > most_records) return;
  std::vector<int> next(data.size(), -1);
  for (std::size_t i = 0; i < data.size(); ++i) {
    const int before = data.follows[i];
    if (before < 0 || !can_join(data, i) || !can_join(data, static_cast<std::size_t>(before))) continue;
    const StadiumBounds& b = data.bounds[static_cast<std::size_t>(before)];
    if (std::abs(b.end_range_days - data.bounds[i].start_range_days) < 1e-9)
      next[static_cast<std::size_t>(before)] = static_cast<int>(i);
  }
  std::vector<char> joined(data.size(), 0);
  for (int i : next)
    if (i >= 0) joined[static_cast<std::size_t>(i)] = 1;
  for (std::size_t i = 0; i < data.size(); ++i) {
    if (joined[i] || next[i] < 0) continue;
    std::vector<std::size_t> chain{i};
    while (next[chain.back()] >= 0) chain.push_back(static_cast<std::size_t>(next[chain.back()]));
    add_chain(data, chain);
  }
}

void SharedDates::add_chain(const StadiaData& data, const std::vector<std::size_t>& records) {
  double shortest = INFINITY, widest = 0;
  for (std::size_t r : records) {
    const StadiumBounds& b = data.bounds[r];
    widest = std::max(widest, b.start_range_days);
    if (!std::isnan(b.max_days)) shortest = std::min(shortest, std::max(0.5 * (b.min_days + b.max_days), 1.0));
  }
  const int parts = std::clamp(static_cast<int>(std::ceil(1 / (finest_share * shortest))), 1, finest_parts_of_day);
  if (widest * parts > most_nodes || widest * parts < 1.5) return;  // one node each: nothing is shared
  for (std::size_t r : records) {
    const StadiumBounds& b = data.bounds[r];
    Link link{
        r, r == records.front(), std::isnan(b.max_days), static_cast<int>(std::round(b.start_range_days * parts)), 0,
        {}};
    if (!link.runs) link.end_nodes = static_cast<int>(std::round(b.end_range_days * parts));
    const double from_end = b.min_days + b.start_range_days;
    if (link.runs)
      for (int i = 0; i < link.start_nodes; ++i) link.log_days.push_back(std::log(from_end - (i + 0.5) / parts));
    else
      for (int d = 1 - link.start_nodes; d < link.end_nodes; ++d)
        link.log_days.push_back(std::log(from_end + static_cast<double>(d) / parts));
    links_.push_back(std::move(link));
  }
}

template <StadiumLaw Law>
double SharedDates::sum_of_links(const std::function<double(std::size_t)>& eta,
                                 const std::function<double(std::size_t)>& log_sigma) const {
  double sum = 0;
  std::vector<double> start, density, seen, end;  // weights of the start's nodes; f; sums over the end; of its nodes
  for (const Link& link : links_) {
    const auto n = static_cast<std::size_t>(link.start_nodes), m = static_cast<std::size_t>(link.end_nodes);
    const double mean = eta(link.record), per_sigma = std::exp(-log_sigma(link.record));
    density.resize(link.log_days.size());
    for (std::size_t k = 0; k < density.size(); ++k) {
      const double z = (link.log_days[k] - mean) * per_sigma;
      density[k] = link.runs ? Law::log_survival(z) : Law::log_density(z) - link.log_days[k];
    }
    exponentiate(density);
    if (link.opens_chain) start.assign(n, 1.0 / static_cast<double>(n));
    seen.assign(n, 0.0);
    end.assign(m, 0.0);
    for (std::size_t i = 0; i < n; ++i)
      for (std::size_t j = 0; j < m; ++j) {
        const double f = density[j + n - 1 - i];
        seen[i] += f;
        end[j] += start[i] * f;
      }
    if (link.runs) seen = density;
    double apart = 0, chained = 0;
    for (std::size_t i = 0; i < n; ++i) {
      apart += seen[i] / static_cast<double>(n);
      chained += start[i] * seen[i];
    }
    sum += std::log(std::max(chained, 1e-300)) - std::log(std::max(apart, 1e-300));
    for (double& weight : end) weight /= std::max(chained, 1e-300);
    start = end;
  }
  return sum;
}

double SharedDates::log_ratio(Family family, const std::function<double(std::size_t)>& eta,
                              const std::function<double(std::size_t)>& log_sigma) const {
  return with_law(family, [&](auto law) { return sum_of_links<decltype(law)>(eta, log_sigma); });
}

}  // namespace moltspan
