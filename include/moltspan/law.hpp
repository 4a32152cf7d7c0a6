#pragma once

/// @file
/// The laws of W: the concept, the three by name, one of three functions.

#include "moltspan/law/auto_law.hpp"
#include "moltspan/law/families.hpp"
#include "moltspan/law/family.hpp"
#include "moltspan/law/stadium_law.hpp"
