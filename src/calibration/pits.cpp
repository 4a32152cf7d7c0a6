#include "calibration/pits.hpp"

#include <algorithm>
#include <cmath>
#include <tuple>

#include "intervals/next_molt_law.hpp"
#include "intervals/posterior.hpp"
#include "moltspan/numeric/quadrature.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::VectorXd;

constexpr std::size_t enough_records = 1500;  ///< to tell how well a fit tells its records
constexpr int wide_range_nodes = 6;           ///< over a start that is known to more than a day

/// One over the others: the chance that a stadium is over, given that it lasted to its late entry.
double given(double chance, double entered) {
  return entered < 1 ? std::clamp((chance - entered) / (1 - entered), 0.0, 1.0) : 1;
}

/// Days from the beginning of the start's range to both ends of the range of the end.
std::pair<double, double> end_range(const StadiumBounds& b) {
  if (b.max_days == b.min_days) return {b.min_days, b.min_days + std::min(b.start_range_days, b.end_range_days)};
  const double wide = b.min_days > 0 ? b.max_days - b.min_days - b.start_range_days : b.end_range_days;
  return {b.max_days - std::max(wide, 0.0), b.max_days};
}

}  // namespace

MixedLength::MixedLength(const CollectionFit& fit, const std::vector<PredictiveComponent>& points) {
  const Family own = fit.options.family;
  for (const FamilyWeight& one : fit.families)
    parts_.push_back({one.family, one.weight, one.family == own ? points : in_family(points, own, one.family)});
}

double MixedLength::survival(double days) const {
  if (days <= 0) return 1;
  const double log_days = std::log(days);
  double sum = 0;
  for (const Part& part : parts_)
    for (const PredictiveComponent& point : part.points)
      sum += part.weight * point.weight * survival_of_log(part.family, point, log_days);
  return std::min(sum, 1.0);
}

double MixedLength::survival_from_range(double days, double range) const {
  if (range <= 1) return survival(days - 0.5 * range);
  const auto& rule = numeric::gauss_legendre(wide_range_nodes);
  double sum = 0;
  for (Index i = 0; i < rule.nodes.size(); ++i)
    sum += 0.5 * rule.weights[i] * survival(days - 0.5 * range * (1 + rule.nodes[i]));
  return sum;
}

Pit LengthChances::given_entry() const { return {given(from, entered), std::max(given(from, entered), given(to, entered))}; }

LengthChances chances_of_length(const MixedLength& law, const StadiumBounds& bounds) {
  const double range = bounds.start_range_days;
  LengthChances chances;
  if (bounds.entry_days > 0) chances.entered = 1 - law.survival_from_range(bounds.entry_days + range, range);
  if (std::isnan(bounds.max_days)) {
    chances.from = bounds.min_days > 0 ? 1 - law.survival_from_range(bounds.min_days + range, range) : 0;
    return chances;
  }
  const auto [from, to] = end_range(bounds);
  chances.from = 1 - law.survival_from_range(from, range);
  chances.to = 1 - law.survival_from_range(to, range);
  return chances;
}

double weight_of_record(const CollectionFit& fit, std::size_t row) {
  const double weight = fit.data.weights.size() > 0 ? fit.data.weights[static_cast<Index>(row)] : 1;
  return fit.hidden.used() ? weight * fit.hidden.chances[row][0] : weight;
}

namespace {

RecordPit pit_of(const CollectionFit& fit, const ConditionalPosterior& posterior, const StadiaModel& model,
                 std::size_t record, std::size_t row) {
  RecordPit result;
  result.row = static_cast<int>(row);
  std::tie(result.mean, result.variance) = predictor_without_term(posterior, model, record);
  result.sigma = std::exp(model.record_log_sigma(record, posterior.hyper()));
  const StadiumBounds& bounds = model.data().bounds[record];
  const MixedLength law(fit, {{1, result.mean, result.variance, result.sigma}});
  const LengthChances chances = chances_of_length(law, bounds);
  result.pit = chances.given_entry();
  result.entered = chances.entered;
  result.seen = !std::isnan(bounds.max_days);
  result.weight = weight_of_record(fit, row);
  return result;
}

}  // namespace

std::vector<RecordPit> leave_one_out_pits(const CollectionFit& fit) {
  std::vector<RecordPit> pits;
  if (fit.options.method != Method::bayes || fit.data.size() == 0) return pits;
  const auto& values = fit.stadia.estimate.values;
  const VectorXd hyper = values.tail(values.size() - fit.stadia.coefficients.size());
  const auto rows = rows_of_part(fit.data, enough_records);
  const StadiaModel& whole = fit.stadia.posterior->get().model();
  const StadiaModel part(picked_rows(fit.data, rows), whole.options(), false);
  if (!hyper.allFinite() || part.n_hyper() != hyper.size()) return pits;
  ConditionalPosterior posterior(part);
  if (!posterior.solve(hyper)) return pits;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const StadiumBounds& bounds = part.data().bounds[i];
    if (std::isnan(bounds.max_days) && !(bounds.min_days > bounds.entry_days)) continue;  // tells nothing
    pits.push_back(pit_of(fit, posterior, part, i, static_cast<std::size_t>(rows[i])));
  }
  return pits;
}

}  // namespace moltspan
