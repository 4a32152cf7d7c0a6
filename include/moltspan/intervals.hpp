#pragma once

/// @file
/// Stadium lengths: families, fits, predictions; molts that are not in the records.

#include "moltspan/intervals/hidden_molts.hpp"
#include "moltspan/intervals/intervals.hpp"
#include "moltspan/intervals/priors.hpp"
#include "moltspan/intervals/wald.hpp"
