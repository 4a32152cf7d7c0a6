#pragma once

#include <string_view>

namespace moltspan {

/// Text of `shared/<name>.toml` as it stood when the library was built; empty when there is no such table.
std::string_view embedded_table(std::string_view name);

}  // namespace moltspan
