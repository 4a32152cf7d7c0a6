#include "forecast/evidence.hpp"

#include <algorithm>

namespace moltspan {
namespace {

/// Odds of an unseen molt from which it is reckoned with in the law of the next one; with signs on record earlier.
constexpr double telling_odds = 2e-3, telling_odds_with_signs = 1e-6;

}  // namespace

MoltEvidence::MoltEvidence(const CollectionFit& fit, int animal, const NextMoltLaw& base, double from_days,
                           double until_days, const HiddenBranches* hidden)
    : fit_(fit),
      animal_(animal),
      from_days_(from_days),
      until_days_(until_days),
      signs_(fit, animal, from_days, until_days) {
  if (hidden && !fit.hidden.used()) hidden = nullptr;
  if (hidden) chance_missed_ = hidden->odds() / (1 + hidden->odds());
  if (hidden && hidden->odds() < (signs_.any_shown() ? telling_odds_with_signs : telling_odds)) hidden = nullptr;
  if (signs_.empty() && !hidden) return;
  const double alarms = hidden ? signs_.alarms() : 1;  // the same in all branches but for those of missed molts
  law_ = std::make_unique<ReweightedLaw>(base, branches(base, hidden, alarms));
  if (!law_->usable()) {
    law_.reset();
    return;
  }
  if_last_ = alarms * signs_.never() / law_->total();
  if (hidden) chance_missed_ = std::max(0.0, 1 - law_->mass(0) / law_->total());
  if (!signs_.any_shown()) return;
  const double all_false = alarms * law_->first_branch_integral([&](double x) { return signs_.all_false(x); });
  signs_true_ = (law_->mass(0) - all_false) / law_->total();
}

std::vector<MoltBranch> MoltEvidence::branches(const NextMoltLaw& base, const HiddenBranches* hidden,
                                               double alarms) const {
  std::vector<MoltBranch> branches{{[&base](double x) { return base.survival(x); },
                                    [this, alarms](double x) { return alarms * signs_.likelihood(x); }}};
  if (!hidden) return branches;
  if (signs_.empty()) {
    branches.push_back({[hidden](double x) { return hidden->survival(x); }, [](double) { return 1.0; }});
    return branches;
  }
  for (const HiddenBranches::Branch& branch : hidden->branches())
    branches.push_back({[&branch](double x) { return branch.survival(x); }, likelihood_after(branch.missed_day)});
  return branches;
}

/// Likelihood of all signs where the last unseen molt was on day `missed`: those before it told of it.
std::function<double(double)> MoltEvidence::likelihood_after(double missed) const {
  const SignEvidence before(fit_, animal_, from_days_, std::min(missed, until_days_)),
      after(fit_, animal_, std::max(missed, from_days_), until_days_);
  const double told = before.alarms() * before.center_likelihood(missed) * after.alarms();
  return [after, told](double x) { return told * after.center_likelihood(x); };
}

}  // namespace moltspan
