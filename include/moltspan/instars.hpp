#pragma once

/// @file
/// Size-frequency mixtures.

#include "moltspan/instars/instars.hpp"
