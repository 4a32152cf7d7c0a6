#pragma once

#include <cmath>
#include <string>

namespace moltspan {

/// `30 %`, never 0 or 100 %: nothing here is known that well.
inline std::string percent(double chance) {
  if (chance < 0.005) return "under 1 %";
  return chance > 0.995 ? "over 99 %" : std::to_string(static_cast<int>(std::lround(100 * chance))) + " %";
}

}  // namespace moltspan
