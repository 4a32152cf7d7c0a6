#pragma once

/// @file
/// Forecasts as they would have been.

#include "moltspan/forecast.hpp"
#include "moltspan/backtest/backtest.hpp"
