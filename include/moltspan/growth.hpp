#pragma once

/// @file
/// Sizes from molt to molt.

#include "moltspan/growth/bayes.hpp"
#include "moltspan/growth/growth.hpp"
#include "moltspan/growth/latent.hpp"
#include "moltspan/growth/lines.hpp"
