#include "growth/adult_records.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "growth/adult_forms.hpp"
#include "growth/latent_share.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

constexpr double matured_sd = 0.12;       ///< of a size read at maturity about the adult size
// More animals are about as large as they get than of any other size: with three in ten grown and the rest even by log
// size over a factor of 25, 5 times as many (assumption); those of one keeper came at like ages, so that each counts less.
constexpr double grown_odds = 5, grown_heeded = 0.3;
constexpr double spreads_log_sd = 0.5;    ///< of spreads over the usual ones (assumption)
constexpr double any_ratio_sd = 0.08;     ///< of the log ratio of any animal about that of all
constexpr double presence_sd = 0.08;      ///< an animal is about as large as its adult size at most

/// The size with which a mature animal's readings begin.
void note_maturity(AdultRecord& r, int matured_instar) {
  for (auto k = static_cast<std::size_t>(std::max(matured_instar, 0)); matured_instar >= 0 && k < r.read.size(); ++k)
    if (r.variance[k] > 0) {
      r.matured = r.read[k];
      return;
    }
}

/// A walk whose steps add `share(k)` of the log ratio: a filter whose mean is linear in that.
template <typename Share>
Parabola walk_likelihood(const AdultRecord& r, const AdultAnimal& a, double process_sd, const Share& share) {
  const std::size_t until = a.matured_instar >= 0 ? static_cast<std::size_t>(a.matured_instar) : r.read.size();
  double mean = 0, slope = 0, variance = 0, plain = 0, cross = 0, square = 0, logs = 0;
  bool begun = false;
  for (std::size_t k = 0; k < std::min(until, r.read.size()); ++k) {
    if (begun) {
      const double added = share(k - 1);
      slope += r.molts[k - 1] * added;
      variance += r.molts[k - 1] * process_sd * process_sd * spread_share(added);
    }
    if (!(r.variance[k] > 0)) continue;
    if (begun) {
      const double total = variance + r.variance[k], off = r.read[k] - mean, gain = variance / total;
      plain += off * off / total;
      cross -= off * slope / total;
      square += slope * slope / total;
      logs += std::log(total);
      mean += gain * off;
      slope -= gain * slope;
      variance *= 1 - gain;
    } else {
      begun = true;
      mean = r.read[k];
      variance = r.variance[k];
    }
  }
  if (!(square > 1e-12)) return {-0.5 * (logs + plain), 0, 0};
  return {-0.5 * (logs + plain - cross * cross / square), -cross / square, square};
}

/// The same with the log ratio known but for a normal deviation.
Parabola widened(const Parabola& p, double ratio_sd) {
  const double wider = 1 + ratio_sd * ratio_sd * p.curvature;
  return {p.least - 0.5 * std::log(wider), p.at, p.curvature / wider};
}

}  // namespace

std::vector<AdultRecord> adult_records(const GrowthData& data, const std::vector<AdultAnimal>& animals,
                                       const AdultSpreads& spreads) {
  std::vector<AdultRecord> records(data.animals.size());
  for (std::size_t i = 0; i < records.size(); ++i) {
    records[i].animal = static_cast<int>(i);
    records[i].molts = data.animals[i].molts;
    records[i].read.assign(records[i].molts.size() + 1, 0);
    records[i].variance.assign(records[i].molts.size() + 1, 0);
  }
  for (std::size_t row = 0; row < data.readings.size(); ++row) {
    const GrowthReading& reading = data.readings[row];
    const GrowthMeasure& measure = data.measures[reading.measure];
    double value = reading.log_value - measure.bias, variance = std::pow(spreads.reading * measure.reading_sd, 2);
    for (std::size_t k = 0; k < data.parameters.size(); ++k)
      value -= data.columns(static_cast<Eigen::Index>(row), static_cast<Eigen::Index>(k)) * data.parameters[k].mean;
    if (reading.lower > 0) variance += std::pow(std::log(reading.upper / reading.lower), 2) / 12;
    AdultRecord& r = records[reading.animal];
    const auto k = static_cast<std::size_t>(reading.instar);
    const double before = r.variance[k] > 0 ? 1 / r.variance[k] : 0, precision = before + 1 / variance;
    r.read[k] = (before * r.read[k] + value / variance) / precision;
    r.variance[k] = 1 / precision;
    r.largest = std::max(r.largest, r.read[k]);
  }
  for (AdultRecord& r : records) note_maturity(r, animals[r.animal].matured_instar);
  return records;
}

void AdultRecord::smooth(const std::vector<double>& steps, double step_sd) {
  const std::size_t n = read.size();
  std::vector<double> mean(n), var(n), ahead(n);
  const auto first = static_cast<std::size_t>(
      std::find_if(variance.begin(), variance.end(), [](double v) { return v > 0; }) - variance.begin());
  for (std::size_t k = first; k < n; ++k) {
    if (k == first) {
      mean[k] = read[k];
      var[k] = ahead[k] = variance[k];
      continue;
    }
    mean[k] = mean[k - 1] + steps[k - 1];
    var[k] = ahead[k] = var[k - 1] + molts[k - 1] * step_sd * step_sd;
    if (!(variance[k] > 0)) continue;
    const double gain = var[k] / (var[k] + variance[k]);
    mean[k] += gain * (read[k] - mean[k]);
    var[k] *= 1 - gain;
  }
  for (std::size_t k = n; k-- > first + 1;)
    mean[k - 1] += var[k - 1] / ahead[k] * (mean[k] - (mean[k - 1] + steps[k - 1]));
  for (std::size_t k = first; k-- > 0;) mean[k] = mean[k + 1] - steps[k];
  size.resize(n);
  for (std::size_t k = 0; k < n; ++k) size[k] = std::exp(mean[k]);
  largest = -std::numeric_limits<double>::infinity();
  for (std::size_t k = first; k < n; ++k)
    if (variance[k] > 0) largest = std::max(largest, mean[k]);
}

Parabola growth_likelihood(const AdultRecord& r, const AdultAnimal& a, double per_limit, std::size_t form,
                           double process_sd) {
  const auto share = [&](std::size_t step) { return share_at(power_of(r.size[step] * per_limit, form)); };
  return widened(walk_likelihood(r, a, process_sd, share), own_ratio_sd(form));
}

double log_of_own_size(const AdultRecord& r, const AdultAnimal& a, double deviation, std::size_t form) {
  const double limit = log_limit(a, deviation, form);
  double sum = 0;
  if (std::isfinite(r.largest) && !std::isfinite(r.matured)) {
    const double beyond = (r.largest - a.log_size - deviation) / matured_sd;
    sum += grown_heeded * std::log1p(grown_odds * std::exp(-0.5 * beyond * beyond));
  }
  if (std::isfinite(r.largest)) sum += numeric::log_Phi((limit + presence_sd - r.largest) / presence_sd);
  if (std::isfinite(r.matured)) sum -= 0.5 * std::pow((r.matured - a.log_size - deviation) / matured_sd, 2);
  return sum;
}

AdultSpreads learned_spreads(const GrowthData& data, const std::vector<AdultAnimal>& animals, double log_ratio,
                             const std::vector<std::vector<double>>& shares) {
  const AdultSpreads usual;
  std::vector<std::array<double, 3>> found;  // log posterior, process sd, readings
  for (double log_reading = -1.05; log_reading < 0.8; log_reading += 0.15) {
    const double reading = std::exp(log_reading);
    const auto records = adult_records(data, animals, {usual.process_sd, reading});
    for (double log_process = -1.5; log_process < 0.8; log_process += 0.2) {
      const double process_sd = usual.process_sd * std::exp(log_process);
      double sum = -0.5 * std::pow(log_reading / spreads_log_sd, 2) - 0.5 * std::pow(log_process / spreads_log_sd, 2);
      for (std::size_t i = 0; i < records.size(); ++i) {
        if (!records[i].was_read()) continue;
        const auto share = [&](std::size_t step) { return shares[i][step]; };
        sum += widened(walk_likelihood(records[i], animals[i], process_sd, share), any_ratio_sd).log_likelihood(log_ratio);
      }
      found.push_back({sum, process_sd, reading});
    }
  }
  const double top = (*std::max_element(found.begin(), found.end()))[0];
  double total = 0;
  AdultSpreads mean{0, 0};
  for (const auto& [log_weight, process_sd, reading] : found) {
    const double weight = std::exp(log_weight - top);
    total += weight;
    mean.process_sd += weight * process_sd;
    mean.reading += weight * reading;
  }
  return {mean.process_sd / total, mean.reading / total};
}

}  // namespace moltspan
