#pragma once

/// @file
/// The next molt from dates and sizes alone.

#include "moltspan/next_molt/length_fit.hpp"
#include "moltspan/next_molt/next_molt.hpp"
#include "moltspan/next_molt/priors.hpp"
