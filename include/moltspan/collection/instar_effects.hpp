#pragma once

#include <string>
#include <vector>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// What a stadium of a kind lasts and scatters in one instar beside the anchor, the instar with most stadia.
struct InstarEstimate {
  std::string taxon;
  double instar = 0;
  double log_mean = 0, log_sd = 0;  ///< of the effect on log T; posterior mean and sd
  double log_scale = 0;             ///< of its spread beside sigma
  double factor = 1, factor_lower = 1, factor_upper = 1;  ///< of T, with 95 % limits
  double spread_factor = 1;                               ///< of sigma
  int closed_stadia = 0;            ///< seen to end, of this kind in this instar
};

/// A row a kind and instar on record, by kind, then instar; empty where neither effect is in the model.
std::vector<InstarEstimate> instar_estimates(const CollectionFit& fit);

}  // namespace moltspan
