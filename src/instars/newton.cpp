#include "moltspan/instars/impl/newton.hpp"
