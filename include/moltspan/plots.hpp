#pragma once

/// @file
/// Numbers that only pictures need.

#include "moltspan/plots/plots.hpp"
