#pragma once

#include <cmath>
#include <string>
#include <vector>

#include "moltspan/housing/housing.hpp"
#include "verdict/parts.hpp"
#include "base/words.hpp"

// Parts of housing that know one animal only.
namespace moltspan {

/// What a husbandry number of days says for the animal after `molts` more molts, with its status.
enum class DaysOf { hardening, premolt_lead };
RuleNumber stage_days(DaysOf of, const HousingSituation& s, const HousingRules& rules, int molts = 0);

/// The rules for its habit; an unrecorded habit is judged as a ground dweller.
const HabitRules& habit_rules(const HousingSituation& s, const HousingRules& rules);
bool is_sling(const HousingSituation& s, const HousingRules& rules);
/// Sling or juvenile: those for which a box can be too large.
bool is_young(const HousingSituation& s, const HousingRules& rules);

/// Grown, or so large that it grows by the ratio of grown animals.
bool near_adult(const HousingSituation& s, double leg_span_mm);

/// Log leg span (mm) after `molts` more molts. The one place where growth enters housing.
struct SizeAhead {
  double log_mm = unknown_number, log_sd = 0;
};
SizeAhead size_after_molts(const HousingSituation& s, const HousingRules& rules, int molts);

/// Sizes now and after each of some molts towards one end of growth.
struct SizeCourseAhead {
  double weight = 1;
  std::vector<SizeAhead> sizes;
  double log_mature_mm = INFINITY;  ///< from which a sex that stops has matured
};
std::vector<SizeCourseAhead> size_courses(const HousingSituation& s, const HousingRules& rules, int molts);

/// Chance that a size is first passed by the k-th molt from now, k up to `molts` ([0] = 0), given that these come; what
/// is left to 1: never.
std::vector<double> passage_chances(const HousingSituation& s, const HousingRules& rules, double limit_mm, int molts);

/// The k-th molt from now, k >= 1; stadia after the next are log-normal, each longer by the growth of the animal. Their
/// lengths share what is not known of the animal's pace.
class MoltDays {
 public:
  MoltDays(const HousingSituation& s, const HousingRules& rules);
  bool any() const { return !next_.days.empty(); }
  double by(int k, double x_days) const;

 private:
  MoltChances next_;
  std::vector<double> atoms_;          ///< equally likely days of the next molt
  std::vector<double> mean_, spread_;  ///< of the log of the time from the next molt to the k-th, [k - 2]
};

/// One limit of an enclosure: a dimension as a multiple of leg span.
struct Measure {
  enum class What { floor, height, soil, drop } what = What::floor;
  double mm = 0, multiple = 0;
  RuleNumber due, plan;  ///< for a drop: limit and warning, passed from below
  bool is_due() const;
  bool is_planned() const;
  /// Multiple / due; for a drop the other way round: under 1 = due.
  double slack() const;
};

/// Measures of a box for an animal of this leg span; those that are not recorded are left out.
std::vector<Measure> measures(const EnclosureSize& box, double leg_span_mm, const HousingSituation& s,
                              const HousingRules& rules);
/// Its multiple and, if wanted, the limit that it passes; a drop always names its limit.
std::string measure_text(const Measure& measure, double leg_span_mm, bool with_limits,
                         const std::string& size_word = "leg span");
double short_side_mm(const EnclosureSize& box);
bool has_sides(const std::optional<EnclosureSize>& box);
bool is_oversized(double side_mm, double leg_span_mm, const HousingSituation& s, const HousingRules& rules);

Outgrown outgrown(const HousingSituation& s, const HousingRules& rules, const std::vector<Measure>& now);

/// A new box for the leg span that it has after `molts` more molts: one of the keeper's (those with count over 0), else
/// a size.
SuggestedBox suggest_box(const HousingSituation& s, const HousingRules& rules, int molts,
                         const std::vector<Enclosure>& own = {});
/// Molts that come before a move of this advice: the box is chosen for the size after them.
int molts_before_move(Advice advice);

/// Days after its next molt on which a move is safe, counted from that molt: hardened, and not likely in premolt again.
struct AfterMolt {
  std::optional<std::pair<int, int>> days;
  double premolt_again = 0;  ///< chance that premolt has begun again once it has hardened
};
AfterMolt after_next_molt(const HousingSituation& s, const HousingRules& rules);

/// What handling it has to beware of: that of its kind and what is stated beside it; `assumption`: how that is known.
Hazards hazards_for(const HousingSituation& s, const HousingRules& rules, Note& assumption);
/// The cautions of an animal that is there or escaped, and those of the prompts among its reasons.
void add_cautions(const HousingSituation& s, const HousingRules& rules, HousingAdvice& a);

}  // namespace moltspan
