#pragma once

#include <vector>

#include "moltspan/growth/latent.hpp"

namespace moltspan {

/// What is known beforehand of the end of an animal's growth.
struct AdultAnimal {
  int kind = 0;           ///< animals of one kind deviate together from what is said of each
  int sex = 2;            ///< 0 male, 1 female, 2 not known: a sex of a kind deviates together, too
  double log_size = 0;    ///< of its adult size over the reference: what is said of it
  double log_sd = 0.35;   ///< with which that is known, of the whole kind
  double stops = 0;       ///< chance that it molts no more once mature, so that it never reaches its limit
  int matured_instar = -1;  ///< instars from here on are grown ones: their first size is about the adult one; -1 = none
};

struct AdultSizes {
  std::vector<std::vector<AdultNode>> nodes;    ///< of each animal; weights add up to 1
  std::vector<std::vector<double>> slowing;     ///< share of its log ratio that each step of its record added
  std::vector<std::vector<double>> variance;    ///< of what each step added, beyond what a ratio of its own can stand for
};

/// Where the growth of each animal ends, from its readings and those of its kin.
///
/// On a grid of (adult size, steepness) each animal's readings have a likelihood, the ratio of its kind integrated out
/// by Laplace: sizes are a walk whose steps are the share h of that ratio, h taken at smoothed sizes, so that it is
/// linear. Adult sizes of a kind deviate together from what is said of them (Student's t, as a stated size may be wrong),
/// then those of a sex, then each animal's. The spread of readings and molts, and which forms of growth are likely, are learned
/// first. No random numbers. `ratio`: normal prior of the log ratio.
AdultSizes fit_adult_sizes(const GrowthData& data, const std::vector<AdultAnimal>& animals, const Prior& ratio);

/// Ends of growth of an animal of which no reading tells: what is said of it alone.
std::vector<AdultNode> adult_nodes_of(const AdultAnimal& animal);

/// Share of its log ratio that a molt at this size adds, over all ends of growth; 1 where there are none.
double mean_growth_share(const std::vector<AdultNode>& nodes, double log_size);

}  // namespace moltspan
