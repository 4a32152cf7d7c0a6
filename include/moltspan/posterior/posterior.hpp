#pragma once

/// @file
/// The posterior engine: what a model is, its posterior at fixed hyperparameters, the integration over them.

#include "moltspan/posterior/cavity.hpp"
#include "moltspan/posterior/conditional.hpp"
#include "moltspan/posterior/hyper.hpp"
#include "moltspan/posterior/model.hpp"
