#include "moltspan/instars/instars.hpp"

#include "moltspan/instars/impl/bootstrap.hpp"
#include "moltspan/instars/impl/health.hpp"
#include "moltspan/instars/impl/instars.hpp"
