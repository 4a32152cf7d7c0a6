#include <algorithm>
#include <cmath>

#include "calibration/check.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr int size_classes = 4;
constexpr double far_out = 1e-6;         ///< transform of a record that its kin do not bear out at all
constexpr std::size_t most_told = 3;     ///< such records

/// Class of each log size by quarters of them all.
std::vector<std::string> size_texts(const std::vector<double>& log_sizes) {
  std::vector<double> sorted = log_sizes;
  std::sort(sorted.begin(), sorted.end());
  std::vector<std::string> texts;
  static constexpr const char* names[size_classes] = {"1 smallest quarter", "2 second quarter", "3 third quarter",
                                                      "4 largest quarter"};
  for (double size : log_sizes) {
    const auto rank = static_cast<std::size_t>(std::lower_bound(sorted.begin(), sorted.end(), size) - sorted.begin());
    texts.push_back(names[std::min<std::size_t>(size_classes * rank / sorted.size(), size_classes - 1)]);
  }
  return texts;
}

std::vector<CaseFactor> factors_of(const CollectionFit& fit, const std::vector<RecordPit>& pits) {
  std::vector<std::string> kinds, instars, months;
  std::vector<double> sizes;
  for (const RecordPit& pit : pits) {
    const Stadium& s = fit.table.stadia[pit.row];
    const AnimalView animal = fit.animal(s.animal);
    kinds.push_back(animal.record().taxon);
    instars.push_back(instar_text(animal.history().molts[s.molt].instar));
    months.push_back(month_text(s.start.latest));
    sizes.push_back(animal.inputs().sizes[s.molt + 1].mean);
  }
  return {factor_of("kind", kinds), factor_of("instar", instars), factor_of("month of the start", months),
          factor_of("size at the start", size_texts(sizes))};
}

/// Records that lie far outside of what the others say, as a reader finds them.
std::string far_records(const CollectionFit& fit, const std::vector<RecordPit>& pits) {
  std::string text;
  std::size_t told = 0;
  for (const RecordPit& pit : pits) {
    if (!pit.seen || pit.weight < 0.5 || (pit.pit.high > far_out && pit.pit.low < 1 - far_out)) continue;
    if (++told > most_told) break;
    const Stadium& s = fit.table.stadia[pit.row];
    text += (text.empty() ? "" : ", ") + fit.animal(s.animal).record().id + " from " +
            to_iso(s.start.earliest) + " to " + to_iso(s.end->latest);
  }
  return text;
}

bool any_instar(const StadiaTable& table) {
  for (const AnimalHistory& animal : table.animals)
    for (const Molt& molt : animal.molts)
      if (molt.instar >= 0) return true;
  return false;
}

/// What would mend it, by what the records lack.
std::string advice_for(const CollectionFit& fit, const std::vector<RecordPit>& pits) {
  std::string text;
  const auto add = [&](const std::string& more) { text += (text.empty() ? "" : "; ") + more; };
  if (const std::string far = far_records(fit, pits); !far.empty()) add("look at the dates of " + far);
  if (!any_instar(fit.table)) add("state instar numbers with the molts");
  if (fit.data.column(CoefficientRole::warmth_c) < 0) add("write down temperatures");
  add("until then take these bands as rough");
  return text;
}

}  // namespace

void note_fit_calibration(const CollectionFit& fit, std::vector<HealthNote>& notes) {
  const std::vector<RecordPit> pits = leave_one_out_pits(fit);
  if (pits.empty()) return;
  std::vector<CheckedCase> cases;
  for (const RecordPit& pit : pits)
    cases.push_back({pit.pit, pit.weight, fit.table.stadia[pit.row].animal});
  note_calibration(cases, factors_of(fit, pits),
                   {"calibration", "stadia told each from all the others", advice_for(fit, pits)}, notes);
}

}  // namespace moltspan
