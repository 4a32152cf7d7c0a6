#pragma once

namespace moltspan {

/// A number by stage of size, in days.
struct DaysByStage {
  double under_25_mm = 0, under_50_mm = 0, juvenile = 0, adult = 0, giant = 0;
};

/// Numbers of shared/husbandry.toml.
struct Husbandry {
  double adult_share = 0, giant_mm = 0, adult_mm = 0;
  DaysByStage feeding_wait, hardening, premolt_lead;
  double hardening_share = 0, feeding_wait_share = 0;  ///< of a stadium, in kinds with facts of their own
  double leg_span_sd = 0, leg_span_bias = 0, body_length_sd = 0, carapace_sd = 0, mass_sd = 0;
  double leg_span_per_carapace_length = 0, leg_span_per_body_length = 0, carapace_length_per_width = 0;
  double leg_span_mm_per_cube_root_g = 0, growth_ratio = 0, growth_log_sd = 0, unknown_size_log_sd = 0, instar_size_log_sd = 0;
  double adult_ratio = 0, adult_log_sd = 0;  ///< of a molt of a grown animal, from shared/housing.toml
  double reading_sd_spread = 0, measure_ratio_log_sd = 0, measure_ratio_taxon_log_sd = 0, mature_male_leg_step = 0,
         mature_male_leg_step_sd = 0;
  double adult_stated_log_sd = 0, adult_tarantula_mm = 0, adult_tarantula_log_sd = 0, adult_beyond_biggest = 0,
         adult_beyond_biggest_sd = 0;
  double matures_at = 0, matures_at_log_sd = 0, matures_at_taxon_log_sd = 0, maturity_recorded_weight = 0,
         maturity_spread = 0, odd_stadia = 0;
  double mature_male_fast_months = 0, mature_male_medium_months = 0, mature_male_slow_months = 0,
         mature_male_median_log_sd = 0;
  double skin_sexing_mm = 0, skin_sexing_log_sd = 0;
};

const Husbandry& husbandry();

/// The days for an animal of this leg span; `adult_leg_span_mm` NaN where not known.
double days_by_stage(const DaysByStage& days, double leg_span_mm, double adult_leg_span_mm, bool matured);

}  // namespace moltspan
