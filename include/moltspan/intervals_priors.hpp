#pragma once

#include "moltspan/intervals.hpp"

namespace moltspan {

/// Priors of everything that a fit estimated, in the order coefficients, sigma, sds of its levels and learned ones: the defaults of
/// shared/priors.toml where the fit was given no other. Empty for maximum likelihood, which uses none.
Priors priors_used(const StadiaFit& fit);

}  // namespace moltspan
