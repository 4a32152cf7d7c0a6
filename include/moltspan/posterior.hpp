#pragma once

/// @file
/// The posterior engine.

#include "moltspan/posterior/posterior.hpp"
