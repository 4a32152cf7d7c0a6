#pragma once

#include <memory>

#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// `fit_collection` before anything looks at how its bands held: the joint fit, families weighed, signs learned.
CollectionFit fit_uncalibrated(std::shared_ptr<const Collection> collection, const CollectionOptions& options);

}  // namespace moltspan
