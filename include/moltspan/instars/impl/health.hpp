#pragma once

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <vector>

#include "moltspan/config.hpp"
#include "moltspan/instars/impl/model.hpp"

namespace moltspan::instars {
namespace detail_health {

/// Shares and differences from which a reader is warned. BIC: Kass & Raftery 1995 (JASA 90:773; from memory) call a
/// difference under 2 "not worth more than a bare mention". The others are assumptions of ours.
inline constexpr double much_misclassified = 0.05, most_misclassified = 0.25;
inline constexpr double close_bic = 2, close_log_likelihood = 2;
inline constexpr double wide_single_sd = 0.10, large_ratio = 1.9, small_ratio = 1.06;
inline constexpr double repeats = 2.5;  ///< animals a different size
inline constexpr double few_an_instar = 5, test_level = 0.05;

template <typename... Values>
std::string say(const char* format, Values... values) {
  char text[600];
  std::snprintf(text, sizeof text, format, values...);
  return text;
}

using Notes = std::vector<HealthNote>;

inline void note_overlap(const InstarMixture& result, Notes& notes) {
  const double share = result.misclassified.overall;
  if (share <= much_misclassified) return;
  notes.push_back(
      {share > most_misclassified ? HealthState::bad : HealthState::warning, "overlap",
       say("the instars overlap: of new animals %.0f %% would be put into a wrong instar by size alone, so that "
           "the sample cannot tell them apart surely; count molts of some animals and give them as `known`",
           100 * share)});
}

inline void note_neighbors(const InstarMixture& result, Notes& notes) {
  for (const InstarFit& other : result.fits) {
    const double behind = other.bic - result.best.bic;
    if (other.n_instars == result.best.n_instars || behind > close_bic) continue;
    notes.push_back({HealthState::warning, "number",
                     say("%d instars fit nearly as well as %d: their BIC is only %.1f higher", other.n_instars,
                         result.best.n_instars, behind)});
  }
  const bool at_end = result.options.n_instars == 0 && result.best.n_instars == result.options.max_instars;
  if (at_end)
    notes.push_back(
        {HealthState::warning, "number",
         say("the largest number tried, %d, has the smallest BIC; raise `max_instars`", result.best.n_instars)});
}

inline void note_spacing(const InstarMixture& result, Notes& notes) {
  const InstarFit& best = result.best;
  for (const auto& [log_ratio, log_likelihood] : best.others) {
    const bool other_spacing = std::abs(log_ratio / best.log_ratio[0] - 1) > 0.08;
    const bool other_place = result.options.spacing == Spacing::dyar && !other_spacing;
    if (best.log_likelihood - log_likelihood > close_log_likelihood || other_place) continue;
    notes.push_back({HealthState::warning, "spacing",
                     say("another growth ratio, %.3f instead of %.3f, fits nearly as well (log-likelihood %.1f lower)",
                         std::exp(log_ratio), std::exp(best.log_ratio[0]), best.log_likelihood - log_likelihood)});
  }
  for (const double log_ratio : best.log_ratio) {
    if (log_ratio > std::log(large_ratio))
      notes.push_back(
          {HealthState::warning, "spacing",
           say("a growth ratio of %.2f between neighboring peaks is large; if every second instar is missing from "
               "the sample, the ratio a molt is %.2f",
               std::exp(log_ratio), std::exp(log_ratio / 2))});
    if (log_ratio < std::log(small_ratio))
      notes.push_back({HealthState::warning, "spacing",
                       say("a growth ratio of %.3f is small: two peaks may be sexes or broods of one instar",
                           std::exp(log_ratio))});
  }
}

inline void note_single(const InstarMixture& result, Notes& notes) {
  if (result.best.n_instars > 1 || !(result.best.sd_log.maxCoeff() > wide_single_sd)) return;
  notes.push_back(
      {HealthState::warning, "number",
       say("one hump with a coefficient of variation of %.0f %% may hold several overlapping instars; sizes alone "
           "cannot tell",
           100 * result.best.sd_log.maxCoeff())});
}

inline void note_counts(const InstarMixture& result, Notes& notes) {
  const InstarFit& best = result.best;
  std::string empty;
  for (Index k = 0; k < best.weights.size(); ++k)
    if (best.expected_count[k] < 0.5) empty += (empty.empty() ? "" : ", ") + std::to_string(best.first_instar + int(k));
  if (!empty.empty())
    notes.push_back({HealthState::warning, "empty",
                     "no animals in the sample belong to instar " + empty + "; it stands by the spacing alone"});
  if (double(result.n) < few_an_instar * best.n_instars)
    notes.push_back({HealthState::warning, "few",
                     say("%zu animals for %d instars are few; under %.0f an instar the number found is a guess",
                         result.n, best.n_instars, few_an_instar)});
}

inline void note_spread(const InstarMixture& result, const Sample& sample, Notes& notes) {
  const InstarFit& best = result.best;
  const bool alike = sample.rows() == 1 || ((sample.y.rowwise() - sample.y.row(0)).cwiseAbs().maxCoeff() == 0);
  if (alike)
    notes.push_back(
        {HealthState::bad, "no_spread", "all sizes are equal: nothing is known of the spread within an instar"});
  else if (best.spread_at_floor)
    notes.push_back({result.options.spread == Spread::free ? HealthState::warning : HealthState::bad, "spread",
                     "a spread within an instar was held at its lower bound: the sizes in it are nearly equal; take "
                     "spread=\"equal\" "
                     "or fewer instars"});
  if (!best.converged && !alike)
    notes.push_back({HealthState::bad, "convergence",
                     say("the search did not reach a maximum: %.2g of log-likelihood may be left", best.gradient / 2)});
}

/// Copied rows, or readings in steps as wide as the spread that is found: both make instars out of single sizes.
inline void note_steps(const InstarMixture& result, const Sample& sample, Notes& notes) {
  if (sample.censored() || sample.traits() != 1 || sample.rows() < 3 ||
      sample.n < repeats * static_cast<double>(sample.rows()))
    return;
  std::vector<double> sizes(sample.y.data(), sample.y.data() + sample.rows()), gaps;
  std::sort(sizes.begin(), sizes.end());
  for (std::size_t i = 1; i < sizes.size(); ++i) gaps.push_back(sizes[i] - sizes[i - 1]);
  const auto middle = gaps.begin() + static_cast<std::ptrdiff_t>(gaps.size() / 2);
  std::nth_element(gaps.begin(), middle, gaps.end());
  if (*middle < result.best.sd_log.mean()) return;
  notes.push_back({HealthState::warning, "steps",
                   say("%.0f animals share %d sizes, which stand further apart than the spread found within an instar: "
                       "leave copied rows out, or give the step of rounded sizes as `reading_step_mm`",
                       sample.n, static_cast<int>(sample.rows()))});
}

inline void note_tests(const InstarMixture& result, Notes& notes) {
  for (const InstarTest& test : result.tests) {
    const bool fewer = test.n_instars < result.best.n_instars;
    if (fewer != (test.p_value > test_level)) continue;
    notes.push_back({HealthState::warning, "bootstrap",
                     fewer ? say("%d instars are not ruled out against %d: p = %.3f in %d bootstrap replicates",
                                 test.n_instars, test.n_instars + 1, test.p_value, test.replicates)
                           : say("%d instars are too few against %d: p = %.3f in %d bootstrap replicates",
                                 test.n_instars, test.n_instars + 1, test.p_value, test.replicates)});
  }
}

}  // namespace detail_health

MOLTSPAN_INLINE std::vector<HealthNote> judge(const InstarMixture& result, const Sample& sample) {
  detail_health::Notes notes;
  detail_health::note_overlap(result, notes);
  detail_health::note_neighbors(result, notes);
  detail_health::note_spacing(result, notes);
  detail_health::note_single(result, notes);
  detail_health::note_counts(result, notes);
  detail_health::note_spread(result, sample, notes);
  detail_health::note_steps(result, sample, notes);
  detail_health::note_tests(result, notes);
  return notes;
}

}  // namespace moltspan::instars
