#pragma once

/// @file
/// Turnbull's estimate, survival, comparisons.

#include "moltspan/nonparametric/nonparametric.hpp"
