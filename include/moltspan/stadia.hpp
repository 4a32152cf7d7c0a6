#pragma once

/// @file
/// Records to stadia and size readings; facts of kinds.

#include "moltspan/stadia/stadia.hpp"
#include "moltspan/kinds/kinds.hpp"
