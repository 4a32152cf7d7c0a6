#pragma once

/// @file
/// The next molt of each animal, and what it is in on a day.

#include "moltspan/collection.hpp"
#include "moltspan/verdict/verdict.hpp"
#include "moltspan/forecast/forecast.hpp"
