#pragma once

/// @file
/// Tables and comparisons of groups.

#include "moltspan/group/allometry.hpp"
#include "moltspan/group/group.hpp"
#include "moltspan/group/temperature.hpp"
