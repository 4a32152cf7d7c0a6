#pragma once

/// @file
/// The joint fit of a collection and how its bands hold.

#include "moltspan/clock/clock.hpp"
#include "moltspan/clock/season.hpp"
#include "moltspan/signs/signs.hpp"
#include "moltspan/collection/fit.hpp"
#include "moltspan/collection/animal_view.hpp"
#include "moltspan/collection/instar_effects.hpp"
#include "moltspan/collection/kinds_missing.hpp"
#include "moltspan/calibration/calibration.hpp"
#include "moltspan/calibration/fit_collection.hpp"
