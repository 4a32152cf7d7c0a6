#include "moltspan/posterior/impl/lattice.hpp"
