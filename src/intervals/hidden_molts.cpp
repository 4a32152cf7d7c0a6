#include "moltspan/intervals/hidden_molts.hpp"

namespace moltspan {

StadiaSum sum_of_stadia(Family family, int n, double log_sigma, double log_step) {
  return with_law(family, [&](auto law) { return sum_of_stadia<decltype(law)>(n, log_sigma, log_step); });
}

StadiumTerm hidden_term(Family family, const StadiumBounds& bounds, double eta, double log_sigma, double extra_variance,
                        const HiddenWeights& log_weights, double log_step, Truncation truncation) {
  return with_law(family, [&](auto law) {
    return hidden_term<decltype(law)>(bounds, eta, log_sigma, extra_variance, log_weights, log_step, truncation);
  });
}

}  // namespace moltspan
