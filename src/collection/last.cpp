#include "collection/last.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "facts/husbandry.hpp"
#include "moltspan/numeric/log_sum_exp.hpp"
#include "moltspan/numeric/normal.hpp"
#include "stadia/molts.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr double pi = 3.14159265358979323846;
constexpr int n_places = 33;          ///< of a, about its middle
constexpr double place_step = 0.025;  ///< on the log scale
constexpr int n_middles = 5;          ///< of the prior's middle, an sd apart or less
constexpr std::array<double, 5> spreads{0.01, 0.025, 0.045, 0.07, 0.11};               ///< s
constexpr std::array<double, 5> spread_widths{0.0175, 0.0175, 0.0225, 0.0325, 0.04};   ///< that each stands for
constexpr std::array<double, 8> recorded{0.02, 0.1, 0.3, 0.5, 0.7, 0.85, 0.95, 0.99};  ///< q
constexpr std::array<double, 8> recorded_widths{0.06,  0.14,  0.2,  0.2,
                                                0.175, 0.125, 0.07, 0.03};  ///< that each stands for
constexpr double freedom = 3;       ///< of Student's t about the place that is usual: a stated adult size may be wrong
constexpr double too_small = 1e-4;  ///< chance of maturity below which an instar is no candidate
constexpr double known_place_sd = 0.15;  ///< of a about recorded maturities, where no adult leg span is known

constexpr std::size_t n_settings = spreads.size() * recorded.size();

/// A size with the variance of its error, on the log scale.
struct Size {
  double mean = 0, variance = 0;
};

/// F at a size known with error: the spreads add up.
double mature_by(const Size& size, double place, double spread) {
  const double scale = std::sqrt(spread * spread + 3 * size.variance / (pi * pi));
  return numeric::logistic((size.mean - place) / scale);
}

double place_at(double middle, int j) { return middle + place_step * (j - n_places / 2); }

/// Chances to be of a sex that stops at maturity, and of one of which that is not known.
struct Sexes {
  double stops = 0, unknown = 0;
};

Sexes sexes_of(const Animal& animal, double male_chance) {
  Sexes sexes;
  for (const auto& [male, chance] : {std::pair{1.0, male_chance}, std::pair{0.0, 1 - male_chance}}) {
    const AfterMaturity rule = after_maturity_of(animal, male);
    if (rule == AfterMaturity::stops) sexes.stops += chance;
    if (rule == AfterMaturity::unknown) sexes.unknown += chance;
  }
  return sexes;
}

double with_odd_stadia(double survival) {
  const double odd = husbandry().odd_stadia;
  return odd + (1 - odd) * std::clamp(survival, 0.0, 1.0);
}

}  // namespace

/// What one animal shows of maturity.
struct LastMolts::Case {
  int animal = -1;
  bool marked = false;  ///< matured on record, of a sex that stops
  bool ended = false;   ///< marked and its record has ended: those that ended unmarked are not counted either
  double stops = 0, survival = 1;
  Size before, now;

  /// Likelihood of having matured into this instar, and of all.
  std::pair<double, double> parts(double place, double spread, double noted) const {
    const double now_mature = mature_by(now, place, spread);
    const double here = std::max(0.0, now_mature - mature_by(before, place, spread));
    if (marked) return {(ended ? 1 : noted) * here, (ended ? 1 : noted) * here};
    const double last = stops * (1 - noted) * here;
    return {last, last + (stops * (1 - now_mature) + 1 - stops) * survival};
  }
};

/// Animals that share one place of maturity.
struct LastMolts::Group {
  double middle = 0;     ///< of the places looked at
  bool relative = true;  ///< sizes are shares of the adult leg span
  int n_marked = 0;
  std::vector<Case> cases;
  std::vector<std::array<double, n_settings>> log_likelihood, weight;  ///< one a place

  void weigh_cases();
  /// Log prior of each place, the middle of all kinds given.
  std::vector<double> log_prior(double of_all) const;
};

void LastMolts::Group::weigh_cases() {
  log_likelihood.assign(n_places, {});
  for (int j = 0; j < n_places; ++j)
    for (std::size_t k = 0; k < n_settings; ++k) {
      double& sum = log_likelihood[j][k];
      for (const Case& c : cases)
        sum += std::log(std::max(
            c.parts(place_at(middle, j), spreads[k / recorded.size()], recorded[k % recorded.size()]).second, 1e-12));
    }
}

std::vector<double> LastMolts::Group::log_prior(double of_all) const {
  const double center = relative ? of_all : middle,
               sd = relative ? husbandry().matures_at_taxon_log_sd : known_place_sd;
  std::vector<double> terms;
  for (int j = 0; j < n_places; ++j) {
    const double z = (place_at(middle, j) - center) / sd;
    terms.push_back(-0.5 * (freedom + 1) * std::log1p(z * z / freedom));
  }
  const double total = numeric::log_sum_exp(terms);
  for (double& term : terms) term -= total;
  return terms;
}

/// Gathers the cases, integrates, and hands out chances.
class LastMolts::Fit {
 public:
  Fit(const CollectionFit& fit, const std::function<double(int)>& survival, LastMolts& result)
      : fit_(fit), survival_(survival), result_(result) {
    for (std::size_t i = 0; i < fit_.animals.size(); ++i) note_maturity(static_cast<int>(i));
    for (std::size_t i = 0; i < fit_.animals.size(); ++i) place(static_cast<int>(i));
    integrate();
    for (const auto& [key, group] : groups_) answer(group);
  }

 private:
  const Animal& animal(int i) const { return fit_.animal(i).record(); }
  const AnimalHistory& history(int i) const { return fit_.animal(i).history(); }
  Size size(int i, std::size_t instar) const {
    const InstarSize& s = fit_.animal(i).inputs().sizes[instar];
    return {s.mean, s.variance};
  }
  bool is_marked(int i) const {
    return history(i).molts_no_more && !fit_.animal(i).inputs().never_measured;
  }
  void note_maturity(int i);
  void place(int i);
  void place_matured(int i, const Sexes& sexes);
  Case make_case(int i, const Sexes& sexes, double adult) const;
  void integrate();
  void answer(const Group& group);

  const CollectionFit& fit_;
  const std::function<double(int)>& survival_;
  LastMolts& result_;
  std::map<std::string, std::pair<double, int>> matured_sizes_;  ///< sums by taxon
  std::map<std::pair<std::string, bool>, Group> groups_;         ///< by taxon and whether its adult leg span is known
};

/// Sizes of recorded maturities: without an adult leg span they tell where maturity lies.
void LastMolts::Fit::note_maturity(int i) {
  if (!is_marked(i)) return;
  auto& sum = matured_sizes_[animal(i).taxon];
  sum.first += size(i, static_cast<std::size_t>(history(i).matured_molt) + 1).mean;
  ++sum.second;
}

/// Matured on record, but not of a sex that is known to stop.
void LastMolts::Fit::place_matured(int i, const Sexes& sexes) {
  double& chance = result_.chances_[i];
  if (sexes.unknown > 0) return;
  if (history(i).matured_molt + 1 < static_cast<int>(history(i).molts.size()) || sexes.stops == 0)
    chance = 0;
  else
    chance = sexes.stops / (sexes.stops + (1 - sexes.stops) * with_odd_stadia(survival_(i)));
}

LastMolts::Case LastMolts::Fit::make_case(int i, const Sexes& sexes, double adult) const {
  Case c;
  c.animal = i;
  c.marked = is_marked(i);
  c.ended = history(i).state != AnimalState::alive;
  c.stops = sexes.stops;
  const std::size_t now = c.marked ? static_cast<std::size_t>(history(i).matured_molt) + 1
                                   : fit_.animal(i).inputs().sizes.size() - 1;
  c.now = size(i, now);
  c.now.mean -= adult;
  if (now > 0) {
    c.before = size(i, now - 1);
    c.before.mean -= adult;
  } else {
    c.before = {c.now.mean - std::log(husbandry().growth_ratio),
                c.now.variance + std::pow(husbandry().growth_log_sd, 2)};
  }
  return c;
}

void LastMolts::Fit::place(int i) {
  const Animal& a = animal(i);
  const AnimalHistory& h = history(i);
  double& chance = result_.chances_[i];
  if (a.set_aside || !h.recorded) return;
  if (h.molts_no_more) chance = 1;
  const AnimalInputs& inputs = fit_.animal(i).inputs();
  if (!h.molts_no_more && inputs.running_row < 0 && inputs.probe < 0) return;  // gone, or not there yet
  const Sexes sexes = sexes_of(a, h.male_chance);
  if (h.matured && !h.molts_no_more) return place_matured(i, sexes);
  if (!h.matured && sexes.unknown == 0 && sexes.stops == 0) chance = 0;
  if (sexes.unknown > 0 || sexes.stops == 0 || inputs.never_measured) return;
  const bool relative = std::isfinite(a.adult_leg_span_mm);
  const auto matured = matured_sizes_.find(a.taxon);
  if (!relative && matured == matured_sizes_.end()) return;
  Group& group = groups_[{a.taxon, relative}];
  group.relative = relative;
  group.middle = relative ? std::log(husbandry().matures_at)
                          : matured->second.first / matured->second.second - 0.5 * std::log(husbandry().growth_ratio);
  Case c = make_case(i, sexes, relative ? std::log(a.adult_leg_span_mm / 20) : 0);
  group.n_marked += c.marked;
  if (!c.marked && mature_by(c.now, place_at(group.middle, 0), spreads.back()) < too_small) {
    chance = 0;
    return;
  }
  if (!c.marked) c.survival = with_odd_stadia(survival_(i));
  group.cases.push_back(c);
}

/// Weights of the places and settings of each group; the middle of all kinds and the settings are shared.
void LastMolts::Fit::integrate() {
  std::array<std::vector<double>, n_middles> of_all;  // log posterior of a middle and the settings
  const auto setting_prior = [](std::size_t k) {
    const std::size_t s = k / recorded.size();
    return std::log(spread_widths[s] * recorded_widths[k % recorded.size()]) -
           0.5 * std::pow(spreads[s] / husbandry().maturity_spread, 2) +
           husbandry().maturity_recorded_weight * std::log(recorded[k % recorded.size()]);
  };
  const auto middle_z = [](int m) { return 0.9 * (m - n_middles / 2); };
  const auto middle_at = [&](int m) {
    return std::log(husbandry().matures_at) + middle_z(m) * husbandry().matures_at_log_sd;
  };
  const auto evidence = [](const Group& group, const std::vector<double>& prior, std::size_t k) {
    std::vector<double> terms;
    for (int j = 0; j < n_places; ++j)
      terms.push_back(prior[j] + group.log_likelihood[j][k]);
    return numeric::log_sum_exp(terms);
  };
  for (auto& [key, group] : groups_) group.weigh_cases();
  std::vector<double> all;
  for (int m = 0; m < n_middles; ++m) {
    auto& terms = of_all[m];
    for (std::size_t k = 0; k < n_settings; ++k) terms.push_back(-0.5 * middle_z(m) * middle_z(m) + setting_prior(k));
    for (const auto& [key, group] : groups_) {
      const auto prior = group.log_prior(middle_at(m));
      for (std::size_t k = 0; k < n_settings; ++k) terms[k] += evidence(group, prior, k);
    }
    all.insert(all.end(), terms.begin(), terms.end());
  }
  const double total = numeric::log_sum_exp(all);
  for (auto& [key, group] : groups_) {
    group.weight.assign(n_places, {});
    for (int m = 0; m < n_middles; ++m) {
      const auto prior = group.log_prior(middle_at(m));
      for (std::size_t k = 0; k < n_settings; ++k) {
        const double rest = of_all[m][k] - total - evidence(group, prior, k);
        for (std::size_t j = 0; j < n_places; ++j)
          group.weight[j][k] += std::exp(rest + prior[j] + group.log_likelihood[j][k]);
      }
    }
  }
}

void LastMolts::Fit::answer(const Group& group) {
  for (const Case& c : group.cases) {
    if (c.marked) continue;
    double chance = 0;
    for (int j = 0; j < n_places; ++j)
      for (std::size_t k = 0; k < n_settings; ++k) {
        const auto [last, all] =
            c.parts(place_at(group.middle, j), spreads[k / recorded.size()], recorded[k % recorded.size()]);
        chance += group.weight[j][k] * last / std::max(all, 1e-300);
      }
    const auto i = static_cast<std::size_t>(c.animal);
    result_.chances_[i] = std::clamp(chance, 0.0, 1.0);
    const int percent = static_cast<int>(std::lround(100 * std::exp(c.now.mean)));
    result_.basis_[i] =
        "whether it has molted for the last time is judged by sex, size" +
        (group.relative ? " (" + std::to_string(percent) + " % of the adult leg span)" : std::string()) +
        " and the time since; " +
        (group.n_marked > 0 ? "learned from " + std::to_string(group.n_marked) + " recorded maturit" +
                                  (group.n_marked == 1 ? "y" : "ies") + " of its kind"
                            : "where its kind matures is an assumption");
  }
}

LastMolts::LastMolts(const CollectionFit& fit, const std::function<double(int)>& survival)
    : chances_(fit.animals.size(), unknown_number), basis_(fit.animals.size()) {
  Fit(fit, survival, *this);
}

double LastMolts::chance_given(int animal, double survival, double if_last) const {
  const double p = chance(animal), lasts = std::clamp(survival, 0.0, 1.0), with_odd = with_odd_stadia(lasts);
  if (!(p > 0 && p < 1)) return p;
  const double last = p * with_odd * if_last, molts_on = (1 - p) * (lasts + (with_odd - lasts) * if_last);
  return last / (last + molts_on);
}

std::string LastMolts::basis(int animal) const { return basis_[animal]; }

}  // namespace moltspan
