#pragma once

#include "moltspan/intervals/intervals.hpp"

namespace moltspan {

/// Priors of everything that a fit estimated, in the order coefficients, sigma, sds of its levels and learned ones: the defaults of
/// shared/priors.toml where the fit was given no other. Empty for maximum likelihood, which uses none.
Priors priors_used(const StadiaFit& fit);

/// The posterior of a fit as priors of another: normal with mean and sd of the coefficients that a collection's records hold (shared/priors.toml;
/// no instars, no columns of the user's own), half-normal with the posterior's mean square of sigma and the sds of levels. Every
/// sd is divided by sqrt(weight). The Intercept of a fit with `kind_pace` is left out, as a stated one would stand for that of
/// every kind. Empty for maximum likelihood. Throws std::invalid_argument for a weight that does not lie above 0 and up to 1.
Priors posterior_as_priors(const StadiaFit& fit, double weight = 1);

}  // namespace moltspan
