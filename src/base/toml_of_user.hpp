#pragma once

#include <toml++/toml.h>

#include <string_view>

namespace moltspan {

/// TOML that a user wrote. toml++ follows nested tables by recursion and has no bound for dotted keys: a text of more
/// than 1 MB, and keys of more than 16 parts, give std::length_error that says so and names the line. Otherwise as
/// toml::parse.
toml::table parse_users_toml(std::string_view text, std::string_view source);

}  // namespace moltspan
