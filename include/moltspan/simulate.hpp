#pragma once

/// @file
/// Collections with known truth.

#include "moltspan/simulate/simulate.hpp"
