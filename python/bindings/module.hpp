#pragma once

#include <pybind11/pybind11.h>

namespace moltspan::bindings {

namespace py = pybind11;

}  // namespace moltspan::bindings
