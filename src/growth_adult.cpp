#include "growth_adult.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>

#include "growth_latent_share.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

// The forms between which animals differ, and how likely each is beforehand: published sizes by instar of spiders,
// scorpions, mayflies and water fleas mostly fall from the first molt on (1 or 2); insects keep their ratio to the end.
constexpr std::size_t n_forms = 5;
constexpr std::array<int, n_forms> steepness{1, 2, 4, 8, 16};
constexpr std::array<double, n_forms> form_weight{0.25, 0.3, 0.2, 0.15, 0.1};
/// Log of the limit over the adult size of a sex whose last molt comes before its growth has ended (the same tables).
constexpr std::array<double, n_forms> limit_beyond{0.5, 0.25, 0.07, 0, 0};

constexpr double grid_step = 0.07;
constexpr double sex_sd = 0.10, animal_sd = 0.09;  ///< of log adult sizes within a kind, within a sex (assumption)
constexpr int reach = 3;                           ///< steps of the grid that such deviations go
constexpr double freedom = 4;                      ///< of Student's t about what is said of a kind
constexpr double kind_ratio_sd = 0.05, animal_ratio_sd = 0.03;  ///< of log ratios about their kin's
constexpr double usual_process_sd = 0.06;                       ///< of a molt, until the growth model tells
constexpr double kin_weight = 0.5;  ///< of what kin say: their growth has no exact form, so that they err together
constexpr double matured_sd = 0.12;                             ///< of a size read at maturity about the adult size
constexpr double presence_sd = 0.08;  ///< an animal is about as large as its adult size at most
constexpr double heeded = 0.02;       ///< weight of a form from which it is handed on
constexpr int handed_on = 16;         ///< ends of growth of one animal
constexpr double slow = 0.93;         ///< share of growth under which sizes are smoothed anew with it

/// -2 log likelihood of one animal as a parabola in the log ratio.
struct Parabola {
  double least = 0, at = 0, curvature = 0;
  double log_likelihood(double ratio) const {
    return least - 0.5 * curvature * (ratio - at) * (ratio - at);
  }
};

/// One animal's record: readings of each instar joined, and its sizes smoothed.
struct Record {
  int animal = 0;
  std::vector<double> read, variance;  ///< an instar; variance 0 = not read
  std::vector<double> molts;           ///< an instar after the first
  std::vector<double> size;            ///< exp of the smoothed log size
  double largest = -std::numeric_limits<double>::infinity();  ///< smoothed, of instars that were read
  double matured = std::numeric_limits<double>::quiet_NaN();  ///< log size read once mature
};

/// Deviations of a kind's adult sizes from what is said of them.
struct Grid {
  int n = 0;
  double from = 0;
  double at(int j) const { return from + grid_step * j; }
};

Grid grid_for(double log_sd) {
  const double width = std::max(0.7, 3 * log_sd);
  const int half = static_cast<int>(std::ceil(width / grid_step));
  return {2 * half + 1, -half * grid_step};
}

std::array<double, 2 * reach + 1> kernel(double sd) {
  std::array<double, 2 * reach + 1> k{};
  double total = 0;
  for (int j = -reach; j <= reach; ++j) total += k[static_cast<std::size_t>(j + reach)] = std::exp(-0.5 * std::pow(j * grid_step / sd, 2));
  for (double& x : k) x /= total;
  return k;
}

double power_of(double u, std::size_t form) {
  const double two = u * u, four = two * two, eight = four * four;
  return form == 0 ? u : form == 1 ? two : form == 2 ? four : form == 3 ? eight : eight * eight;
}

double log_limit(const AdultAnimal& a, double deviation, std::size_t form) {
  return a.log_size + deviation + a.stops * limit_beyond[form];
}

/// Kalman filter and smoother of the sizes, with the expected log growth of each step.
void smooth(Record& r, const std::vector<double>& steps, double step_sd) {
  const std::size_t n = r.read.size();
  std::vector<double> mean(n), variance(n), ahead(n);
  const auto first = static_cast<std::size_t>(
      std::find_if(r.variance.begin(), r.variance.end(), [](double v) { return v > 0; }) - r.variance.begin());
  for (std::size_t k = first; k < n; ++k) {
    if (k == first) {
      mean[k] = r.read[k];
      variance[k] = ahead[k] = r.variance[k];
      continue;
    }
    mean[k] = mean[k - 1] + steps[k - 1];
    variance[k] = ahead[k] = variance[k - 1] + r.molts[k - 1] * step_sd * step_sd;
    if (!(r.variance[k] > 0)) continue;
    const double gain = variance[k] / (variance[k] + r.variance[k]);
    mean[k] += gain * (r.read[k] - mean[k]);
    variance[k] *= 1 - gain;
  }
  for (std::size_t k = n; k-- > first + 1;)
    mean[k - 1] += variance[k - 1] / ahead[k] * (mean[k] - (mean[k - 1] + steps[k - 1]));
  for (std::size_t k = first; k-- > 0;) mean[k] = mean[k + 1] - steps[k];
  r.size.resize(n);
  for (std::size_t k = 0; k < n; ++k) r.size[k] = std::exp(mean[k]);
  r.largest = -std::numeric_limits<double>::infinity();
  for (std::size_t k = first; k < n; ++k)
    if (r.variance[k] > 0) r.largest = std::max(r.largest, mean[k]);
}

/// The likelihood of one animal for one end of growth: a filter whose mean is linear in the log ratio.
Parabola likelihood(const Record& r, const AdultAnimal& a, double per_limit, std::size_t form) {
  const std::size_t until = a.matured_instar >= 0 ? static_cast<std::size_t>(a.matured_instar) : r.read.size();
  double mean = 0, slope = 0, variance = 0, plain = 0, cross = 0, square = 0, logs = 0;
  bool begun = false;
  for (std::size_t k = 0; k < std::min(until, r.read.size()); ++k) {
    if (begun) {
      const double share = share_at(power_of(r.size[k - 1] * per_limit, form));
      slope += r.molts[k - 1] * share;
      variance += r.molts[k - 1] * usual_process_sd * usual_process_sd * spread_share(share);
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
  if (!(square > 1e-12)) return {-0.5 * logs - 0.5 * plain, 0, 0};
  const double widened = 1 + animal_ratio_sd * animal_ratio_sd * square;
  return {-0.5 * (logs + plain - cross * cross / square + std::log(widened)), -cross / square, square / widened};
}

/// What an animal's own size says of its adult size.
double log_of_own_size(const Record& r, const AdultAnimal& a, double deviation, std::size_t form) {
  const double limit = log_limit(a, deviation, form);
  double sum = 0;
  if (std::isfinite(r.largest)) sum += numeric::log_Phi((limit + presence_sd - r.largest) / presence_sd);
  if (std::isfinite(r.matured)) sum -= 0.5 * std::pow((r.matured - a.log_size - deviation) / matured_sd, 2);
  return sum;
}

double log_sum(const std::vector<double>& terms) {
  const double top = *std::max_element(terms.begin(), terms.end());
  double sum = 0;
  for (double t : terms) sum += std::exp(t - top);
  return top + std::log(sum);
}

/// The animals of one kind on the grid; a node is a place of the grid and a form.
class Kind {
 public:
  Kind(const std::vector<AdultAnimal>& animals, std::vector<Record*> records)
      : animals_(animals), records_(std::move(records)), in_sex_(kernel(animal_sd)), in_kind_(kernel(sex_sd)) {
    const AdultAnimal& first = animal(0);
    sd_ = first.log_sd;
    grid_ = grid_for(sd_);
  }
  void weigh();
  /// The log ratio that the kind's records say at the middle of its grid, and the precision of that.
  std::pair<double, double> rough_ratio() const;
  void solve(double ratio, double ratio_sd);
  std::vector<AdultNode> nodes(std::size_t i) const;

 private:
  const AdultAnimal& animal(std::size_t i) const { return animals_[static_cast<std::size_t>(records_[i]->animal)]; }
  std::size_t node(int j, std::size_t form) const { return static_cast<std::size_t>(j) * n_forms + form; }
  std::size_t n_nodes() const { return static_cast<std::size_t>(grid_.n) * n_forms; }
  bool inside(int j) const { return j >= 0 && j < grid_.n; }
  void set_ratios(double ratio, double ratio_sd);
  double of_animal(std::size_t i, int place, std::size_t form) const;
  std::vector<double> convolved(const std::vector<double>& logs, const std::array<double, 2 * reach + 1>& k) const;
  std::vector<AdultNode> handed(const std::vector<double>& weight, const std::vector<double>& ratio, std::size_t i) const;

  const std::vector<AdultAnimal>& animals_;
  std::vector<Record*> records_;
  std::array<double, 2 * reach + 1> in_sex_, in_kind_;
  double sd_ = 0;
  Grid grid_;
  std::vector<std::vector<Parabola>> likelihoods_;   ///< an animal, a node
  std::vector<double> ratio_, prior_;                ///< of each node
  std::vector<std::vector<double>> animal_;          ///< log likelihood of each node of its sex, an animal
  std::array<std::vector<double>, 3> sex_posterior_; ///< log, by node
};

void Kind::weigh() {
  likelihoods_.clear();
  for (std::size_t i = 0; i < records_.size(); ++i) {
    std::vector<Parabola> all(n_nodes());
    for (int j = 0; j < grid_.n; ++j)
      for (std::size_t form = 0; form < n_forms; ++form) {
        const double limit = log_limit(animal(i), grid_.at(j), form);
        Parabola& p = all[node(j, form)];
        p = likelihood(*records_[i], animal(i), std::exp(-limit), form);
        p.least += log_of_own_size(*records_[i], animal(i), grid_.at(j), form);
      }
    likelihoods_.push_back(std::move(all));
  }
}

std::pair<double, double> Kind::rough_ratio() const {
  double precision = 0, sum = 0;
  for (const auto& all : likelihoods_) {
    const Parabola& p = all[node(grid_.n / 2, 1)];
    precision += p.curvature;
    sum += p.curvature * p.at;
  }
  return {precision > 0 ? sum / precision : 0, precision};
}

/// Of each node its own log ratio of the kind, and what that costs beside the prior of the node.
void Kind::set_ratios(double ratio, double ratio_sd) {
  const double prior = 1 / (ratio_sd * ratio_sd);
  ratio_.assign(n_nodes(), 0);
  prior_.assign(n_nodes(), 0);
  for (int j = 0; j < grid_.n; ++j)
    for (std::size_t form = 0; form < n_forms; ++form) {
      const std::size_t at = node(j, form);
      double precision = prior, sum = prior * ratio;
      for (const auto& all : likelihoods_) {
        precision += all[at].curvature;
        sum += all[at].curvature * all[at].at;
      }
      ratio_[at] = std::max(0.01, sum / precision);
      const double z = grid_.at(j) / sd_;
      prior_[at] = -0.5 * (freedom + 1) * std::log1p(z * z / freedom) + std::log(form_weight[form]) -
                   0.5 * prior * std::pow(ratio_[at] - ratio, 2) - 0.5 * std::log(precision);
    }
}

/// Log likelihood of an animal whose sex of its kind has its adult sizes here.
double Kind::of_animal(std::size_t i, int place, std::size_t form) const {
  const double ratio = ratio_[node(place, form)];
  std::array<double, 2 * reach + 1> terms;
  double top = -std::numeric_limits<double>::infinity(), sum = 0;
  for (int d = -reach; d <= reach; ++d) {
    const int j = std::clamp(place + d, 0, grid_.n - 1);
    const double term = likelihoods_[i][node(j, form)].log_likelihood(ratio);
    terms[static_cast<std::size_t>(d + reach)] = term;
    top = std::max(top, term);
  }
  for (std::size_t d = 0; d < terms.size(); ++d) sum += in_sex_[d] * std::exp(terms[d] - top);
  return top + std::log(sum);
}

std::vector<double> Kind::convolved(const std::vector<double>& logs, const std::array<double, 2 * reach + 1>& k) const {
  std::vector<double> result(logs.size());
  for (std::size_t form = 0; form < n_forms; ++form)
    for (int place = 0; place < grid_.n; ++place) {
      std::vector<double> terms;
      for (int d = -reach; d <= reach; ++d)
        terms.push_back(logs[node(std::clamp(place + d, 0, grid_.n - 1), form)] + std::log(k[static_cast<std::size_t>(d + reach)]));
      result[node(place, form)] = log_sum(terms);
    }
  return result;
}

/// Weights of adult sizes of the kind, then of its sexes.
void Kind::solve(double ratio, double ratio_sd) {
  set_ratios(ratio, ratio_sd);
  std::array<std::vector<double>, 3> of_sex;
  for (auto& logs : of_sex) logs.assign(n_nodes(), 0);
  animal_.assign(records_.size(), std::vector<double>(n_nodes()));
  for (std::size_t i = 0; i < records_.size(); ++i)
    for (int j = 0; j < grid_.n; ++j)
      for (std::size_t form = 0; form < n_forms; ++form) {
        const std::size_t at = node(j, form);
        animal_[i][at] = of_animal(i, j, form);
        of_sex[static_cast<std::size_t>(animal(i).sex)][at] += kin_weight * animal_[i][at];
      }
  std::vector<double> kind = prior_;
  std::array<std::vector<double>, 3> up;
  for (std::size_t sex = 0; sex < 3; ++sex) {
    up[sex] = convolved(of_sex[sex], in_kind_);
    for (std::size_t at = 0; at < kind.size(); ++at) kind[at] += up[sex][at];
  }
  for (std::size_t sex = 0; sex < 3; ++sex) {
    std::vector<double> rest = kind;
    for (std::size_t at = 0; at < rest.size(); ++at) rest[at] -= up[sex][at];
    sex_posterior_[sex] = convolved(rest, in_kind_);
    for (std::size_t at = 0; at < rest.size(); ++at) sex_posterior_[sex][at] += of_sex[sex][at];
  }
}

std::vector<AdultNode> Kind::nodes(std::size_t i) const {
  const std::vector<double>& sex = sex_posterior_[static_cast<std::size_t>(animal(i).sex)];
  std::vector<double> rest(sex.size()), weight(sex.size(), 0.0), ratio(sex.size(), 0.0);
  for (std::size_t at = 0; at < rest.size(); ++at) rest[at] = sex[at] - kin_weight * animal_[i][at];
  const double top = *std::max_element(sex.begin(), sex.end());
  for (int place = 0; place < grid_.n; ++place)
    for (std::size_t form = 0; form < n_forms; ++form) {
      const std::size_t from = node(place, form);
      if (sex[from] < top - 12) continue;
      for (int d = -reach; d <= reach; ++d) {
        const std::size_t to = node(std::clamp(place + d, 0, grid_.n - 1), form);
        const double w = in_sex_[static_cast<std::size_t>(d + reach)] *
                         std::exp(rest[from] - top + likelihoods_[i][to].log_likelihood(ratio_[from]));
        weight[to] += w;
        ratio[to] += w * ratio_[from];
      }
    }
  return handed(weight, ratio, i);
}

/// A few ends of growth in place of the grid: of each form the more, the likelier it is, of equal weights.
std::vector<AdultNode> Kind::handed(const std::vector<double>& weight, const std::vector<double>& ratio,
                                    std::size_t i) const {
  std::array<double, n_forms> of_form{};
  double total = 0, mean_ratio = 0, kept = 0;
  for (std::size_t at = 0; at < weight.size(); ++at) {
    of_form[at % n_forms] += weight[at];
    total += weight[at];
    mean_ratio += ratio[at];
  }
  mean_ratio /= total;
  std::vector<AdultNode> result;
  for (std::size_t form = 0; form < n_forms; ++form) {
    if (of_form[form] < heeded * total) continue;
    const int n = std::max(1, static_cast<int>(std::lround(handed_on * of_form[form] / total)));
    const double each = of_form[form] / n;
    AdultNode sum{0, 0, 0, steepness[form], 0, 0};
    const auto close = [&] {
      if (!(sum.weight > 1e-9 * each)) return;
      sum.log_adult = animal(i).log_size + sum.log_adult / sum.weight;
      sum.log_limit = sum.log_adult + animal(i).stops * limit_beyond[form];
      sum.ratio_change = sum.ratio_change / sum.weight - mean_ratio;
      result.push_back(sum);
      kept += sum.weight;
      sum = {0, 0, 0, steepness[form], 0, 0};
    };
    for (int j = 0; j < grid_.n; ++j) {
      const std::size_t at = node(j, form);
      for (double left = weight[at]; left > 0;) {
        const double part = std::min(left, each - sum.weight), share = part / weight[at];
        sum.weight += part;
        // Spread within its cell, so that a cell that is cut gives different sizes.
        const double middle = (weight[at] - left + 0.5 * part) / weight[at] - 0.5;
        sum.log_adult += part * (grid_.at(j) + grid_step * middle);
        sum.ratio_change += share * ratio[at];
        left -= part;
        if (sum.weight >= each * (1 - 1e-9)) close();
        if (!(part > 0)) break;
      }
    }
    close();
  }
  for (AdultNode& n : result) n.weight /= kept;
  return result;
}

/// Readings of each instar joined by precision; of a parameter its prior mean counts.
std::vector<Record> records_of(const GrowthData& data) {
  std::vector<Record> records(data.animals.size());
  for (std::size_t i = 0; i < records.size(); ++i) {
    records[i].animal = static_cast<int>(i);
    records[i].molts = data.animals[i].molts;
    records[i].read.assign(records[i].molts.size() + 1, 0);
    records[i].variance.assign(records[i].molts.size() + 1, 0);
  }
  for (std::size_t row = 0; row < data.readings.size(); ++row) {
    const GrowthReading& reading = data.readings[row];
    const GrowthMeasure& measure = data.measures[static_cast<std::size_t>(reading.measure)];
    double value = reading.log_value - measure.bias, variance = measure.reading_sd * measure.reading_sd;
    for (std::size_t k = 0; k < data.parameters.size(); ++k)
      value -= data.columns(static_cast<Eigen::Index>(row), static_cast<Eigen::Index>(k)) * data.parameters[k].mean;
    if (reading.lower > 0) variance += std::pow(std::log(reading.upper / reading.lower), 2) / 12;
    Record& r = records[static_cast<std::size_t>(reading.animal)];
    const auto k = static_cast<std::size_t>(reading.instar);
    const double before = r.variance[k] > 0 ? 1 / r.variance[k] : 0, precision = before + 1 / variance;
    r.read[k] = (before * r.read[k] + value / variance) / precision;
    r.variance[k] = 1 / precision;
    r.largest = std::max(r.largest, r.read[k]);
  }
  return records;
}

/// The size with which a mature animal's readings begin.
void note_maturity(Record& r, int matured_instar) {
  for (auto k = static_cast<std::size_t>(std::max(matured_instar, 0)); matured_instar >= 0 && k < r.read.size(); ++k)
    if (r.variance[k] > 0) {
      r.matured = r.read[k];
      return;
    }
}

bool was_read(const Record& r) { return std::isfinite(r.largest); }

/// Shares that an animal's molts have added, its ends of growth averaged by what each has it grow.
std::vector<double> slowing_of(const Record& r, const std::vector<AdultNode>& nodes, double ratio,
                               std::vector<double>& variance) {
  std::vector<double> slowing(r.molts.size(), 1.0);
  variance.assign(r.molts.size(), 0.0);
  if (!was_read(r)) return slowing;
  std::vector<double> per_limit;
  for (const AdultNode& node : nodes) per_limit.push_back(std::exp(-node.log_limit));
  for (std::size_t k = 0; k < slowing.size(); ++k) {
    double sum = 0, square = 0, total = 0;
    for (std::size_t n = 0; n < nodes.size(); ++n) {
      const auto form = static_cast<std::size_t>(
          std::find(steepness.begin(), steepness.end(), nodes[n].steepness) - steepness.begin());
      const double w = nodes[n].weight * std::max(0.01, ratio + nodes[n].ratio_change);
      const double share = share_at(power_of(r.size[k] * per_limit[n], form));
      sum += w * share;
      square += w * share * share;
      total += w;
    }
    variance[k] = std::pow(r.molts[k] * ratio, 2) * std::max(0.0, square / total - std::pow(sum / total, 2));
    slowing[k] = std::clamp(sum / total, 1e-3, 1.0);
  }
  return slowing;
}

/// Near its limit an animal shows where that is by its own size, far from it only kin and what is said do.
void set_with_size(const Record& r, std::vector<AdultNode>& nodes) {
  if (!was_read(r)) return;
  for (AdultNode& node : nodes) node.with_size = std::min(1.0, std::pow(r.size.back() * std::exp(-node.log_limit), 2));
}

/// Log ratio of all kinds together, and how far a kind may lie from it.
std::pair<double, double> common_ratio(const std::vector<Kind>& kinds, const Prior& prior) {
  double precision = 1 / (prior.sd * prior.sd), sum = precision * prior.mean;
  for (const Kind& kind : kinds) {
    const auto [ratio, own] = kind.rough_ratio();
    if (!(own > 0)) continue;
    const double weight = 1 / (1 / own + kind_ratio_sd * kind_ratio_sd);
    precision += weight;
    sum += weight * ratio;
  }
  return {sum / precision, std::sqrt(kind_ratio_sd * kind_ratio_sd + 1 / precision)};
}

}  // namespace

AdultSizes fit_adult_sizes(const GrowthData& data, const std::vector<AdultAnimal>& animals, const Prior& ratio) {
  std::vector<Record> records = records_of(data);
  std::map<int, std::vector<Record*>> by_kind;
  for (Record& r : records) {
    note_maturity(r, animals[static_cast<std::size_t>(r.animal)].matured_instar);
    if (was_read(r)) {
      std::vector<double> steps;
      for (double molts : r.molts) steps.push_back(molts * ratio.mean);
      smooth(r, steps, 0.1);
    }
    by_kind[animals[static_cast<std::size_t>(r.animal)].kind].push_back(&r);
  }
  AdultSizes result;
  result.nodes.resize(records.size());
  result.slowing.resize(records.size());
  result.variance.resize(records.size());
  for (int round = 0; round < 2; ++round) {
    std::vector<Kind> kinds;
    kinds.reserve(by_kind.size());
    for (const auto& [key, members] : by_kind) {
      kinds.emplace_back(animals, members);
      kinds.back().weigh();
    }
    const auto [middle, sd] = common_ratio(kinds, ratio);
    bool slowed = false;
    std::size_t at = 0;
    for (const auto& [key, members] : by_kind) {
      Kind& kind = kinds[at++];
      kind.solve(middle, sd);
      for (std::size_t m = 0; m < members.size(); ++m) {
        Record& r = *members[m];
        const auto i = static_cast<std::size_t>(r.animal);
        result.nodes[i] = kind.nodes(m);
        result.slowing[i] = slowing_of(r, result.nodes[i], middle, result.variance[i]);
        if (!was_read(r)) continue;
        std::vector<double> steps = result.slowing[i];
        for (std::size_t k = 0; k < steps.size(); ++k) {
          slowed = slowed || steps[k] < slow;
          steps[k] *= r.molts[k] * middle;
        }
        smooth(r, steps, 0.08);
      }
    }
    if (!slowed) break;
  }
  for (std::size_t i = 0; i < records.size(); ++i) {
    result.slowing[i] = slowing_of(records[i], result.nodes[i], ratio.mean, result.variance[i]);
    set_with_size(records[i], result.nodes[i]);
  }
  return result;
}

std::vector<AdultNode> adult_nodes_of(const AdultAnimal& animal) {
  GrowthData nothing;
  nothing.animals.resize(1);
  return fit_adult_sizes(nothing, {animal}, {Prior::Kind::normal, std::log(1.3), 0.12}).nodes.front();
}

double mean_growth_share(const std::vector<AdultNode>& nodes, double log_size) {
  if (nodes.empty()) return 1;
  double sum = 0;
  for (const AdultNode& node : nodes) sum += node.weight * growth_share(node, log_size);
  return sum;
}

}  // namespace moltspan
