#pragma once

#include <vector>

#include "intervals/posterior.hpp"

namespace moltspan {

/// Threads that the machine can run at once.
int default_threads();

/// Throws std::invalid_argument that names the first row and field that breaks a rule of StadiumBounds or of the
/// table's shape.
void check_table(const StadiaData& data, const StadiaOptions& options);

/// Throws std::invalid_argument where maximum likelihood has no maximum: no record with an upper bound, fewer records
/// than parameters.
void check_estimable(const StadiaData& data, const StadiaFit& fit);

/// Notes a spread that went to nothing (all lengths equal, or as many coefficients as records).
void check_spread(StadiaFit& fit);

/// Inverse of the observed information at `parameters` (coefficients, log sigma, log sds of `levels`). What it does not
/// determine gets an infinite variance and a note that says which of these it is: coefficients that run away
/// (separation), columns that say the same, a sigma that runs to 0, an sd at 0, or spreads that cannot be told apart.
Eigen::MatrixXd invert_information(const Eigen::MatrixXd& information, const Eigen::VectorXd& parameters,
                                   const StadiaData& data, const std::vector<Level>& levels,
                                   std::vector<HealthNote>& health);

/// Whether any member of a level holds two units: records, or members of the next level that is in the data. If none
/// does, the spread between members is the same as that of their units.
bool holds_two_units(const StadiaData& data, Level level);

/// Notes that the effect of such a level is left out.
void note_one_unit_each(const StadiaData& data, Level level, std::vector<HealthNote>& health);

/// Notes that the members of a level differ no more than chance would have it.
void note_zero_sd(Level level, std::vector<HealthNote>& health);

void note_convergence(bool converged, std::vector<HealthNote>& health);

/// Notes on a posterior: points that failed, levels carried by their prior, no closed stadium.
void note_posterior(const StadiaPosterior& posterior, StadiaFit& fit);

}  // namespace moltspan
