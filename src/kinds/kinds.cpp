#include "moltspan/kinds/kinds.hpp"

#include <toml++/toml.h>

#include <cassert>
#include <cmath>
#include <map>

#include "facts/embedded_tables.hpp"
#include "base/words.hpp"

namespace moltspan {
namespace {

constexpr double ratio_log_sd = 0.15;  ///< of a usual ratio of two measures (assumption)

SizeMeasure measure_of(std::string_view name) {
  for (int k = 0; k < 5; ++k)
    if (measure_name(static_cast<SizeMeasure>(k)) == name) return static_cast<SizeMeasure>(k);
  assert(false && "shared/kind_facts.toml: measure");
  return SizeMeasure::leg_span;
}

void read_number(const toml::table& row, std::string_view name, KindNumber& number) {
  const toml::table* entry = row[name].as_table();
  if (!entry) return;
  number = {(*entry)["value"].value<double>().value(), (*entry)["log_sd"].value<double>().value(),
            (*entry)["status"].value<std::string>().value()};
}

/// Writes what a row says over `facts`.
void read_row(const toml::table& row, KindFacts& facts) {
  facts.name = row["of"].value<std::string>().value();
  if (const auto measure = row["measure"].value<std::string>()) facts.measure = measure_of(*measure);
  if (const auto measure = row["box_measure"].value<std::string>()) facts.box_measure = measure_of(*measure);
  if (const toml::table* sizes = row["reference"].as_table())
    for (int k = 0; k < 5; ++k)
      if (const auto size = (*sizes)[measure_name(static_cast<SizeMeasure>(k))].value<double>())
        facts.reference[k] = *size;
  read_number(row, "stadium_days", facts.stadium_days);
  if (const auto at = row["stadium_days"]["at_c"].value<double>()) facts.stadium_c = *at;
  read_number(row, "exponent", facts.exponent);
  read_number(row, "growth_ratio", facts.growth_ratio);
  read_number(row, "adult_female", facts.adult_female);
  read_number(row, "adult_male", facts.adult_male);
  read_number(row, "instars_female", facts.instars_female);
  read_number(row, "instars_male", facts.instars_male);
  read_number(row, "last_instar", facts.last_instar);
  read_number(row, "premolt_share", facts.premolt_share);
}

/// A kind's own reference in one measure moves the others along: they are of one animal.
void scale_reference(const KindFacts& group, KindFacts& kind) {
  const auto own = static_cast<std::size_t>(kind.measure);
  const double by = kind.reference[own] / group.reference[own];
  if (!(by > 0)) return;
  for (std::size_t k = 0; k < 5; ++k)
    if (k != own && kind.reference[k] == group.reference[k])
      kind.reference[k] *= k == static_cast<std::size_t>(SizeMeasure::mass) ? by * by * by : by;
}

class FactTable {
 public:
  explicit FactTable(std::string_view text) {
    const toml::table parsed = toml::parse(text);
    for (const toml::node& node : *parsed["group"].as_array()) add_group(*node.as_table());
    for (const toml::node& node : *parsed["kind"].as_array()) add_kind(*node.as_table());
  }

  /// The facts of a kind, or those of its group.
  KindFacts find(const Kind& kind, std::string_view taxon) const {
    const std::string text = in_small_letters(taxon);
    const std::string genus = text.substr(0, text.find(' '));
    for (const std::string& name : {text, genus}) {
      const auto found = taxa_.find(name);
      if (found != taxa_.end() && all_[found->second].group == kind.group) return all_[found->second];
    }
    const auto group = groups_.find(kind.group);
    return group == groups_.end() ? KindFacts{} : all_[group->second];
  }

  const std::vector<KindFacts>& all() const { return all_; }

 private:
  void add_group(const toml::table& row) {
    KindFacts facts;
    read_row(row, facts);
    facts.group = facts.name;
    const Kind& kind = kind_of({}, facts.group);
    assert(kind.group == facts.group && "shared/kind_facts.toml: group");
    facts.is_tarantula = kind.is_tarantula;
    facts.female = kind.female;
    facts.male = kind.male;
    groups_.emplace(facts.group, all_.size());
    all_.push_back(std::move(facts));
  }

  void add_kind(const toml::table& row) {
    const KindFacts& group = all_[groups_.at(row["group"].value<std::string>().value())];
    KindFacts facts = group;
    read_row(row, facts);
    scale_reference(group, facts);
    for (const toml::node& taxon : *row["taxa"].as_array())
      taxa_.emplace(in_small_letters(taxon.value<std::string>().value()), all_.size());
    all_.push_back(std::move(facts));
  }

  std::vector<KindFacts> all_;
  std::map<std::string, std::size_t, std::less<>> groups_, taxa_;
};

const FactTable& fact_table() {
  static const FactTable table(embedded_table("kind_facts"));
  return table;
}

void set_stated(KindNumber& number, double value, double log_sd) {
  if (value > 0) number = {value, log_sd, std::string(stated_in_records)};
}

/// A stated measure turns the numbers of another one over to it, as far as the group's ratio of the two is known.
void change_measure(KindFacts& facts, SizeMeasure measure) {
  const double ratio = log_measure_ratio(facts, measure, facts.measure);
  const bool cubes = measure == SizeMeasure::mass || facts.measure == SizeMeasure::mass;
  for (KindNumber* adult : {&facts.adult_female, &facts.adult_male}) {
    if (!adult->known()) continue;
    if (!std::isfinite(ratio) || cubes)
      *adult = {};
    else
      *adult = {adult->value * std::exp(ratio), std::hypot(adult->log_sd, ratio_log_sd), adult->status};
  }
  facts.measure = measure;
}

void add_stated(const StatedFacts& own, KindFacts& facts) {
  if (own.measure >= 0 && own.measure != static_cast<int>(facts.measure))
    change_measure(facts, static_cast<SizeMeasure>(own.measure));
  set_stated(facts.adult_female, own.adult_female, 0.10);
  set_stated(facts.adult_male, own.adult_male, 0.10);
  set_stated(facts.growth_ratio, own.growth_ratio, 0.05);
  set_stated(facts.premolt_share, own.premolt_share, 0.3);
  set_stated(facts.stadium_days, own.stadium_days, 0.3);
  if (!(own.stadium_days > 0)) return;
  if (std::isnan(facts.stadium_c)) facts.stadium_c = 25;
  if (own.stadium_at > 0) {
    const KindFacts before = facts;
    facts.reference[static_cast<std::size_t>(facts.measure)] = own.stadium_at;
    scale_reference(before, facts);
  }
}

double linear(double size, SizeMeasure measure) { return measure == SizeMeasure::mass ? std::cbrt(size) : size; }

/// A grown size in another measure than it is known in.
KindNumber converted(const KindFacts& facts, KindNumber adult, SizeMeasure measure) {
  if (!adult.known() || measure == facts.measure) return adult;
  const double ratio = log_measure_ratio(facts, measure, facts.measure);
  if (!std::isfinite(ratio)) return {};
  const double size = linear(adult.value, facts.measure) * std::exp(ratio);
  const bool mass = measure == SizeMeasure::mass, from_mass = facts.measure == SizeMeasure::mass;
  const double log_sd = std::hypot(adult.log_sd / (from_mass ? 3 : 1), ratio_log_sd);
  return {mass ? size * size * size : size, mass ? 3 * log_sd : log_sd, adult.status};
}

}  // namespace

double log_measure_ratio(const KindFacts& facts, SizeMeasure of, SizeMeasure over) {
  if (of == over) return 0;
  const auto size = [&](SizeMeasure m) { return linear(facts.reference[static_cast<std::size_t>(m)], m); };
  return std::log(size(of) / size(over));
}

KindFacts facts_of(const Animal& animal) {
  const Kind& kind = kind_of(animal);
  KindFacts facts = fact_table().find(kind, animal.taxon.empty() ? animal.genus : animal.taxon);
  facts.group = kind.group;
  facts.is_tarantula = kind.is_tarantula;
  const auto rule = [](AfterMaturity own, AfterMaturity of_kind) {
    return own == AfterMaturity::unknown ? of_kind : own;
  };
  facts.female = rule(animal.after_maturity_female, kind.female);
  facts.male = rule(animal.after_maturity_male, kind.male);
  add_stated(animal.stated, facts);
  return facts;
}

const std::vector<KindFacts>& shipped_kind_facts() { return fact_table().all(); }

AdultSize adult_size_prior(const Animal& animal, SizeMeasure measure) {
  const KindFacts facts = facts_of(animal);
  AdultSize size{converted(facts, facts.adult_female, measure), converted(facts, facts.adult_male, measure)};
  const bool stated = animal.stated.adult_female > 0 || animal.stated.adult_male > 0;
  if (!(animal.adult_leg_span_mm > 0) || (stated && measure != SizeMeasure::leg_span)) return size;
  KindFacts by_leg_span = facts;
  by_leg_span.measure = SizeMeasure::leg_span;
  const KindNumber adult =
      converted(by_leg_span, {animal.adult_leg_span_mm, 0.10, std::string(stated_in_records)}, measure);
  if (adult.known()) size = {adult, adult};
  return size;
}

KindNumber AdultSize::of(double male_chance) const {
  if (male_chance >= 1 || !female.known()) return male;
  if (male_chance <= 0 || !male.known()) return female;
  const double f = std::log(female.value), m = std::log(male.value), p = male_chance;
  const double within = (1 - p) * female.log_sd * female.log_sd + p * male.log_sd * male.log_sd;
  return {std::exp((1 - p) * f + p * m), std::sqrt(within + p * (1 - p) * (f - m) * (f - m)),
          female.status == male.status ? female.status : female.status + "; " + male.status};
}

}  // namespace moltspan
