#pragma once

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <numeric>
#include <sstream>
#include <stdexcept>

#include "moltspan/config.hpp"
#include "moltspan/instars/impl/model.hpp"
#include "moltspan/instars/instars.hpp"

namespace moltspan {
namespace instars {
namespace detail_instars {

inline constexpr double finest_step = 1e-9;  ///< of the largest size: under it the bounds of a reading are one number
inline constexpr double nan_value = std::numeric_limits<double>::quiet_NaN();

[[noreturn]] inline void refuse(const std::string& message) { throw std::invalid_argument("instar_mixture: " + message); }

inline std::string text_of(double value) {
  std::ostringstream text;
  text.precision(12);
  text << value;
  return text.str();
}

inline void check_sizes(const InstarSizes& sizes) {
  const Index d = sizes.sizes_mm.cols();
  if (sizes.sizes_mm.rows() == 0) refuse("`sizes_mm` is empty; give one size an animal");
  if (d < 1 || d > 3)
    refuse("`sizes_mm` has " + std::to_string(d) + " columns; one to three traits can be used together");
  for (Index i = 0; i < sizes.sizes_mm.rows(); ++i)
    for (Index j = 0; j < d; ++j) {
      const double v = sizes.sizes_mm(i, j);
      if (v > 0 && std::isfinite(v)) continue;
      refuse("row " + std::to_string(i) + (d > 1 ? ", trait " + std::to_string(j) : std::string()) +
             ": `sizes_mm` is " + text_of(v) + ", but a size is a positive number of mm; mend it or leave the row out");
    }
}

inline void check_known(const InstarSizes& sizes) {
  if (!sizes.known.empty() && Index(sizes.known.size()) != sizes.sizes_mm.rows())
    refuse("`known` has " + std::to_string(sizes.known.size()) + " entries for " +
           std::to_string(sizes.sizes_mm.rows()) + " sizes; give one an animal, blank where not known");
  for (std::size_t i = 0; i < sizes.known.size(); ++i)
    if (sizes.known[i] != instar_not_known && (sizes.known[i] < 0 || sizes.known[i] > 200))
      refuse("row " + std::to_string(i) + ": `known` is " + std::to_string(sizes.known[i]) +
             ", but an instar is a whole number from 0 to 200; mend it or leave it blank");
}

inline void check_steps(const InstarSizes& sizes, const InstarOptions& options) {
  const auto& steps = options.reading_step_mm;
  if (steps.empty()) return;
  if (Index(steps.size()) != sizes.sizes_mm.cols())
    refuse("`reading_step_mm` has " + std::to_string(steps.size()) + " entries for " +
           std::to_string(sizes.sizes_mm.cols()) + " traits; give one a trait");
  for (std::size_t j = 0; j < steps.size(); ++j) {
    if (!(steps[j] > 0) || !std::isfinite(steps[j]))
      refuse("`reading_step_mm` is " + text_of(steps[j]) + ", but a step is a positive number of mm");
    const double largest = sizes.sizes_mm.col(static_cast<Index>(j)).maxCoeff();
    if (steps[j] > largest)
      refuse("`reading_step_mm` is " + text_of(steps[j]) + ", but no size was read to a step over the largest, " +
             text_of(largest) + " mm");
    if (steps[j] < finest_step * largest)
      refuse("`reading_step_mm` is " + text_of(steps[j]) + ", which is no step for sizes up to " + text_of(largest) +
             " mm; leave it out where sizes are exact");
  }
  if (steps.size() > 1 && options.covariance == Covariance::full)
    refuse(
        "`reading_step_mm` with several traits needs covariance = diagonal, as the mass of a box under correlated "
        "traits is not computed");
}

inline void check_options(const InstarSizes& sizes, const InstarOptions& options) {
  if (options.n_instars < 0)
    refuse("`n_instars` is " + std::to_string(options.n_instars) + ", but it has to be 1 or more");
  if (options.max_instars < 1 || options.max_instars > 60)
    refuse("`max_instars` is " + std::to_string(options.max_instars) + ", but it has to lie between 1 and 60");
  if (options.n_instars > 60)
    refuse("`n_instars` is " + std::to_string(options.n_instars) + ", but it has to be 60 or less");
  if (options.bootstrap < 0)
    refuse("`bootstrap` is " + std::to_string(options.bootstrap) + ", but it has to be 0 or more");
  if (!(options.least_spread > 0 && options.least_spread < 1))
    refuse("`least_spread` is " + text_of(options.least_spread) + ", but it has to lie between 0 and 1");
  if (options.spread == Spread::linear && options.covariance == Covariance::full && sizes.sizes_mm.cols() > 1)
    refuse("`spread` = linear with several traits needs covariance = diagonal");
}

/// Number of different rows: more components than that have nothing to stand on.
inline int different_sizes(const Sample& sample) {
  std::vector<std::vector<double>> seen;
  for (Index i = 0; i < sample.rows(); ++i) seen.emplace_back(sample.y.row(i).begin(), sample.y.row(i).end());
  std::sort(seen.begin(), seen.end());
  return int(std::unique(seen.begin(), seen.end()) - seen.begin());
}

inline std::pair<int, int> known_span(const Sample& sample) {
  int low = std::numeric_limits<int>::max(), high = -1;
  for (const int label : sample.label)
    if (label != instar_not_known) low = std::min(low, label), high = std::max(high, label);
  return {low, high};
}

inline void check_number(const Sample& sample, int n_instars) {
  const int different = different_sizes(sample);
  if (n_instars > different)
    refuse("`n_instars` is " + std::to_string(n_instars) + ", but there are only " + std::to_string(different) +
           " different sizes (" + text_of(sample.n) + " animals); ask for fewer instars");
  const auto [low, high] = known_span(sample);
  if (high >= 0 && high - low + 1 > n_instars)
    refuse("`n_instars` is " + std::to_string(n_instars) + ", but the known instars run from " + std::to_string(low) +
           " to " + std::to_string(high) + "; ask for at least " + std::to_string(high - low + 1));
}

inline double least_sd(const Sample& sample) {
  if (sample.censored()) return 0.02 * (sample.high.array() / sample.low.array().max(1e-300)).log().minCoeff();
  const Eigen::RowVectorXd spread = (sample.count.transpose() * sample.y.cwiseAbs2()) / sample.n;
  return std::max(1e-8, 1e-4 * std::sqrt(spread.minCoeff()));
}

inline double last_log_likelihood(const std::vector<Model>& maxima) { return maxima.front().log_likelihood; }

}  // namespace detail_instars

MOLTSPAN_INLINE Sample make_sample(const InstarSizes& sizes, const std::vector<double>& steps, const Eigen::RowVectorXd* center) {
  const Index n = sizes.sizes_mm.rows(), d = sizes.sizes_mm.cols();
  const MatrixXd logs = sizes.sizes_mm.array().log();
  std::map<std::vector<double>, Index> rows;
  std::vector<Index> first;
  Sample sample;
  std::vector<double> counts, key(std::size_t(d + 1));
  for (Index i = 0; i < n; ++i) {
    for (Index j = 0; j < d; ++j) key[std::size_t(j)] = sizes.sizes_mm(i, j);
    const int label = sizes.known.empty() ? instar_not_known : sizes.known[std::size_t(i)];
    key[std::size_t(d)] = label;
    const auto [place, is_new] = rows.try_emplace(key, Index(first.size()));
    if (is_new) first.push_back(i), counts.push_back(0), sample.label.push_back(label);
    ++counts[std::size_t(place->second)];
    sample.row_of.push_back(place->second);
  }
  sample.n = double(n);
  sample.center = center ? *center : Eigen::RowVectorXd(logs.colwise().mean());
  sample.count = Eigen::Map<VectorXd>(counts.data(), Index(counts.size()));
  sample.y = logs(first, Eigen::all).rowwise() - sample.center;
  if (steps.empty()) return sample;
  sample.low.resizeLike(sample.y), sample.high.resizeLike(sample.y);
  for (Index i = 0; i < sample.rows(); ++i)
    for (Index j = 0; j < d; ++j) {
      const double size = sizes.sizes_mm(first[std::size_t(i)], j), half = steps[std::size_t(j)] / 2,
                   unit = std::exp(-sample.center[j]);
      sample.low(i, j) = size > half ? (size - half) * unit : 0, sample.high(i, j) = (size + half) * unit;
    }
  return sample;
}

MOLTSPAN_INLINE int Structure::n_parameters(Index d) const {
  const Index one = diagonal() ? d : d * (d + 1) / 2;
  const Index spreads = spread == Spread::equal ? one : spread == Spread::free ? one * n_instars : 2 * one;
  return int(design.cols() * d + spreads + n_instars - 1);
}

MOLTSPAN_INLINE Structure make_structure(int n_instars, int first, const InstarOptions& options, Index traits) {
  Structure s{n_instars, first, options.spacing, options.spread, options.covariance, {}, {}, 0, {}, 0};
  if (traits == 1) s.covariance = Covariance::diagonal;
  if (n_instars == 1) s.spread = Spread::equal;
  const double half = 0.5 * (n_instars - 1);
  s.middle = n_instars == 1 ? VectorXd(VectorXd::Zero(1)) : VectorXd(VectorXd::LinSpaced(n_instars, -half, half));
  if (s.spacing == Spacing::free) {
    s.design = MatrixXd::Identity(n_instars, n_instars);
    return s;
  }
  const Index q = std::min<Index>(n_instars, s.spacing == Spacing::dyar ? 2 : 3);
  s.design.resize(n_instars, q);
  for (Index p = 0; p < q; ++p) s.design.col(p) = s.middle.array().pow(double(p));
  return s;
}

MOLTSPAN_INLINE Found find_best(const Sample& sample, int n_instars, const InstarOptions& options, const Model* previous,
                Effort effort) {
  const auto [low, high] = detail_instars::known_span(sample);
  const int from = high < 0 ? 1 : std::max(std::min(1, low), high - n_instars + 1), to = high < 0 ? 1 : low;
  Found best;
  for (int first = from; first <= to; ++first) {
    Structure s = make_structure(n_instars, first, options, sample.traits());
    s.least_sd = detail_instars::least_sd(sample);
    if (s.own_spreads()) {
      Structure equal = s;
      equal.spread = Spread::equal;
      s.common = covariance_of(search(sample, equal, previous, Effort::quick).front().root.front());
      s.spread_floor = options.least_spread;
    }
    std::vector<Model> maxima = search(sample, s, previous, effort);
    if (best.maxima.empty() || detail_instars::last_log_likelihood(maxima) > detail_instars::last_log_likelihood(best.maxima))
      best = {std::move(s), std::move(maxima)};
  }
  return best;
}

namespace detail_instars {

inline VectorXd step_errors(const Sample& sample, const Structure& s, const Model& model) {
  const Index d = sample.traits(), q = s.design.cols();
  VectorXd error = VectorXd::Constant(d, nan_value);
  if (s.n_instars == 1) return error;
  const MatrixXd covariance = parameter_covariance(sample, s, model);
  const VectorXd contrast = (s.design.row(s.n_instars - 1) - s.design.row(0)).transpose() / (s.n_instars - 1);
  for (Index j = 0; j < d; ++j) {
    double variance = 0;
    for (Index a = 0; a < q; ++a)
      for (Index b = 0; b < q; ++b)
        if (contrast[a] != 0 && contrast[b] != 0)
          variance += contrast[a] * contrast[b] * covariance(q * j + a, q * j + b);
    error[j] = std::sqrt(variance);
  }
  return error;
}

inline double log_of_best_posteriors(const Sample& sample, const Structure& s, const Model& model) {
  MatrixXd r;
  expectation(sample, s, model, r);
  return sample.count.dot(r.rowwise().maxCoeff().array().log().matrix());
}

/// Free means come in any order.
inline void put_in_order(Model& model) {
  std::vector<Index> order(std::size_t(model.mean.rows()));
  std::iota(order.begin(), order.end(), 0);
  std::stable_sort(order.begin(), order.end(), [&](Index a, Index b) { return model.mean(a, 0) < model.mean(b, 0); });
  const Model old = model;
  for (std::size_t k = 0; k < order.size(); ++k) {
    model.mean.row(Index(k)) = old.mean.row(order[k]);
    model.weight[Index(k)] = old.weight[order[k]];
    model.root[k] = old.root[std::size_t(order[k])], model.held[k] = old.held[std::size_t(order[k])];
  }
}

inline double mean_step(const Model& model, Index trait) {
  const Index last = model.mean.rows() - 1;
  return last == 0 ? nan_value : (model.mean(last, trait) - model.mean(0, trait)) / double(last);
}

}  // namespace detail_instars

MOLTSPAN_INLINE InstarFit package(const Sample& sample, const Found& found) {
  Model model = found.maxima.front();
  const bool labelled = detail_instars::known_span(sample).second >= 0;
  if (found.structure.spacing == Spacing::free && !labelled) detail_instars::put_in_order(model);
  const Structure& s = found.structure;
  InstarFit fit;
  fit.n_instars = s.n_instars, fit.first_instar = s.first;
  fit.log_likelihood = model.log_likelihood, fit.n_parameters = s.n_parameters(sample.traits());
  fit.bic = fit.n_parameters * std::log(sample.n) - 2 * fit.log_likelihood;
  fit.icl = fit.bic - 2 * detail_instars::log_of_best_posteriors(sample, s, model);
  fit.weights = model.weight, fit.expected_count = sample.n * model.weight;
  fit.mean_log = model.mean.rowwise() + sample.center;
  fit.sd_log.resizeLike(fit.mean_log);
  for (Index k = 0; k < s.n_instars; ++k) {
    fit.covariance_log.push_back(covariance_of(model.root[std::size_t(k)]));
    fit.sd_log.row(k) = fit.covariance_log.back().diagonal().cwiseSqrt();
  }
  fit.log_ratio.resize(sample.traits());
  for (Index j = 0; j < sample.traits(); ++j) fit.log_ratio[j] = detail_instars::mean_step(model, j);
  fit.log_ratio_error = detail_instars::step_errors(sample, s, model);
  fit.iterations = model.iterations, fit.newton_steps = model.newton_steps, fit.gradient = model.decrement;
  fit.converged = model.converged, fit.spread_at_floor = model.at_floor();
  for (std::size_t i = 1; i < found.maxima.size(); ++i)
    fit.others.emplace_back(detail_instars::mean_step(found.maxima[i], 0), found.maxima[i].log_likelihood);
  return fit;
}

MOLTSPAN_INLINE Model model_from(const InstarFit& fit, const Eigen::RowVectorXd& center) {
  Model model;
  model.mean = fit.mean_log.rowwise() - center;
  model.weight = fit.weights;
  for (const MatrixXd& covariance : fit.covariance_log) model.root.push_back(root_of(covariance));
  model.held.assign(model.root.size(), 0);
  return model;
}

MOLTSPAN_INLINE Structure structure_from(const InstarFit& fit, const InstarOptions& options) {
  return make_structure(fit.n_instars, fit.first_instar, options, fit.mean_log.cols());
}

namespace detail_instars {

/// Numbers to try: all from the span of the known instars up; with all instars known, their span alone.
inline std::pair<int, int> numbers_to_try(const Sample& sample, const InstarOptions& options) {
  if (options.n_instars > 0) return {options.n_instars, options.n_instars};
  const auto [low, high] = known_span(sample);
  const int span = high < 0 ? 1 : high - low + 1;
  const bool all_known = std::find(sample.label.begin(), sample.label.end(), instar_not_known) == sample.label.end();
  const int different = different_sizes(sample);
  const int most = different <= 2 ? 1 : std::min(options.max_instars, different - 1);
  return {span, all_known ? span : std::max(span, most)};
}

inline void fit_all(const Sample& sample, const InstarOptions& options, InstarMixture& result) {
  const auto [from, to] = numbers_to_try(sample, options);
  std::optional<Model> previous;
  const auto [low, high] = known_span(sample);
  const int span = high < 0 ? 1 : high - low + 1;
  const int lead = options.spacing == Spacing::free ? 2 : from - 1;  // smaller numbers lend their starts
  const int first = std::max(std::min(lead, from), span);
  for (int n = first; n <= to; ++n) {
    const bool asked = n >= from;
    const Effort effort = asked ? Effort::full : options.spacing == Spacing::free ? Effort::quick : Effort::start;
    const Found found = find_best(sample, n, options, previous ? &*previous : nullptr, effort);
    previous = found.maxima.front();
    if (asked) result.fits.push_back(package(sample, found));
  }
  result.best = *std::min_element(result.fits.begin(), result.fits.end(),
                                  [](const InstarFit& a, const InstarFit& b) { return a.bic < b.bic; });
}

inline void classify(const Sample& sample, InstarMixture& result) {
  MatrixXd r;
  expectation(sample, structure_from(result.best, result.options), model_from(result.best, sample.center), r);
  result.posterior = r(sample.row_of, Eigen::all);
  result.instar.resize(sample.row_of.size());
  for (std::size_t i = 0; i < result.instar.size(); ++i) {
    Index best = 0;
    result.posterior.row(Index(i)).maxCoeff(&best);
    result.instar[i] = result.best.first_instar + int(best);
  }
}

inline void check_all(const InstarSizes& sizes, const InstarOptions& options) {
  check_sizes(sizes), check_known(sizes), check_steps(sizes, options), check_options(sizes, options);
}

}  // namespace detail_instars
}  // namespace instars

MOLTSPAN_INLINE InstarFit fit_instars(const InstarSizes& sizes, int n_instars, const InstarOptions& options) {
  using namespace instars;
  InstarOptions one = options;
  one.n_instars = n_instars;
  if (n_instars < 1) detail_instars::refuse("`n_instars` is " + std::to_string(n_instars) + ", but it has to be 1 or more");
  detail_instars::check_all(sizes, one);
  const Sample sample = make_sample(sizes, options.reading_step_mm);
  detail_instars::check_number(sample, n_instars);
  InstarMixture result;
  detail_instars::fit_all(sample, one, result);
  return result.best;
}

MOLTSPAN_INLINE InstarMixture instar_mixture(const InstarSizes& sizes, const InstarOptions& options) {
  using namespace instars;
  detail_instars::check_all(sizes, options);
  const Sample sample = make_sample(sizes, options.reading_step_mm);
  const auto [low, high] = detail_instars::known_span(sample);
  detail_instars::check_number(sample, options.n_instars > 0 ? options.n_instars : high < 0 ? 1 : high - low + 1);
  InstarMixture result;
  result.options = options;
  result.n = std::size_t(sizes.sizes_mm.rows());
  result.n_known =
      std::size_t(std::count_if(sizes.known.begin(), sizes.known.end(), [](int k) { return k != instar_not_known; }));
  detail_instars::fit_all(sample, options, result);
  detail_instars::classify(sample, result);
  result.misclassified = misclassification(result.best);
  for (Index j = 0; j < sample.traits(); ++j) result.ranges.push_back(size_ranges(result.best, j));
  if (options.bootstrap > 0)
    result.tests = instar_bootstrap(sizes, result, options.bootstrap, options.seed, options.threads);
  result.health = judge(result, sample);
  return result;
}

MOLTSPAN_INLINE Eigen::MatrixXd instar_posterior(const InstarFit& fit, const InstarSizes& sizes, const InstarOptions& options) {
  using namespace instars;
  detail_instars::check_all(sizes, options);
  if (sizes.sizes_mm.cols() != fit.mean_log.cols())
    detail_instars::refuse("`sizes_mm` has " + std::to_string(sizes.sizes_mm.cols()) + " traits, but the fit has " +
           std::to_string(fit.mean_log.cols()));
  const Eigen::RowVectorXd center = fit.mean_log.colwise().mean();
  const InstarSizes unknown{sizes.sizes_mm, {}};
  const Sample sample = make_sample(unknown, options.reading_step_mm, &center);
  MatrixXd r;
  expectation(sample, structure_from(fit, options), model_from(fit, center), r);
  return r(sample.row_of, Eigen::all);
}

}  // namespace moltspan
