#pragma once

#include <vector>

#include "intervals_posterior.hpp"

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

/// Inverse of the observed information. Coefficients along which it vanishes (separation, collinear columns) get an
/// infinite variance and a note that names them.
Eigen::MatrixXd invert_information(const Eigen::MatrixXd& information, const StadiaData& data,
                                   std::vector<HealthNote>& health);

void note_convergence(bool converged, std::vector<HealthNote>& health);

/// Notes on a posterior: points that failed, levels carried by their prior, no closed stadium.
void note_posterior(const StadiaPosterior& posterior, StadiaFit& fit);

}  // namespace moltspan
