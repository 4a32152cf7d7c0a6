#pragma once

#include <functional>
#include <string>
#include <vector>

#include "intervals/next_molt_law.hpp"
#include "moltspan/collection/fit.hpp"

namespace moltspan {

/// What the signs of one animal say of the day of its next molt, from `from` up to the end of its watch. Days are
/// counted from the beginning of the as_of day.
class SignEvidence {
 public:
  SignEvidence(const CollectionFit& fit, int animal, double from_days, double until_days);

  bool empty() const { return parts_.empty(); }  ///< nothing noted, and nothing to conclude from that
  bool any_shown() const { return n_shown_ > 0; }
  /// Likelihood of all signs given the day of the molt, the posterior of what signs are worth averaged over.
  double likelihood(double x_days) const;
  /// The part of it in which every sign noted is a false alarm.
  double all_false(double x_days) const;
  /// The likelihood had the animal no molt before it any more: all signs are false alarms.
  double never() const;
  /// What does not depend on the day of the molt but on the window: new false alarms, at the usual parameters.
  double alarms() const;
  /// `likelihood` at the usual parameters alone, quicker.
  double center_likelihood(double x_days) const;
  /// Such as `darkened 12 days ago`, by sign.
  std::vector<std::string> words() const;

 private:
  struct Part {
    SignRecord record;
    const SignModel* model = nullptr;
    double alarm_factor = 1, power = 1;
  };
  template <typename Value>
  double product(Value value) const;

  std::vector<Part> parts_;
  double log_size_ = 0;
  int n_shown_ = 0;
};

/// One way in which the next molt can come about: a chance not to have molted by day x (its value at the beginning is
/// the branch's weight), and the likelihood of what was seen given the molt on day x.
struct MoltBranch {
  std::function<double(double)> survival, likelihood;
};

/// The law of the next molt reweighted by a likelihood: the density of each branch times its likelihood, normalised
/// numerically on cells that are narrow near the beginning. No random numbers.
class ReweightedLaw final : public NextMoltLaw {
 public:
  /// The first branch must be that of `base`, which gives the shape within a cell.
  ReweightedLaw(const NextMoltLaw& base, const std::vector<MoltBranch>& branches);
  double survival(double x_days) const override;
  /// Integral of branch k times its likelihood.
  double mass(std::size_t branch) const { return branch_mass_[branch]; }
  double total() const { return total_; }
  bool usable() const { return total_ > 1e-250; }
  /// Mean of a function of the day under the first branch alone, not normalised: its density times `value`.
  double first_branch_integral(const std::function<double(double)>& value) const;

 private:
  const NextMoltLaw& base_;
  std::vector<double> edges_, base_survival_, beyond_;  ///< beyond_[i]: mass from edge i on
  std::vector<double> branch_mass_;
  double total_ = 0;
};

}  // namespace moltspan
