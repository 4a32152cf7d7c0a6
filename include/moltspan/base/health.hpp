#pragma once

#include <string>

/// @file
/// What a result says of itself: valid but weak data gets an answer with a stated health, never an exception.
namespace moltspan {

enum class HealthState { good, warning, bad, not_run };

/// One finding on a fit, in words for its reader.
struct HealthNote {
  HealthState state = HealthState::good;
  std::string topic;  ///< stable key, such as `convergence` or `separation`
  std::string text;
};

}  // namespace moltspan
