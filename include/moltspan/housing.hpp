#pragma once

/// @file
/// Enclosures and the plan of rehousing.

#include "moltspan/forecast.hpp"
#include "moltspan/housing/housing.hpp"
