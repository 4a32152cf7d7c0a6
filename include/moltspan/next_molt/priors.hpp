#pragma once

namespace moltspan {

/// Size at which a stadium's length stands in priors and results.
inline constexpr double reference_leg_span_mm = 20;

/// Mean and standard deviation of a normal prior.
struct NormalPrior {
  double mean = 0, sd = 1;
};

/// Priors of the length of stadia: `log T (days) = log_days + size_exponent log(leg span / 20 mm) + u_animal + sigma W`. The
/// values are those of shared/priors.toml (`Intercept`, `log_size`, `sigma`, `animal_sd`), which has their reasons; a test
/// holds them together.
struct StadiumPriors {
  NormalPrior log_days{3.688879454113936, 0.8};
  NormalPrior size_exponent{0.8, 0.3};
  double sigma = 0.35;      ///< sd of a half-normal
  double animal_sd = 0.25;  ///< likewise
};

}  // namespace moltspan
