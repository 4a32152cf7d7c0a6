#pragma once

#include <string>
#include <string_view>

namespace moltspan {

/// How a CSV text is written, so that rows can be added to it in the same way.
struct CsvShape {
  bool byte_order_mark = false;
  char delimiter = ',';
  std::string line_end = "\n";
  std::size_t header_begin = 0;  ///< offset of the line of column names: after the mark and a `sep=` line
};

CsvShape sniff_csv(std::string_view text);

/// A cell as it is written, quoted where it has to be.
std::string csv_cell(std::string_view cell, char delimiter);

bool is_utf8(std::string_view text);

}  // namespace moltspan
