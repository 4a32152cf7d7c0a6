#include "moltspan/posterior/conditional.hpp"

namespace moltspan {

template class Conditional<LatentModel>;

}  // namespace moltspan
