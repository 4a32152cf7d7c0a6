#include <boost/math/distributions/normal.hpp>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <stdexcept>

#include "growth/bayes_model.hpp"
#include "moltspan/numeric/normal.hpp"

namespace moltspan {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::RowVectorXd;
using Eigen::VectorXd;

constexpr int root_bits = 40;

/// A mixture of normals with the weights of the points.
struct NormalMixture {
  VectorXd weight, mean, variance;

  double cdf(double at) const {
    double sum = 0;
    for (Index k = 0; k < weight.size(); ++k)
      sum += weight[k] * numeric::Phi((at - mean[k]) / std::sqrt(std::max(variance[k], 1e-300)));
    return sum / weight.sum();
  }

  double quantile(double probability) const {
    const double z = boost::math::quantile(boost::math::normal(), probability);
    const VectorXd each = mean.array() + z * variance.array().max(1e-300).sqrt();
    const double low = each.minCoeff(), high = each.maxCoeff();
    if (!(high - low > 1e-13 * (1 + std::abs(low)))) return low;
    std::uintmax_t steps = 200;
    const auto excess = [&](double at) { return cdf(at) - probability; };
    const double at_low = excess(low), at_high = excess(high);
    if (at_low >= 0) return low;
    if (at_high <= 0) return high;
    const auto root = boost::math::tools::toms748_solve(excess, low, high, at_low, at_high,
                                                        boost::math::tools::eps_tolerance<double>(root_bits), steps);
    return 0.5 * (root.first + root.second);
  }
};

NormalMixture coefficient_mixture(const BayesGrowthFit& fit, Index coefficient) {
  const auto n = static_cast<Index>(fit.points.size());
  NormalMixture result{VectorXd(n), VectorXd(n), VectorXd(n)};
  for (Index k = 0; k < n; ++k) {
    const BayesGrowthPoint& point = fit.points[k];
    result.weight[k] = point.weight;
    result.mean[k] = point.beta[coefficient];
    result.variance[k] = point.beta_covariance(coefficient, coefficient);
  }
  return result;
}

/// What a row asks of an animal's own part f = z'b + walk.
struct OwnPart {
  RowVectorXd z;
  double instar = 0;
  bool walks = false;
};

/// Mean and variance of a predictor at one point, effects of animal and cohort in it.
struct Moments {
  double mean = 0, variance = 0;
};

double own_variance(const MixedState& state, const OwnPart& part) {
  double variance = part.z.size() > 0 ? part.z.dot(part.z * state.numbers().effect_covariance) : 0;
  if (part.walks) variance += state.model().walk(part.instar, part.instar, state.numbers());
  return variance;
}

/// Covariances of an animal's own part with what its readings read.
VectorXd own_covariances(const MixedState& state, const MixedDesign& design, std::size_t animal, const OwnPart& part) {
  const auto& rows = state.model().rows_of_animal()[animal];
  VectorXd result = VectorXd::Zero(static_cast<Index>(rows.size()));
  if (part.z.size() > 0) result = design.z(rows, Eigen::all) * (state.numbers().effect_covariance * part.z.transpose());
  for (std::size_t i = 0; part.walks && i < rows.size(); ++i)
    result[static_cast<Index>(i)] +=
        state.model().walk(part.instar, state.model().data().rows.instars[rows[i]], state.numbers());
  return result;
}

/// x'beta + u_cohort + own part, given all readings. animal or cohort -1: their part is left out.
Moments predictor_at(const MixedState& state, const MixedDesign& design, RowVectorXd x, int cohort, int animal,
                     const OwnPart& part) {
  const Index p = x.size();
  double of_cohort = cohort >= 0 ? 1 : 0;
  Moments result;
  if (animal >= 0) {
    const AnimalBlock& block = state.block(static_cast<std::size_t>(animal));
    const VectorXd k = own_covariances(state, design, static_cast<std::size_t>(animal), part);
    result.mean += k.dot(block.solved.col(p + 1));
    result.variance += own_variance(state, part) - k.dot(block.inverse * k);
    x -= k.transpose() * block.solved.leftCols(p);
    const int own_cohort = state.model().cohort_of(static_cast<std::size_t>(animal));
    if (own_cohort >= 0) {
      cohort = own_cohort;
      of_cohort -= k.dot(block.solved.col(p));
    }
  }
  if (cohort >= 0) {
    const CohortLaw& law = state.cohort(cohort);
    result.mean += of_cohort * law.center;
    result.variance += of_cohort * of_cohort * law.variance;
    x -= of_cohort * law.slope.transpose();
  }
  result.mean += x.dot(state.beta());
  result.variance += x.dot(x * state.beta_covariance());
  return result;
}

/// Last instar read of each animal.
std::vector<double> last_instars(const MixedModel& model) {
  std::vector<double> last;
  for (const auto& rows : model.rows_of_animal()) {
    double most = -std::numeric_limits<double>::infinity();
    for (int row : rows) most = std::max(most, model.data().rows.instars[row]);
    last.push_back(most);
  }
  return last;
}

/// The laws of a row's line and of its next reading, a point each.
struct RowLaws {
  NormalMixture line, next;
};

class Predictor {
 public:
  Predictor(const BayesGrowthFit& fit, const BayesGrowthRows& rows)
      : model_(fit.data, fit.options, fit.form == GrowthForm::declining), state_(model_), rows_(rows) {
    if (model_.process()) last_ = last_instars(model_);
  }

  void add_point(const BayesGrowthPoint& point, Index k, std::vector<RowLaws>& laws) {
    state_.restore(point);
    const double decline = state_.numbers().decline;
    const MixedDesign own = model_.design(model_.data().rows, decline), asked = model_.design(rows_, decline);
    for (std::size_t row = 0; row < laws.size(); ++row) add_row(own, asked, static_cast<Index>(row), k, laws[row]);
  }

 private:
  static int code(const std::vector<int>& codes, Index row) {
    return codes.empty() ? -1 : codes[row];
  }

  void add_row(const MixedDesign& own, const MixedDesign& asked, Index row, Index k, RowLaws& laws) const {
    const int animal = model_.n_effects() > 0 || model_.process() ? code(rows_.groups, row) : -1;
    const int cohort = code(rows_.outer_groups, row);
    OwnPart part;
    if (model_.n_effects() > 0) part.z = asked.z.row(row);
    part.walks = model_.process();
    if (part.walks) part.instar = rows_.instars[row];
    OwnPart seen = part;
    if (animal >= 0 && part.walks) seen.instar = std::min(part.instar, last_[animal]);
    const Moments line = predictor_at(state_, own, asked.x.row(row), cohort, animal, seen);
    Moments next = part.walks ? predictor_at(state_, own, asked.x.row(row), cohort, animal, part) : line;
    if (animal < 0) next.variance += own_variance(state_, part);
    if (model_.cohorts() && cohort < 0 && animal < 0) next.variance += state_.numbers().cohort_variance;
    next.variance +=
        state_.numbers().reading_variance[rows_.measures.empty() ? 0
                                                                 : static_cast<std::size_t>(
                                                                       rows_.measures[row])];
    laws.line.mean[k] = line.mean;
    laws.line.variance[k] = line.variance;
    laws.next.mean[k] = next.mean;
    laws.next.variance[k] = next.variance;
  }

  MixedModel model_;
  MixedState state_;
  const BayesGrowthRows& rows_;
  std::vector<double> last_;
};

void check_level(double level) {
  if (!(level > 0 && level < 1)) throw std::invalid_argument("level = " + std::to_string(level) + ": between 0 and 1");
}

}  // namespace

MixedBands predict_growth_bayes(const BayesGrowthFit& fit, const BayesGrowthRows& rows, double level) {
  check_level(level);
  const Index n = rows.x.rows();
  const auto points = static_cast<Index>(fit.points.size());
  VectorXd weights(points);
  for (Index k = 0; k < points; ++k) weights[k] = fit.points[k].weight;
  const NormalMixture blank{weights, VectorXd(points), VectorXd(points)};
  std::vector<RowLaws> laws(static_cast<std::size_t>(n), RowLaws{blank, blank});
  Predictor predictor(fit, rows);
  for (Index k = 0; k < points; ++k) predictor.add_point(fit.points[k], k, laws);
  MixedBands bands{VectorXd(n), VectorXd(n), VectorXd(n), VectorXd(n), VectorXd(n)};
  const double tail = 0.5 * (1 - level);
  for (Index row = 0; row < n; ++row) {
    const RowLaws& law = laws[row];
    bands.estimate[row] = law.line.quantile(0.5);
    bands.mean_lower[row] = law.line.quantile(tail);
    bands.mean_upper[row] = law.line.quantile(1 - tail);
    bands.new_lower[row] = law.next.quantile(tail);
    bands.new_upper[row] = law.next.quantile(1 - tail);
  }
  return bands;
}

MixedIntervals bayes_growth_intervals(const BayesGrowthFit& fit, double level) {
  check_level(level);
  const Index p = fit.beta.size(), n = p + static_cast<Index>(fit.spreads.size());
  MixedIntervals result;
  result.names = fit.data.coefficients;
  for (VectorXd* part : {&result.estimate, &result.error, &result.lower, &result.upper}) part->resize(n);
  const double tail = 0.5 * (1 - level), z = boost::math::quantile(boost::math::normal(), 1 - tail);
  for (Index i = 0; i < p; ++i) {
    const NormalMixture law = coefficient_mixture(fit, i);
    result.estimate[i] = fit.beta[i];
    result.error[i] = std::sqrt(fit.covariance(i, i));
    result.lower[i] = law.quantile(tail);
    result.upper[i] = law.quantile(1 - tail);
  }
  for (Index i = p; i < n; ++i) {
    const auto k = static_cast<std::size_t>(i - p);
    const std::string& name = fit.spread_names[k];
    const auto back = [&](double at) {
      return name == "decline" ? at : name.starts_with("animal_correlation") ? std::tanh(at) : std::exp(at);
    };
    result.names.push_back(name);
    result.estimate[i] = fit.spreads[k].mean;
    result.error[i] = fit.spreads[k].sd;
    result.lower[i] = back(fit.unbounded[k].mean - z * fit.unbounded[k].sd);
    result.upper[i] = back(fit.unbounded[k].mean + z * fit.unbounded[k].sd);
  }
  return result;
}

BayesRatio bayes_growth_ratio(const BayesGrowthFit& fit, std::size_t coefficient, double level, double against) {
  check_level(level);
  if (!(against > 0)) throw std::invalid_argument("against = " + std::to_string(against) + ": a ratio is above 0");
  const NormalMixture law = coefficient_mixture(fit, static_cast<Index>(coefficient));
  const double tail = 0.5 * (1 - level);
  return {std::exp(law.quantile(0.5)), std::exp(law.quantile(tail)), std::exp(law.quantile(1 - tail)),
          1 - law.cdf(std::log(against))};
}

MatrixXd bayes_animal_effects(const BayesGrowthFit& fit) {
  const MixedModel model(fit.data, fit.options, fit.form == GrowthForm::declining);
  MixedState state(model);
  const auto animals = static_cast<Index>(model.rows_of_animal().size());
  MatrixXd result = MatrixXd::Zero(model.n_effects() > 0 ? animals : 0, model.n_effects());
  for (const BayesGrowthPoint& point : fit.points) {
    state.restore(point);
    const MixedDesign own = model.design(fit.data.rows, state.numbers().decline);
    for (Index i = 0; i < result.rows(); ++i)
      for (Index effect = 0; effect < result.cols(); ++effect) {
        const OwnPart part{RowVectorXd::Unit(result.cols(), effect), 0, false};
        const auto k = own_covariances(state, own, static_cast<std::size_t>(i), part);
        const AnimalBlock& block = state.block(static_cast<std::size_t>(i));
        const Index p = model.n_coefficients();
        const int cohort = model.cohort_of(static_cast<std::size_t>(i));
        const double u = cohort < 0 ? 0 : state.cohort(cohort).center - state.cohort(cohort).slope.dot(state.beta());
        result(i, effect) += point.weight * k.dot(block.solved.col(p + 1) - block.solved.leftCols(p) * state.beta() -
                                                  u * block.solved.col(p));
      }
  }
  return result;
}

}  // namespace moltspan
