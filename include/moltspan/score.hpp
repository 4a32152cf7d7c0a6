#pragma once

/// @file
/// How good forecasts are.

#include "moltspan/score/recalibration.hpp"
#include "moltspan/score/score.hpp"
