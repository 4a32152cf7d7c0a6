#include "moltspan/score/impl/score.hpp"
