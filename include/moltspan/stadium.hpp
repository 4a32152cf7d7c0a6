#pragma once

/// @file
/// What is known of a stadium, as a term of a likelihood and as a predictive distribution.

#include "moltspan/stadium/bounds.hpp"
#include "moltspan/stadium/gap.hpp"
#include "moltspan/stadium/predictive.hpp"
#include "moltspan/stadium/random_moment.hpp"
#include "moltspan/stadium/term.hpp"
