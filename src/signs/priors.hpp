#pragma once

#include <array>

#include "moltspan/signs/signs.hpp"

namespace moltspan {

/// Normal prior of one parameter on the scale it is fitted on: logit q, log rate, log lag, log spread, exponent.
struct SignPrior {
  double mean = 0, sd = 1;
};

inline constexpr int n_sign_parameters = 5;

/// What shared/priors.toml says of one sign.
struct SignRules {
  std::array<SignPrior, n_sign_parameters> priors;
  bool meal_ends = false;
  double after_mating = 1, bald_patch_alarms = 1;
};

struct SignSettings {
  double shared = 0, weakened = 1;
  int enough_shown = 3;
  double no_alarms = 0.5;
};

const SignRules& sign_rules(Sign sign);
const SignSettings& sign_settings();

}  // namespace moltspan
