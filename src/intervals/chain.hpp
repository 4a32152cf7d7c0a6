#pragma once

#include <functional>
#include <vector>

#include "moltspan/intervals/intervals.hpp"

namespace moltspan {

/// The dates that successive stadia of an animal share.
///
/// A record's term integrates its own start and end. Where the day of a molt is known to a range only, the stadium that
/// it ends and the one that it opens share that day, and the likelihood of the chain of stadia 0 .. K is
///   1/R_0 int .. int f_0(d_1 - d_0) .. f_K(d_K+1 - d_K) dd_0 .. dd_K,
/// less spread out than the product of the terms: what one stadium is longer its neighbor is shorter. `log_ratio` is
/// the log of that likelihood over the product, both by the midpoint rule on a grid of whole parts of a day. Truncation
/// divides either alike. Records that may hide molts, of other weights than 1, or of bounds that are not those of two
/// ranges end a chain; tables over `most_records` have none, as the loops would take longer than the fit.
class SharedDates {
 public:
  static constexpr std::size_t most_records = 20000;

  SharedDates() = default;
  explicit SharedDates(const StadiaData& data);

  bool any() const { return !links_.empty(); }
  /// `eta` and `log_sigma` by record.
  double log_ratio(Family family, const std::function<double(std::size_t)>& eta,
                   const std::function<double(std::size_t)>& log_sigma) const;

 private:
  /// One stadium of a chain: log T at each difference of a node of its end and one of its start; of a running one, log
  /// age at each node of its start.
  struct Link {
    std::size_t record = 0;
    bool opens_chain = false, runs = false;
    int start_nodes = 0, end_nodes = 0;
    std::vector<double> log_days;
  };

  void add_chain(const StadiaData& data, const std::vector<std::size_t>& records);
  template <StadiumLaw Law>
  double sum_of_links(const std::function<double(std::size_t)>& eta,
                      const std::function<double(std::size_t)>& log_sigma) const;

  std::vector<Link> links_;
};

}  // namespace moltspan
