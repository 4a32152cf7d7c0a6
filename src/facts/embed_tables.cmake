# Writes OUTPUT, a C++ source that holds the text of each file of TABLES as a raw string.
set(text "// Generated from shared/*.toml.\n#include \"facts/embedded_tables.hpp\"\n\nnamespace moltspan {\n\nstd::string_view embedded_table(std::string_view name) {\n")
foreach(table ${TABLES})
  get_filename_component(name ${table} NAME_WE)
  file(READ ${table} content)
  string(APPEND text "  if (name == \"${name}\") return R\"table(${content})table\";\n")
endforeach()
string(APPEND text "  return {};\n}\n\n}  // namespace moltspan\n")
file(WRITE ${OUTPUT} "${text}")
