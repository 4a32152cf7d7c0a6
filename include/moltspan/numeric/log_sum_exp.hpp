#pragma once

#include <algorithm>
#include <cmath>
#include <span>

namespace moltspan::numeric {

/// log of the sum of exp(terms), the largest taken out; -inf where all are. At least one term.
inline double log_sum_exp(std::span<const double> terms) {
  const double top = *std::max_element(terms.begin(), terms.end());
  if (std::isinf(top)) return top;
  double sum = 0;
  for (double term : terms) sum += std::exp(term - top);
  return top + std::log(sum);
}

}  // namespace moltspan::numeric
