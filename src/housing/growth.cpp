#include <algorithm>
#include <cmath>

#include "growth/latent_share.hpp"
#include "housing/parts.hpp"
#include "facts/husbandry.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

constexpr double log_reference_mm = 2.995732273553991;  ///< log 20
constexpr double never_passed = 8;                      ///< normal quantile that counts as beyond all

double log_size_now(const HousingSituation& s) {
  return std::log(std::isfinite(s.leg_span_mm) ? s.leg_span_mm : s.days_leg_span_mm);
}

GrowthAhead growth_of(const HousingSituation& s) {
  return s.growth ? *s.growth : GrowthAhead{std::log(husbandry().growth_ratio), 0, 0, husbandry().growth_log_sd, 0, false, {}};
}

/// One size after the other towards one end of growth; `sd` holds the last molt's own spread.
std::vector<SizeAhead> ending_course(const HousingSituation& s, const GrowthAhead& growth, const AdultNode& node,
                                     int molts) {
  SizeCourse course{log_size_now(s) - log_reference_mm, s.size_log_sd * s.size_log_sd, growth.size_covariance};
  std::vector<SizeAhead> sizes{{log_size_now(s), s.size_log_sd}};
  for (int k = 0; k < molts; ++k) {
    const double spread =
        course.molt(node, growth.log_ratio + node.ratio_change, growth.ratio_sd * growth.ratio_sd, growth.decline);
    course.variance += spread * growth.molt_sd * growth.molt_sd;
    sizes.push_back({course.mean + log_reference_mm, std::sqrt(course.variance)});
  }
  return sizes;
}

/// Grown, or of a kind whose end of growth is not known: then it grows on at its ratio up to its adult size.
std::vector<SizeAhead> plain_course(const HousingSituation& s, const HousingRules& rules, const GrowthAhead& growth,
                                    int molts) {
  std::vector<SizeAhead> sizes{{log_size_now(s), s.size_log_sd}};
  double mean = sizes[0].log_mm, variance = s.size_log_sd * s.size_log_sd, by_ratio = 0, fade = 1;
  for (int k = 0; k < molts; ++k) {
    const bool adult = near_adult(s, std::exp(mean));
    const double sd = adult ? fade * rules.adult_log_sd.value : growth.molt_sd;
    mean += adult ? fade * std::log(rules.adult_ratio.value)
                  : growth.log_ratio + growth.decline * (mean - log_reference_mm);
    variance += sd * sd;
    if (adult)
      fade *= adult_fade;
    else
      by_ratio += 1;
    const double of_ratio = by_ratio * by_ratio * growth.ratio_sd * growth.ratio_sd + 2 * by_ratio * growth.size_covariance;
    sizes.push_back({mean, std::sqrt(std::max(variance + of_ratio, 0.0))});
  }
  return sizes;
}

/// Chances that the limit is first passed by each molt of a course: sizes keep their place in their laws. Where
/// maturity ends all molts, those that mature below the limit never pass it.
void add_passages(const std::vector<SizeAhead>& sizes, double log_limit_mm, double log_mature_mm, double weight,
                  std::vector<double>& passes) {
  double still = never_passed;  // places under it have neither passed nor matured
  for (std::size_t k = 1; k < sizes.size(); ++k) {
    const double sd = std::max(sizes[k].log_sd, 1e-9);
    const double passing = std::min(still, (log_limit_mm - sizes[k].log_mm) / sd);
    passes[k] += weight * (numeric::Phi(still) - numeric::Phi(passing));
    still = std::min(passing, (log_mature_mm - sizes[k].log_mm) / sd);
  }
}

}  // namespace

std::vector<SizeCourseAhead> size_courses(const HousingSituation& s, const HousingRules& rules, int molts) {
  const GrowthAhead growth = growth_of(s);
  const int to_come = s.molts_no_more ? 0 : molts;
  std::vector<SizeCourseAhead> courses;
  if (s.matured || growth.adult.empty()) courses.push_back({1, plain_course(s, rules, growth, to_come), INFINITY});
  else
    for (const AdultNode& node : growth.adult)
      courses.push_back({node.weight, ending_course(s, growth, node, to_come),
                         node.log_adult + log_reference_mm + std::log(husbandry().adult_share)});
  for (SizeCourseAhead& course : courses) course.sizes.resize(static_cast<std::size_t>(molts) + 1, course.sizes.back());
  return courses;
}

SizeAhead size_after_molts(const HousingSituation& s, const HousingRules& rules, int molts) {
  SizeAhead size{0, 0};
  double square = 0;
  for (const SizeCourseAhead& course : size_courses(s, rules, molts)) {
    const SizeAhead& after = course.sizes[molts];
    size.log_mm += course.weight * after.log_mm;
    square += course.weight * (after.log_sd * after.log_sd + after.log_mm * after.log_mm);
  }
  size.log_sd = std::sqrt(std::max(square - size.log_mm * size.log_mm, 0.0));
  return size;
}

std::vector<double> passage_chances(const HousingSituation& s, const HousingRules& rules, double limit_mm, int molts) {
  const bool matures = s.growth && !s.matured && std::isfinite(s.adult_leg_span_mm);
  const double stops = matures ? s.stops_when_mature : 0, log_limit = std::log(limit_mm);
  std::vector<double> passes(static_cast<std::size_t>(molts) + 1, 0.0);
  for (const SizeCourseAhead& course : size_courses(s, rules, molts)) {
    add_passages(course.sizes, log_limit, INFINITY, course.weight * (1 - stops), passes);
    if (stops > 0) add_passages(course.sizes, log_limit, course.log_mature_mm, course.weight * stops, passes);
  }
  return passes;
}

}  // namespace moltspan
