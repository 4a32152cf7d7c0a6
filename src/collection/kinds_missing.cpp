#include <algorithm>
#include <cmath>
#include <map>

#include "collection/kinds.hpp"
#include "facts/husbandry.hpp"
#include "intervals/model.hpp"
#include "moltspan/collection/kinds_missing.hpp"

namespace moltspan {
namespace {

constexpr double sigma = 0.2;          ///< usual spread of one animal's log lengths (shared/priors.toml, sigma)
constexpr double room_sd_c = 3;        ///< of a temperature that nobody stated (assumption)
constexpr double stated_adult_sd = 0.1, growth_sd = 0.12;  ///< log sds of sizes some molts ahead (assumption)

double square(double x) { return x * x; }

/// Variance that is left of a prior one after n records of this variance.
double left(double prior, double n, double of_record) { return prior / (1 + n * prior / of_record); }

struct Sds {
  double intercept = 0, animal = 0, exponent = 0, warmth = 0;
};

const Sds& prior_sds() {
  static const Sds sds = [] {
    return Sds{default_prior(CoefficientRole::intercept).sd, PriorTable({}, std::vector<Coefficient>()).of(sd_name(Level::animal)).sd,
               default_prior(CoefficientRole::log_size).mean, std::abs(default_prior(CoefficientRole::warmth_c).mean)};
  }();
  return sds;
}

/// Variances of log days to the next molt of one animal, by what they come from.
struct Variances {
  double kind = 0, kind_if_stated = 0, size = 0, warmth = 0, rest = 0;
  double total() const { return kind + size + warmth + rest; }
};

class Searcher {
 public:
  Searcher(const Collection& collection, const StadiaTable& table) : collection_(collection), table_(table) {
    own_.resize(collection.animals.size());
    for (const Stadium& s : table.stadia) {
      if (!s.end) continue;
      ++own_[s.animal];
      ++of_taxon_[collection.animals[s.animal].taxon];
    }
  }

  std::vector<MissingFact> found() {
    for (std::size_t i = 0; i < collection_.animals.size(); ++i)
      if (wanted(i)) look_at(i);
    std::vector<MissingFact> list;
    for (auto& [key, fact] : facts_) {
      fact.narrower /= fact.animals;
      list.push_back(fact);
    }
    std::stable_sort(list.begin(), list.end(), [](const MissingFact& a, const MissingFact& b) {
      return a.animals * a.narrower > b.animals * b.narrower;
    });
    return list;
  }

 private:
  bool wanted(std::size_t i) const {
    const AnimalHistory& history = table_.animals[i];
    return !collection_.animals[i].set_aside && history.state == AnimalState::alive && !history.molts_no_more;
  }

  Variances variances(std::size_t i, const KindFacts& facts) const {
    const Sds& sds = prior_sds();
    const auto of_kind = of_taxon_.find(collection_.animals[i].taxon);
    const double own = own_[i], kin = of_kind == of_taxon_.end() ? 0 : of_kind->second;
    const double record = square(sigma) + square(sds.animal);
    const double of_group = facts.stadium_days.known() ? facts.stadium_days.log_sd : sds.intercept;
    Variances v;
    v.kind = left(square(of_group), kin, record);
    v.kind_if_stated = left(square(stated_group_sd), kin, record);
    if (table_.animals[i].sizes.empty())
      v.size = left(square(sds.exponent * husbandry().unknown_size_log_sd), own, square(sigma));
    if (!std::isfinite(table_.animals[i].temperature_c))
      v.warmth = left(square(sds.warmth * room_sd_c), own, square(sigma));
    v.rest = square(sigma) + left(square(sds.animal), own, square(sigma));
    return v;
  }

  void note(MissingFact::What what, const std::string& of, double narrower) {
    if (!(narrower > 0.005)) return;
    MissingFact& fact = facts_[{static_cast<int>(what), of}];
    fact.what = what;
    fact.of = of;
    ++fact.animals;
    fact.narrower += narrower;
  }

  void look_at(std::size_t i) {
    const Animal& animal = collection_.animals[i];
    const KindFacts facts = facts_of(animal);
    const Variances v = variances(i, facts);
    const auto without = [&](double part, double instead) {
      return 1 - std::sqrt((v.total() - part + instead) / v.total());
    };
    const std::string& kind = animal.taxon.empty() ? animal.id : animal.taxon;
    if (facts.group.empty()) note(MissingFact::What::group, kind, without(v.kind, v.kind_if_stated));
    if (v.size > 0) note(MissingFact::What::size, kind, without(v.size, 0));
    if (v.warmth > 0) note(MissingFact::What::temperature, "", without(v.warmth, 0));
    look_at_adult(i, kind);
  }

  /// Sizes to come: the nearer an animal is to a usual adult size, the more that size matters.
  void look_at_adult(std::size_t i, const std::string& kind) {
    const AnimalHistory& history = table_.animals[i];
    if (history.sizes.empty() || history.matured) return;
    const SizeReading& last = history.sizes.back();
    const KindNumber adult = adult_size_prior(collection_.animals[i], last.measure).of(history.male_chance);
    if (adult.known() && adult.log_sd <= 0.2) return;
    const double usual_sd = adult.known() ? adult.log_sd : unknown_adult_sd;
    const double nearness = adult.known() ? std::clamp(last.value / adult.value, 0.0, 1.0) : 0.5;
    const double before = square(usual_sd) + square(growth_sd), after = square(stated_adult_sd) + square(growth_sd);
    note(MissingFact::What::adult_size, kind, nearness * (1 - std::sqrt(after / before)));
  }

  static constexpr double stated_group_sd = 0.5;   ///< usual log sd of the facts of a group
  static constexpr double unknown_adult_sd = 0.5;  ///< of an adult size of which nothing is known (assumption)

  const Collection& collection_;
  const StadiaTable& table_;
  std::vector<int> own_;
  std::map<std::string, int> of_taxon_;
  std::map<std::pair<int, std::string>, MissingFact> facts_;
};

}  // namespace

std::vector<MissingFact> missing_facts(const Collection& collection, const StadiaTable& table) {
  return Searcher(collection, table).found();
}

}  // namespace moltspan
