#pragma once

#include <array>
#include <cmath>
#include <limits>

#include "moltspan/stadium/bounds.hpp"

namespace moltspan::stadium_terms {

/// log of a weighted sum of exp(term): collects the parts one by one, rescaling by the largest value so far.
class LogSum {
 public:
  void add(double weight, const StadiumTerm& part) {
    if (!(weight > 0) || part.value == -std::numeric_limits<double>::infinity()) return;
    if (part.value > top_) rescale(part.value);
    const double p = weight * std::exp(part.value - top_);
    sum_ += p;
    sums_[0] += p * part.d_eta;
    sums_[1] += p * part.d_s;
    sums_[2] += p * (part.d_eta_eta + part.d_eta * part.d_eta);
    sums_[3] += p * (part.d_eta_s + part.d_eta * part.d_s);
    sums_[4] += p * (part.d_s_s + part.d_s * part.d_s);
  }

  StadiumTerm result() const {
    StadiumTerm term;
    term.value = top_ + std::log(sum_);
    term.d_eta = sums_[0] / sum_;
    term.d_s = sums_[1] / sum_;
    term.d_eta_eta = sums_[2] / sum_ - term.d_eta * term.d_eta;
    term.d_eta_s = sums_[3] / sum_ - term.d_eta * term.d_s;
    term.d_s_s = sums_[4] / sum_ - term.d_s * term.d_s;
    return term;
  }

 private:
  void rescale(double value) {
    const double factor = std::exp(top_ - value);
    sum_ *= factor;
    for (double& sum : sums_) sum *= factor;
    top_ = value;
  }

  double top_ = -std::numeric_limits<double>::infinity(), sum_ = 0;
  std::array<double, 5> sums_{};
};

}  // namespace moltspan::stadium_terms
