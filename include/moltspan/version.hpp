#pragma once

/// @file
/// The version, for the preprocessor and as text. CMake and the Python package read it from here.

#define MOLTSPAN_VERSION_MAJOR 0
#define MOLTSPAN_VERSION_MINOR 1
#define MOLTSPAN_VERSION_PATCH 0
#define MOLTSPAN_VERSION "0.1.0"
