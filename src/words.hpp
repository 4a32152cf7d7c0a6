#pragma once

#include <algorithm>
#include <cmath>
#include <string>
#include <string_view>

namespace moltspan {

/// `30 %`, never 0 or 100 %: nothing here is known that well.
inline std::string percent(double chance) {
  if (chance < 0.005) return "under 1 %";
  return chance > 0.995 ? "over 99 %" : std::to_string(static_cast<int>(std::lround(100 * chance))) + " %";
}

/// A word of the journal as it is said: `sealed_in` as `sealed in`.
inline std::string spoken(std::string_view word) {
  std::string text(word);
  std::replace(text.begin(), text.end(), '_', ' ');
  return text;
}

}  // namespace moltspan
