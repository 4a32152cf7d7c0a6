#include "moltspan/posterior/impl/hyper.hpp"

#include "optimise/ceres_maximiser.hpp"

namespace moltspan {

Maximiser usual_maximiser() { return optimise::ceres_maximum; }

}  // namespace moltspan
