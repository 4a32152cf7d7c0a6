#pragma once

/// @file
/// How the library is used: header-only (`moltspan::math`) or with its compiled part (`moltspan::moltspan`, which defines
/// MOLTSPAN_COMPILED). Headers of the mathematics hold their implementation; in a compiled build they only declare it.

#ifdef MOLTSPAN_COMPILED
#define MOLTSPAN_INLINE
#else
#define MOLTSPAN_INLINE inline
#endif
