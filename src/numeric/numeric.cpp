#include "moltspan/numeric/impl/least_squares.hpp"
#include "moltspan/numeric/impl/quadrature.hpp"
#include "moltspan/numeric/impl/robust.hpp"
