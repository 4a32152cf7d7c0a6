#include <moltspan/moltspan.hpp>

int other_unit() { return 0; }
