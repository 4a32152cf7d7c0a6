#pragma once

#include <algorithm>
#include <cmath>
#include <string>

#include "moltspan/config.hpp"
#include "moltspan/growth/impl/lines_law.hpp"

namespace moltspan {
namespace detail_lines_animals {

using Eigen::Index;
using Eigen::VectorXd;
using namespace lines;

struct Rows {
  VectorXd instars, sizes_mm, weights;
};

inline std::vector<std::vector<Index>> rows_by_animal(const std::vector<int>& animal) {
  std::vector<std::vector<Index>> rows;
  for (std::size_t i = 0; i < animal.size(); ++i) {
    if (animal[i] < 0) refuse("dyar_fit", "row " + std::to_string(i) + " has no animal; name it or leave the row out");
    rows.resize(std::max(rows.size(), static_cast<std::size_t>(animal[i]) + 1));
    rows[static_cast<std::size_t>(animal[i])].push_back(static_cast<Index>(i));
  }
  return rows;
}

inline Rows rows_of(const Rows& all, const std::vector<Index>& rows) {
  if (rows.empty()) refuse("dyar_fit", "an animal code without a row; codes run from 0 without a gap");
  Rows own{all.instars(rows), all.sizes_mm(rows), all.weights(rows)};
  if (own.weights.maxCoeff() <= 0)
    refuse("dyar_fit",
           "row " + std::to_string(rows.front()) + ": all rows of its animal have weight 0; leave them out");
  return own;
}

/// Log sizes and instars less their animal's weighted means, and those means.
struct Within {
  VectorXd x, y, mean_x, mean_y;

  Within(const Rows& all, const std::vector<std::vector<Index>>& rows)
      : x(all.instars), y(all.sizes_mm.array().log()), mean_x(rows.size()), mean_y(rows.size()) {
    for (std::size_t a = 0; a < rows.size(); ++a) {
      const VectorXd w = all.weights(rows[a]);
      const auto k = static_cast<Index>(a);
      mean_x[k] = w.dot(x(rows[a])) / w.sum();
      mean_y[k] = w.dot(y(rows[a])) / w.sum();
      x(rows[a]).array() -= mean_x[k];
      y(rows[a]).array() -= mean_y[k];
    }
  }
};

inline void test_equal_slopes(const std::vector<DyarFit>& animals, double residual_squares, PooledDyar& pooled) {
  double own_squares = 0;
  int own_df = 0;
  for (const DyarFit& fit : animals) own_squares += fit.line.residual_sum_of_squares, own_df += fit.line.residual_df;
  pooled.equal_slopes_df = pooled.residual_df - own_df;
  const double between = (residual_squares - own_squares) / pooled.equal_slopes_df;
  pooled.equal_slopes = f_test(between / (own_squares / own_df), pooled.equal_slopes_df, own_df);
}

inline void judge(PooledDyar& pooled, const std::vector<DyarFit>& animals) {
  const auto lines =
      std::count_if(animals.begin(), animals.end(), [](const DyarFit& fit) { return fit.n_instars > 1; });
  if (lines == 0) {
    pooled.health.push_back({HealthState::bad, "one_instar", "no animal has sizes of two instars: there is no ratio"});
    return;
  }
  if (lines < pooled.n_animals)
    pooled.health.push_back({HealthState::warning, "one_instar",
                             std::to_string(pooled.n_animals - lines) +
                                 " animal(s) have sizes of one instar only and say nothing of the ratio"});
  note_scatter(pooled.residual_df, pooled.residual_sd, 1, pooled.health);
  if (pooled.equal_slopes.p_value < 0.05)
    pooled.health.push_back({HealthState::warning, "unequal_ratios",
                             "the animals differ in their ratio (p = " + shown(pooled.equal_slopes.p_value) +
                                 "): one ratio for all is too simple, and its interval too narrow for other animals"});
}

inline PooledDyar pool(const Rows& all, const std::vector<std::vector<Index>>& rows, const std::vector<DyarFit>& animals) {
  const Within within(all, rows);
  const auto line = numeric::least_squares(within.x, within.y, all.weights);
  PooledDyar pooled;
  pooled.n = line.n;
  pooled.n_animals = static_cast<int>(rows.size());
  pooled.slope = line.coefficients[0];
  pooled.ratio = std::exp(pooled.slope);
  pooled.intercepts = within.mean_y - pooled.slope * within.mean_x;
  pooled.residual_df = line.n - pooled.n_animals - line.rank;
  pooled.residual_sd = pooled.residual_df > 0 ? std::sqrt(line.residual_sum_of_squares / pooled.residual_df) : unknown;
  pooled.slope_error = pooled.residual_sd * std::sqrt(line.unscaled_covariance(0, 0));
  pooled.r_squared_within = line.r_squared;
  test_equal_slopes(animals, line.residual_sum_of_squares, pooled);
  judge(pooled, animals);
  return pooled;
}

}  // namespace detail_lines_animals

MOLTSPAN_INLINE DyarAnimals dyar_fit_animals(const Eigen::VectorXd& instars, const Eigen::VectorXd& sizes_mm, const std::vector<int>& animal,
                             const Eigen::VectorXd& weights) {
  dyar_fit(instars, sizes_mm, weights);  // so that every faulty row is named by its place in the whole table
  lines::check_same_length("dyar_fit", instars.size(), static_cast<Eigen::Index>(animal.size()));
  const detail_lines_animals::Rows all{instars, sizes_mm, weights.size() == 0 ? Eigen::VectorXd::Ones(instars.size()) : weights};
  const auto rows = detail_lines_animals::rows_by_animal(animal);
  DyarAnimals result;
  for (const auto& own_rows : rows) {
    const detail_lines_animals::Rows own = detail_lines_animals::rows_of(all, own_rows);
    result.animals.push_back(dyar_fit(own.instars, own.sizes_mm, own.weights));
  }
  result.pooled = detail_lines_animals::pool(all, rows, result.animals);
  return result;
}

MOLTSPAN_INLINE LineInterval growth_ratio(const PooledDyar& fit, double level) {
  lines::check_level("growth_ratio", level);
  return lines::exp_interval(fit.slope, fit.slope_error, fit.residual_df, level);
}

MOLTSPAN_INLINE LineTest test_ratio(const PooledDyar& fit, double ratio) {
  if (!(ratio > 0 && std::isfinite(ratio))) lines::refuse("test_ratio", "ratio = " + lines::shown(ratio) + "; it must be positive");
  return lines::t_test(fit.slope - std::log(ratio), fit.slope_error, fit.residual_df);
}

}  // namespace moltspan
