#pragma once

#include "moltspan/law/families.hpp"
#include "moltspan/law/stadium_law.hpp"

namespace moltspan {

/// The laws that a fit can be asked for by name.
enum class Family { lognormal, weibull, loglogistic };

/// Calls `use(Law{})` with the law of a family: the one place where a name becomes a type.
template <typename Use>
decltype(auto) with_law(Family family, Use&& use) {
  switch (family) {
    case Family::weibull:
      return use(GumbelMinLaw{});
    case Family::loglogistic:
      return use(LogisticLaw{});
    case Family::lognormal:
      break;
  }
  return use(NormalLaw{});
}

}  // namespace moltspan
