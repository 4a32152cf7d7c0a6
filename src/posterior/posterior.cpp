#include "moltspan/posterior/posterior.hpp"

#include "moltspan/posterior/impl/hyper.hpp"
#include "moltspan/posterior/impl/lattice.hpp"
#include "optimise/ceres_maximiser.hpp"

namespace moltspan {

template class Conditional<LatentModel>;

Maximiser usual_maximiser() { return optimise::ceres_maximum; }

}  // namespace moltspan
