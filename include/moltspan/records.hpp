#pragma once

/// @file
/// Animals, their journal, faults and doubts; temperatures; journal notes in everyday words.

#include "moltspan/records/records.hpp"
#include "moltspan/records/temperatures.hpp"
#include "moltspan/journal/journal.hpp"
