#include "facts/husbandry.hpp"

#include <toml++/toml.h>

#include <cmath>

#include "facts/embedded_tables.hpp"

namespace moltspan {
namespace {

double number(const toml::table& table, const char* section, const char* name) {
  return table[section][name].value<double>().value();
}

DaysByStage stages(const toml::table& t, const char* section) {
  return {number(t, section, "under_25_mm"), number(t, section, "under_50_mm"), number(t, section, "juvenile"),
          number(t, section, "adult"), number(t, section, "giant")};
}

/// What is said of grown animals: last molts, mature males, skins.
void read_maturity(const toml::table& t, Husbandry& h) {
  h.matures_at = number(t, "last_molt", "matures_at");
  h.matures_at_log_sd = number(t, "last_molt", "matures_at_log_sd");
  h.matures_at_taxon_log_sd = number(t, "last_molt", "taxon_log_sd");
  h.maturity_recorded_weight = number(t, "last_molt", "recorded_weight");
  h.maturity_spread = number(t, "last_molt", "spread");
  h.odd_stadia = number(t, "last_molt", "odd_stadia");
  h.mature_male_fast_months = number(t, "mature_male", "fast_months");
  h.mature_male_medium_months = number(t, "mature_male", "medium_months");
  h.mature_male_slow_months = number(t, "mature_male", "slow_months");
  h.mature_male_median_log_sd = number(t, "mature_male", "median_log_sd");
  h.skin_sexing_mm = number(t, "skin_sexing", "leg_span_mm");
  h.skin_sexing_log_sd = number(t, "skin_sexing", "log_sd");
}

Husbandry read_husbandry() {
  const toml::table t = toml::parse(embedded_table("husbandry"));
  Husbandry h;
  h.adult_share = number(t, "stage", "adult_share");
  h.giant_mm = number(t, "stage", "giant_mm");
  h.adult_mm = number(t, "stage", "adult_mm");
  h.feeding_wait = stages(t, "feeding_wait_days");
  h.hardening = stages(t, "hardening_days");
  h.premolt_lead = stages(t, "premolt_lead_days");
  h.hardening_share = number(t, "share_of_stadium", "hardening");
  h.feeding_wait_share = number(t, "share_of_stadium", "feeding_wait");
  const auto size = [&](const char* name) { return number(t, "size_reading", name); };
  h.leg_span_sd = size("leg_span_sd");
  h.leg_span_bias = size("leg_span_bias");
  h.body_length_sd = size("body_length_sd");
  h.carapace_sd = size("carapace_sd");
  h.mass_sd = size("mass_sd");
  h.leg_span_per_carapace_length = size("leg_span_per_carapace_length");
  h.leg_span_per_body_length = size("leg_span_per_body_length");
  h.carapace_length_per_width = size("carapace_length_per_width");
  h.leg_span_mm_per_cube_root_g = size("leg_span_mm_per_cube_root_g");
  h.growth_ratio = size("growth_ratio");
  h.growth_log_sd = size("growth_log_sd");
  h.unknown_size_log_sd = size("unknown_size_log_sd");
  h.instar_size_log_sd = size("instar_size_log_sd");
  const toml::table housing = toml::parse(embedded_table("housing"));
  h.adult_ratio = housing["growth"]["adult_ratio"]["value"].value<double>().value();
  h.adult_log_sd = housing["growth"]["adult_log_sd"]["value"].value<double>().value();
  h.reading_sd_spread = size("reading_sd_spread");
  h.measure_ratio_log_sd = size("measure_ratio_log_sd");
  h.measure_ratio_taxon_log_sd = size("measure_ratio_taxon_log_sd");
  h.mature_male_leg_step = size("mature_male_leg_step");
  h.mature_male_leg_step_sd = size("mature_male_leg_step_sd");
  const auto adult = [&](const char* name) { return number(t, "adult_size", name); };
  h.adult_stated_log_sd = adult("stated_log_sd");
  h.adult_tarantula_mm = adult("tarantula_mm");
  h.adult_tarantula_log_sd = adult("tarantula_log_sd");
  h.adult_beyond_biggest = adult("beyond_biggest");
  h.adult_beyond_biggest_sd = adult("beyond_biggest_sd");
  read_maturity(t, h);
  return h;
}

}  // namespace

const Husbandry& husbandry() {
  static const Husbandry numbers = read_husbandry();
  return numbers;
}

double days_by_stage(const DaysByStage& days, double leg_span_mm, double adult_leg_span_mm, bool matured) {
  const Husbandry& h = husbandry();
  const bool known = std::isfinite(adult_leg_span_mm);
  const bool adult = matured || leg_span_mm > (known ? h.adult_share * adult_leg_span_mm : h.adult_mm);
  if (adult && (known ? adult_leg_span_mm : leg_span_mm) > h.giant_mm) return days.giant;
  if (adult && leg_span_mm >= 50) return days.adult;
  if (leg_span_mm < 25) return days.under_25_mm;
  return leg_span_mm < 50 ? days.under_50_mm : days.juvenile;
}

}  // namespace moltspan
