#include "moltspan/growth/lines.hpp"

#include "moltspan/growth/impl/lines.hpp"
#include "moltspan/growth/impl/lines_animals.hpp"
#include "moltspan/growth/impl/lines_bent.hpp"
#include "moltspan/growth/impl/lines_crosby.hpp"
#include "moltspan/growth/impl/lines_increment.hpp"
#include "moltspan/growth/impl/lines_molts.hpp"
