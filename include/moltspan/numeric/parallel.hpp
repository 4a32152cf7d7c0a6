#pragma once

#include <algorithm>
#include <cstddef>
#include <future>
#include <vector>

namespace moltspan::numeric {

/// Calls `work(from, to)` on contiguous parts of [first, last), one a thread; an exception of any part is thrown again
/// here, after all parts have ended.
template <typename Work>
void in_parts(std::size_t first, std::size_t last, int threads, const Work& work) {
  const std::size_t n = last - first,
                    parts = std::clamp<std::size_t>(threads > 0 ? threads : 1, 1, std::max<std::size_t>(n, 1));
  std::vector<std::future<void>> others;
  for (std::size_t part = 1; part < parts; ++part)
    others.push_back(std::async(std::launch::async, [&work, first, n, part, parts] {
      work(first + part * n / parts, first + (part + 1) * n / parts);
    }));
  work(first, first + n / parts);
  for (auto& other : others) other.get();
}

}  // namespace moltspan::numeric
