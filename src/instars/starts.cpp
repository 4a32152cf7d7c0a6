#include "moltspan/instars/impl/classify.hpp"
#include "moltspan/instars/impl/starts.hpp"
