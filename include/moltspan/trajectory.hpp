#pragma once

/// @file
/// Courses of life: molts and sizes to come.

#include "moltspan/collection.hpp"
#include "moltspan/trajectory/trajectory.hpp"
