#include "collection/jumps.hpp"

#include <toml++/toml.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <set>

#include "collection/sizes.hpp"
#include "facts/embedded_tables.hpp"
#include "facts/husbandry.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr double unknown_variance = std::numeric_limits<double>::infinity();
constexpr double never = -std::numeric_limits<double>::infinity();
constexpr double ratio_prior_sd = 0.06;   ///< of the collection's usual log jump about the default (assumption)
constexpr double spread_prior_jumps = 5;  ///< jumps that the default spread of log jumps counts for (assumption)
constexpr double least_spread = 0.02;
constexpr double least_shift = 0.01;      ///< of log T, that counts
constexpr double least_log_ratio = 0.14;  ///< 1.15 a molt: sizes that grow less do not tell two molts from one

double error_sd(SizeMeasure measure) {
  const Husbandry& h = husbandry();
  switch (measure) {
    case SizeMeasure::leg_span:
      return h.leg_span_sd;
    case SizeMeasure::body_length:
      return h.body_length_sd;
    case SizeMeasure::mass:
      return h.mass_sd;
    default:
      return h.carapace_sd;
  }
}

/// The measure that most readings of an animal have.
SizeMeasure usual_measure(const AnimalHistory& animal) {
  std::array<int, 5> counts{};
  for (const SizeReading& r : animal.sizes) ++counts[static_cast<std::size_t>(r.measure)];
  return static_cast<SizeMeasure>(std::max_element(counts.begin(), counts.end()) - counts.begin());
}

LogSize joined(const LogSize& a, const LogSize& b) {
  if (a.variance == 0 || std::isinf(a.variance)) return b;
  if (b.variance == 0 || std::isinf(b.variance)) return a;
  const double precision = 1 / a.variance + 1 / b.variance;
  return {(a.mean / a.variance + b.mean / b.variance) / precision, 1 / precision};
}

LogSize log_size_of(const SizeReading& r, const std::map<double, double>& steps) {
  const double linear = r.measure == SizeMeasure::mass ? 1.0 / 3 : 1;
  double variance = std::pow(error_sd(r.measure), 2);
  if (r.measure == SizeMeasure::leg_span) variance += std::pow(steps.at(r.unit_mm) / r.value, 2) / 12;
  return {linear * std::log(r.value), variance};
}

std::vector<LogSize> read_instars(const AnimalHistory& animal, const std::map<double, double>& steps,
                                  SizeMeasure measure) {
  std::vector<LogSize> instars(animal.molts.size() + 1);
  for (const SizeReading& r : animal.sizes) {
    if (r.measure != measure || !(r.value > 0)) continue;
    LogSize& instar =
        instars[std::clamp<int>(r.molts_before, 0, static_cast<int>(animal.molts.size()))];
    instar = joined(instar, log_size_of(r, steps));
  }
  return instars;
}

/// Readings after the last molt, where there are two or more.
std::vector<DatedSize> last_sizes_of(const AnimalHistory& animal, const std::map<double, double>& steps) {
  std::vector<DatedSize> sizes;
  const SizeMeasure measure = usual_measure(animal);
  for (const SizeReading& r : animal.sizes) {
    if (r.measure != measure || !(r.value > 0) || r.molts_before < static_cast<int>(animal.molts.size())) continue;
    const LogSize size = log_size_of(r, steps);
    sizes.push_back({r.day + 0.5, size.mean, size.variance});
  }
  if (sizes.size() < 2) sizes.clear();
  return sizes;
}

int stated_hidden(const AnimalHistory& animal, const Stadium& s) {
  if (!s.end) return -1;
  const int from = animal.molts[s.molt].instar,
            to = animal.molts[s.molt + 1].instar;
  return from < 0 || to < 0 ? -1 : std::clamp(to - from - 1, 0, most_hidden);
}

}  // namespace

const MissedMoltPrior& missed_molt_prior() {
  static const MissedMoltPrior prior = [] {
    const toml::table table = toml::parse(embedded_table("priors"));
    const auto entry = table["missed_molt"];
    return MissedMoltPrior{entry["a"].value<double>().value(), entry["b"].value<double>().value(),
                           entry["listed"].value<double>().value()};
  }();
  return prior;
}

double hidden_listed() { return missed_molt_prior().listed; }

double expected_hidden(const HiddenWeights& chances) { return chances[1] + 2 * chances[2]; }

SizeJumps::SizeJumps(const CollectionFit& fit) : fit_(fit) {
  const auto steps = rounding_steps(fit.table);
  tracks_.resize(fit.table.animals.size());
  stated_.assign(fit.data.size(), -1);
  no_jump_.assign(fit.data.size(), 0);
  odd_leg_span_.assign(fit.data.size(), 0);
  jumps_.assign(fit.data.size(), {0, unknown_variance});
  variances_.resize(fit.data.size());
  for (std::size_t i = 0; i < tracks_.size(); ++i) {
    tracks_[i].read = read_instars(fit.table.animals[i], steps, usual_measure(fit.table.animals[i]));
    tracks_[i].row_of_gap.assign(tracks_[i].read.size(), -1);
    read_all_measures(fit.table.animals[i], steps, tracks_[i]);
  }
  for (std::size_t row = 0; row < fit.data.size(); ++row) {
    const Stadium& s = fit.table.stadia[row];
    const AnimalHistory& history = fit.animal(s.animal).history();
    tracks_[s.animal].row_of_gap[s.molt + 1] =
        static_cast<Eigen::Index>(row);
    stated_[row] = stated_hidden(history, s);
    odd_leg_span_[row] = s.molt + 1 == history.matured_molt && history.male_chance > 0.2;
    no_jump_[row] = odd_leg_span_[row] && usual_measure(history) == SizeMeasure::leg_span;
  }
}

void SizeJumps::read_all_measures(const AnimalHistory& animal, const std::map<double, double>& steps, Track& track) {
  std::set<SizeMeasure> used;
  for (const SizeReading& r : animal.sizes)
    if (r.value > 0) used.insert(r.measure);
  track.measures.resize(track.read.size());
  for (SizeMeasure measure : used) {
    if (measure == SizeMeasure::leg_span) track.leg_span = static_cast<int>(track.measures[0].size());
    const std::vector<LogSize> read = read_instars(animal, steps, measure);
    for (std::size_t k = 0; k < read.size(); ++k) track.measures[k].push_back(read[k]);
  }
}

void SizeJumps::begin(HiddenFit& hidden) const {
  hidden.log_ratio = std::log(husbandry().growth_ratio);
  hidden.ratio_log_sd = husbandry().growth_log_sd;
  const auto steps = rounding_steps(fit_.table);
  for (const AnimalHistory& animal : fit_.table.animals) hidden.last_sizes.push_back(last_sizes_of(animal, steps));
}

/// Growth over a gap at its present mean number of molts.
LogSize SizeJumps::step(Eigen::Index row, const HiddenFit& hidden) const {
  const double mean = row < 0 ? 0 : expected_hidden(hidden.chances[row]);
  double square = 0;
  if (row >= 0)
    square = hidden.chances[row][1] + 4 * hidden.chances[row][2];
  return {(1 + mean) * hidden.log_ratio, (1 + mean) * hidden.ratio_log_sd * hidden.ratio_log_sd +
                                             (square - mean * mean) * hidden.log_ratio * hidden.log_ratio};
}

void SizeJumps::filter_track(const Track& track, const HiddenFit& hidden) {
  const std::size_t n = track.read.size();
  std::vector<LogSize> before(n, {0, unknown_variance}), after = before;
  for (std::size_t k = 0; k < n; ++k) {
    LogSize carried{0, unknown_variance};
    if (k > 0 && std::isfinite(before[k - 1].variance)) {
      const LogSize grown = step(track.row_of_gap[k - 1], hidden);
      carried = {before[k - 1].mean + grown.mean, before[k - 1].variance + grown.variance};
    }
    before[k] = track.read[k].variance > 0 ? joined(carried, track.read[k]) : carried;
  }
  for (std::size_t k = n; k-- > 0;) {
    LogSize carried{0, unknown_variance};
    if (k + 1 < n && std::isfinite(after[k + 1].variance)) {
      const LogSize grown = step(track.row_of_gap[k], hidden);
      carried = {after[k + 1].mean - grown.mean, after[k + 1].variance + grown.variance};
    }
    after[k] = track.read[k].variance > 0 ? joined(carried, track.read[k]) : carried;
  }
  for (std::size_t k = 0; k + 1 < n; ++k)
    if (track.row_of_gap[k] >= 0) {
      jumps_[track.row_of_gap[k]] = {after[k + 1].mean - before[k].mean,
                                                               after[k + 1].variance + before[k].variance};
      variances_[track.row_of_gap[k]] = {before[k].variance, after[k + 1].variance};
    }
}

void SizeJumps::filter(const HiddenFit& hidden) {
  for (const Track& track : tracks_) filter_track(track, hidden);
  for (std::size_t i = 0; i < tracks_.size(); ++i)
    if (tracks_[i].measures[0].size() > 1) weigh_by_all_measures(static_cast<int>(i), hidden);
}

void SizeJumps::weigh_by_all_measures(int animal, const HiddenFit& hidden) {
  auto [gaps, rows] = this->gaps(animal, hidden);
  by_all_measures_.resize(jumps_.size());
  for (HiddenRecord& gap : gaps.records) gap.timed = false;
  const HiddenShares sizes = hidden_shares(fit_.options.family, gaps, 0, 0, {hidden.log_ratio, hidden.ratio_log_sd});
  for (std::size_t k = 0; k < rows.size(); ++k)
    if (rows[k] >= 0)
      for (std::size_t j = 0; j < sizes.shares[k].size(); ++j)
        by_all_measures_[rows[k]][j] = std::log(sizes.shares[k][j]);
}

HiddenWeights SizeJumps::log_chances(Eigen::Index row, const HiddenWeights& chances) const {
  const int stated = stated_[row];
  if (stated < 0) return chances;
  HiddenWeights weights{never, never, never};
  weights[stated] = 0;
  return weights;
}

HiddenWeights SizeJumps::log_weights(Eigen::Index row, const HiddenWeights& chances, const HiddenFit& hidden) const {
  const auto i = static_cast<std::size_t>(row);
  const Track& track = tracks_[fit_.table.stadia[i].animal];
  if (track.measures[0].size() > 1) return by_all_measures_[i];
  HiddenWeights weights = log_chances(row, chances);
  const LogSize& jump = jumps_[i];
  if (states_hidden(row) || !std::isfinite(jump.variance) || no_jump_[i]) return weights;
  for (int j = 0; j <= most_hidden; ++j) {
    const double sd = std::sqrt(jump.variance + (j + 1) * hidden.ratio_log_sd * hidden.ratio_log_sd);
    weights[j] +=
        numeric::log_phi((jump.mean - (j + 1) * hidden.log_ratio) / sd) - std::log(sd);
  }
  return weights;
}

std::pair<HiddenAnimal, std::vector<Eigen::Index>> SizeJumps::gaps(int animal, const HiddenFit& hidden) const {
  const Track& track = tracks_[animal];
  const HiddenWeights chances = hidden_chances(hidden.missed_chance);
  HiddenAnimal result;
  std::vector<Eigen::Index> rows = track.row_of_gap;
  result.first_sizes = track.measures[0];
  if (rows.back() < 0) rows.pop_back();  // no running stadium
  for (std::size_t k = 0; k < rows.size(); ++k) {
    HiddenRecord record;
    record.timed = rows[k] >= 0;
    record.log_chances = record.timed ? log_chances(rows[k], chances) : HiddenWeights{0, never, never};
    const bool odd = record.timed && odd_leg_span_[rows[k]];
    if (odd) record.odd_measure = track.leg_span;
    if (k + 1 < track.read.size()) record.sizes_after = track.measures[k + 1];
    if (record.timed && !odd) set_shifts(static_cast<std::size_t>(rows[k]), hidden, record);
    result.records.push_back(record);
  }
  return {std::move(result), std::move(rows)};
}

/// A jump that j hidden molts explain in place of as many as the sizes were reckoned with moves the sizes on both sides
/// apart, each by its share of the variance; where only one side was read, the other moves alone.
void SizeJumps::set_shifts(std::size_t row, const HiddenFit& hidden, HiddenRecord& record) const {
  const double sized_with = hidden.sized_with.empty() ? 0 : hidden.sized_with[row];
  const auto [before, after] = variances_[row];
  for (std::size_t j = 0; j < record.shift.size(); ++j) {
    const double further = (static_cast<double>(j) - sized_with) * hidden.log_step;
    const double all = before + after + (static_cast<double>(j) + 1) * hidden.ratio_log_sd * hidden.ratio_log_sd;
    if (std::abs(further) < least_shift || (std::isinf(before) && std::isinf(after))) continue;
    record.shift[j] = -further * (std::isinf(before) ? 1 : before / all);
    record.next_shift[j] = further * (std::isinf(after) ? 1 : after / all);
  }
}

void SizeJumps::improve(const std::vector<Eigen::Index>& rows, HiddenFit& hidden) const {
  const double usual = std::log(husbandry().growth_ratio), spread = husbandry().growth_log_sd;
  const double old_square = hidden.ratio_log_sd * hidden.ratio_log_sd;
  double top = usual / (ratio_prior_sd * ratio_prior_sd), bottom = 1 / (ratio_prior_sd * ratio_prior_sd);
  const auto each = [&](auto visit) {
    for (Eigen::Index row : rows) {
      const auto i = static_cast<std::size_t>(row);
      if (!std::isfinite(jumps_[i].variance) || no_jump_[i]) continue;
      for (int j = 0; j <= most_hidden; ++j) visit(jumps_[i], j + 1.0, hidden.chances[i][j]);
    }
  };
  each([&](const LogSize& jump, double molts, double chance) {
    const double precision = chance / (jump.variance + molts * old_square);
    top += precision * molts * jump.mean;
    bottom += precision * molts * molts;
  });
  hidden.log_ratio = std::max(top / bottom, least_log_ratio);
  double squares = spread_prior_jumps * spread * spread, count = spread_prior_jumps;
  each([&](const LogSize& jump, double molts, double chance) {
    const double variance = jump.variance + molts * old_square, pull = old_square * molts / variance;
    const double deviation = jump.mean - molts * hidden.log_ratio;
    // Expected square of the growth deviation of a molt given the jump (EM for a variance component).
    squares += chance * (pull * pull * deviation * deviation / molts + old_square * (1 - pull));
    count += chance;
  });
  hidden.ratio_log_sd = std::max(std::sqrt(squares / count), least_spread);
}

}  // namespace moltspan
