#include "collection/residuals.hpp"

#include <cmath>

#include "intervals/predictive.hpp"
#include "intervals/model.hpp"
#include "intervals/posterior.hpp"

namespace moltspan {
namespace {

bool tells_of_length(const CollectionFit& fit, std::size_t row) {
  const StadiumBounds& b = fit.data.bounds[row];
  return b.min_days > 0 && !std::isnan(b.max_days) && !(b.entry_days > 0) && !fit.data.hides_molts(row) &&
         fit.table.stadia[row].molts == 1;
}

RecordResidual residual_of(const ConditionalPosterior& posterior, const StadiaModel& model, std::size_t record) {
  const StadiumBounds& b = model.data().bounds[record];
  const auto [mean, variance] = predictor_without_term(posterior, model, record);
  const double sigma = std::exp(model.record_log_sigma(record, posterior.hyper())), width = std::log(b.max_days / b.min_days);
  const LawMoments law = moments_of(model.options().family);
  const double whole = sigma * sigma * law.variance,
               spread = std::exp(2 * posterior.hyper()[model.log_sigma_index()]) * law.variance;
  const auto& scales = model.data().log_scale;
  const double scaled = scales.size() == 0 ? spread : spread * std::exp(2 * scales[static_cast<Eigen::Index>(record)]);
  return {0, 0.5 * (std::log(b.min_days) + std::log(b.max_days)) - mean - sigma * law.mean,
          variance + width * width / 12 + std::max(whole - scaled, 0.0), spread, scaled, width * width / 12};
}

}  // namespace

std::vector<RecordResidual> record_residuals(const CollectionFit& fit, const StadiaFit& first, std::size_t most_records) {
  const std::vector<Eigen::Index> rows = thinned_rows(fit.data, most_records);
  const StadiaModel model(picked_rows(fit.data, rows), first.options, false);
  const Eigen::VectorXd hyper = first.estimate.values.tail(first.estimate.values.size() - first.coefficients.size());
  ConditionalPosterior posterior(model);
  if (hyper.size() != model.n_hyper() || !hyper.allFinite() || !posterior.solve(hyper)) return {};
  std::vector<RecordResidual> residuals;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const auto row = static_cast<std::size_t>(rows[i]);
    if (!tells_of_length(fit, row)) continue;
    residuals.push_back(residual_of(posterior, model, i));
    residuals.back().row = row;
  }
  return residuals;
}

}  // namespace moltspan
