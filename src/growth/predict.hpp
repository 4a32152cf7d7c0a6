#pragma once

#include <Eigen/Core>
#include <mutex>
#include <vector>

#include "growth/profile.hpp"

namespace moltspan {

/// One point of the posterior of the relative spreads: coefficients and sigma are known there in closed form.
struct SpreadPoint {
  double weight = 1;
  RelativeSpread spread;
  Eigen::VectorXd beta;       ///< whitened
  Eigen::MatrixXd x_inverse;  ///< whitened, for sigma = 1
  double variance = 0;        ///< squares / (n - p)
  std::vector<OuterView> outer;
};

/// Distribution function of Student's t with its density as slope, from a table of cubics: errs by less than 1e-7 (the
/// fourth derivative is at most 2 for one degree of freedom or more, the step .05), exact outside the table.
class StudentTable {
 public:
  explicit StudentTable(double degrees_of_freedom = 1);
  /// Makes the table; without it every value is computed.
  void fill();

  struct Value {
    double cdf, pdf;
  };
  Value operator()(double t) const;
  double quantile(double probability) const;

 private:
  double degrees_;
  std::vector<Value> knots_;
};

/// Posterior of the spreads, made on first use.
class MixedPoints {
 public:
  const std::vector<SpreadPoint>& of(const MixedFit& fit);
  const StudentTable& student() const { return student_; }  ///< law of each point
  const MixedFit& reml() const { return reml_; }            ///< the same model by REML
  /// Inverse observed information of the REML fit's search parameters and log sigma^2.
  const Eigen::MatrixXd& spread_covariance() const { return spread_covariance_; }

 private:
  void make(const MixedFit& fit);

  std::once_flag made_;
  std::vector<SpreadPoint> points_;
  StudentTable student_;
  MixedFit reml_;
  Eigen::MatrixXd spread_covariance_;
};

/// Mixture of Student t with common degrees of freedom.
struct StudentMixture {
  Eigen::VectorXd weight, center, scale;
  const StudentTable& student;

  double quantile(double probability) const;
};

/// Whitened row: what is predicted for.
struct MixedRow {
  Eigen::VectorXd x, z;
  double offset = 0;  ///< of the line taken off y
  int group = -1, outer = -1;
};

/// Predictor of a row at one point: center, variance of its error for sigma = 1, and what a new reading adds to that.
struct PredictorMoments {
  double center = 0, variance = 0, extra = 0;
};

PredictorMoments predictor_moments(const MixedBlocks& blocks, const SpreadPoint& point, const MixedRow& row);

/// The point of the fit itself.
SpreadPoint fitted_point(const MixedFit& fit);

MixedRow mixed_row(const MixedFit& fit, const MixedRows& rows, Eigen::Index row);

}  // namespace moltspan
