#pragma once

/// @file
/// Everything of `moltspan::math`. One header of its parts is quicker to compile.

#include "moltspan/growth/lines.hpp"
#include "moltspan/instars/instars.hpp"
#include "moltspan/law.hpp"
#include "moltspan/next_molt.hpp"
#include "moltspan/numeric/robust.hpp"
#include "moltspan/posterior.hpp"
#include "moltspan/score/score.hpp"
#include "moltspan/stadium.hpp"
#include "moltspan/version.hpp"
