#include "moltspan/instars/impl/em.hpp"
#include "moltspan/instars/impl/even.hpp"
