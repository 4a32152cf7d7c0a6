#include "collection/growth.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "collection/adult.hpp"
#include "collection/sizes.hpp"
#include "facts/husbandry.hpp"
#include "intervals/model.hpp"

namespace moltspan {
namespace {

constexpr double reference_mm = 20;
constexpr std::size_t n_measures = 5;
constexpr double other_ratio_log_sd = 0.7;  ///< of the ratio of measures in kinds without a usual one (assumption:
constexpr double other_ratio_taxon_log_sd = 0.3;  ///< a factor of 2 either way) and of single kinds about it
constexpr int points_of_spreads = 128;            ///< enough for sizes: the stadia take their mean and variance

/// Writes the readings of a collection down for the growth model.
class GrowthRecords {
 public:
  GrowthRecords(const Collection& collection, const StadiaTable& table, const std::vector<AnimalInputs>& inputs,
                const HiddenFit& hidden, const std::array<std::vector<int>, n_levels>& codes)
      : collection_(collection), table_(table), inputs_(inputs), steps_(rounding_steps(table)) {
    note_hidden(hidden);
    data_.groups = codes;
    for (std::size_t i = 0; i < table.animals.size(); ++i) note_use(i, table.animals[i]);
    add_measures();
    for (std::size_t i = 0; i < table.animals.size(); ++i) add_animal(static_cast<int>(i));
    set_columns();
  }

  const GrowthData& data() const { return data_; }
  void set_slowing(AdultSizes& adult) {
    for (std::size_t i = 0; i < data_.animals.size(); ++i) {
      data_.animals[i].slowing = std::move(adult.slowing[i]);
      data_.animals[i].slowing_variance = std::move(adult.variance[i]);
    }
  }
  bool any_reading() const { return !data_.readings.empty(); }
  /// Column of the step of leg span over the rest of the body at male maturity; -1 = not in use.
  int male_step() const { return male_step_; }
  static bool mature_male(const AnimalHistory& history, int place) {
    return history.matured_molt >= 0 && place > history.matured_molt && history.male_chance > 0.5;
  }

 private:
  void note_hidden(const HiddenFit& hidden) {
    for (const AnimalHistory& history : table_.animals) molts_.emplace_back(history.molts.size(), 1.0);
    for (std::size_t row = 0; row < hidden.sized_with.size(); ++row) {
      const Stadium& s = table_.stadia[row];
      if (s.end)
        molts_[s.animal][s.molt + 1] += hidden.sized_with[row];
    }
  }

  /// Whether a reading stands for the size itself, by a fixed ratio: no leg span was read on it, or can be told.
  bool is_own_size(std::size_t animal, SizeMeasure measure) const {
    return !inputs_[animal].leg_span_known && measure == inputs_[animal].read_measure;
  }

  /// 0 = a tarantula, with the usual ratios of measures to leg span; 1 = any other, of which next to nothing is known.
  std::size_t kind_of_ratio(std::size_t animal) const { return usual_ratios_hold(collection_.animals[animal]) ? 0 : 1; }

  void note_use(std::size_t animal, const AnimalHistory& history) {
    for (const SizeReading& reading : history.sizes) {
      const auto k = static_cast<std::size_t>(reading.measure);
      used_[k] = true;
      if (!is_own_size(animal, reading.measure)) as_ratio_[kind_of_ratio(animal)][k] = true;
      any_mature_male_ = any_mature_male_ || mature_male(history, place_of(history, reading));
    }
  }

  static int place_of(const AnimalHistory& history, const SizeReading& reading) {
    return std::clamp(reading.molts_before, 0, static_cast<int>(history.molts.size()));
  }

  int add_ratio(std::string name, SizeMeasure measure, double log_sd, double taxon_log_sd) {
    data_.parameters.push_back({std::move(name), usual_log_ratio(measure), log_sd, taxon_log_sd});
    return static_cast<int>(data_.parameters.size()) - 1;
  }

  void add_measures() {
    const Husbandry& h = husbandry();
    for (std::size_t k = 0; k < n_measures; ++k) {
      if (!used_[k]) continue;
      const auto measure = static_cast<SizeMeasure>(k);
      const bool leg_span = measure == SizeMeasure::leg_span;
      const std::string name(measure_name(measure));
      measure_[k] = static_cast<int>(data_.measures.size());
      data_.measures.push_back({name, usual_reading_sd(measure), h.reading_sd_spread, leg_span ? h.leg_span_bias : 0});
      if (leg_span) continue;
      if (as_ratio_[0][k])
        column_[0][k] =
            add_ratio("log_leg_span_per_" + name, measure, h.measure_ratio_log_sd, h.measure_ratio_taxon_log_sd);
      if (as_ratio_[1][k])
        column_[1][k] = add_ratio("log_leg_span_per_" + name + "_other_kinds", measure, other_ratio_log_sd,
                                  other_ratio_taxon_log_sd);
    }
    if (!any_mature_male_) return;
    male_step_ = static_cast<int>(data_.parameters.size());
    data_.parameters.push_back({"mature_male_leg_step", h.mature_male_leg_step, h.mature_male_leg_step_sd, 0});
  }

  /// Molts between successive instars: 1 and those that are hidden, or as stated instar numbers have it.
  std::vector<double> molts_between(int animal, const AnimalHistory& history) const {
    std::vector<double> molts = molts_[animal];
    std::size_t stated = history.molts.size();
    for (std::size_t k = 0; k < history.molts.size(); ++k) {
      if (history.molts[k].instar < 0) continue;
      if (stated < k) {
        const double steps = static_cast<double>(k - stated);
        const double numbers = history.molts[k].instar - history.molts[stated].instar;
        if (numbers >= steps)
          std::fill(molts.begin() + static_cast<std::ptrdiff_t>(stated) + 1,
                    molts.begin() + static_cast<std::ptrdiff_t>(k) + 1, numbers / steps);
      }
      stated = k;
    }
    return molts;
  }

  void add_animal(int animal) {
    const AnimalHistory& history = table_.animals[animal];
    GrowthAnimal grown;
    grown.molts = molts_between(animal, history);
    if (history.matured_molt >= 0) {
      const double adult = std::log(husbandry().adult_ratio);
      grown.next_shift = adult;
      grown.shifts.assign(grown.molts.size(), unknown_number);
      for (std::size_t k = static_cast<std::size_t>(history.matured_molt) + 1; k < grown.shifts.size(); ++k)
        grown.shifts[k] = adult;
    }
    data_.animals.push_back(std::move(grown));
    for (const SizeReading& reading : history.sizes) add_reading(animal, history, reading);
  }

  void add_reading(int animal, const AnimalHistory& history, const SizeReading& reading) {
    const auto k = static_cast<std::size_t>(reading.measure);
    const bool leg_span = reading.measure == SizeMeasure::leg_span, mass = reading.measure == SizeMeasure::mass;
    GrowthReading read{animal, place_of(history, reading), measure_[k], 0, 0, 0};
    read.log_value = std::log((mass ? std::cbrt(reading.value) : reading.value) / reference_mm);
    if (leg_span) {
      const double half = 0.5 * steps_.at(reading.unit_mm);
      read.lower = std::max(reading.value - half, 0.5 * std::min(half, reading.value)) / reference_mm;
      read.upper = (reading.value + half) / reference_mm;
    }
    const bool own = is_own_size(static_cast<std::size_t>(animal), reading.measure);
    if (own) read.log_value += usual_log_ratio(reading.measure);
    column_of_reading_.push_back({own ? -1 : column_[kind_of_ratio(static_cast<std::size_t>(animal))][k],
                                  leg_span && mature_male(history, read.instar) ? male_step_ : -1});
    data_.readings.push_back(read);
  }

  void set_columns() {
    data_.columns.setZero(static_cast<Eigen::Index>(data_.readings.size()),
                          static_cast<Eigen::Index>(data_.parameters.size()));
    for (std::size_t i = 0; i < column_of_reading_.size(); ++i) {
      const auto [ratio, step] = column_of_reading_[i];
      if (ratio >= 0) data_.columns(static_cast<Eigen::Index>(i), ratio) = -1;
      if (step >= 0) data_.columns(static_cast<Eigen::Index>(i), step) = 1;
    }
  }

  const Collection& collection_;
  const StadiaTable& table_;
  const std::vector<AnimalInputs>& inputs_;
  std::map<double, double> steps_;
  std::vector<std::vector<double>> molts_;  ///< by animal, between successive instars
  GrowthData data_;
  std::array<bool, n_measures> used_{};
  std::array<std::array<bool, n_measures>, 2> as_ratio_{};  ///< by kind_of_ratio: read where it is not the size itself
  std::array<int, n_measures> measure_{-1, -1, -1, -1, -1};
  std::array<std::array<int, n_measures>, 2> column_{{{-1, -1, -1, -1, -1}, {-1, -1, -1, -1, -1}}};
  bool any_mature_male_ = false;
  int male_step_ = -1;
  std::vector<std::pair<int, int>> column_of_reading_;
};

/// The posterior sizes, as leg spans.
void set_measured(AnimalInputs& inputs, const std::vector<LatentSize>& sizes, const AnimalHistory& history,
                  double male_step) {
  inputs.sizes.clear();
  for (std::size_t k = 0; k < sizes.size(); ++k) {
    const double step = GrowthRecords::mature_male(history, static_cast<int>(k)) ? male_step : 0;
    inputs.sizes.push_back({sizes[k].mean + step, sizes[k].variance, sizes[k].measured, sizes[k].own_variance});
  }
}

}  // namespace

std::shared_ptr<const GrowthModelFit> fit_collection_growth(const Collection& collection, std::vector<AnimalInputs>& animals,
                                           const StadiaTable& table, const HiddenFit& hidden,
                                           const std::array<std::vector<int>, n_levels>& codes, const Priors& priors,
                                           int threads) {
  GrowthRecords records(collection, table, animals, hidden, codes);
  if (!records.any_reading()) return nullptr;
  GrowthModelOptions options;
  options.priors = priors;
  options.threads = threads;
  options.points = points_of_spreads;
  options.alike_at_first = true;
  AdultSizes adult = fit_adult_sizes(records.data(), adult_animals(collection, table, animals),
                                     PriorTable("growth", priors).of("log_ratio"));
  records.set_slowing(adult);
  const auto growth = std::make_shared<GrowthModelFit>(fit_growth_model(records.data(), options));
  growth->adult = std::move(adult.nodes);
  const double male_step =
      records.male_step() < 0 ? 0 : growth->parameters[records.male_step()].mean;
  for (std::size_t i = 0; i < table.animals.size(); ++i)
    if (!growth->sizes[i].empty()) set_measured(animals[i], growth->sizes[i], table.animals[i], male_step);
  return growth;
}

GrowthAhead growth_ahead(const CollectionFit& fit, int animal) {
  const Husbandry& h = husbandry();
  const auto i = static_cast<std::size_t>(animal);
  if (!fit.growth) return {std::log(h.growth_ratio), 0, 0, h.growth_log_sd, 0, false, stated_ends(fit, animal)};
  const GrowthModelFit& growth = *fit.growth;
  const GrowthEstimate& own = growth.member_log_ratio[static_cast<std::size_t>(Level::animal)][i].second;
  double process = 0, covariance = 0;
  for (const GrowthPoint& p : growth.points) {
    process += p.weight * p.process_variance;
    if (!growth.sizes[i].empty())
      covariance +=
          p.weight * (p.covariance[i] + (p.last_size[i] - growth.sizes[i].back().mean) * (p.growth[i] - own.mean));
  }
  const bool mature = std::isfinite(growth.next_shift[i]);
  return {own.mean,   growth.decline.mean, own.sd, std::sqrt(process),
          covariance, true,                mature ? std::vector<AdultNode>() : growth.adult[i]};
}

}  // namespace moltspan
