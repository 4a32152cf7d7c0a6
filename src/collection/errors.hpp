#pragma once

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// What is not known of the covariates of a record, into its variance: exponent^2 x the start size's own variance, and
/// the temperature of a stadium in which nobody measured it; whether it is the last instar (`last_instar`: that coefficient); into that of
/// animals that were never measured.
void weigh_covariate_errors(CollectionFit& fit, double exponent, double warmth, double last_instar = 1);

}  // namespace moltspan
