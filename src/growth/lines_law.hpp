#pragma once

#include <Eigen/Core>
#include <limits>
#include <string>

#include "moltspan/growth/lines.hpp"

namespace moltspan::lines {

inline constexpr double unknown = std::numeric_limits<double>::quiet_NaN();

/// Throws std::invalid_argument "function: text".
[[noreturn]] void refuse(const std::string& function, const std::string& text);

/// A number as a message shows it.
std::string shown(double value);

void check_level(const std::string& function, double level);

/// Throws where the arrays differ in length or a value is not positive and finite.
void check_sizes(const std::string& function, const std::string& name, const Eigen::VectorXd& sizes_mm);
void check_finite(const std::string& function, const std::string& name, const Eigen::VectorXd& values);
void check_same_length(const std::string& function, Eigen::Index first, Eigen::Index second);

/// Half widths in standard errors: t, and sqrt(p F(p, df)) for all places at once. NaN without degrees of freedom.
double t_width(double level, int df);
double simultaneous_width(double level, int parameters, int df);

/// Two-sided t test of `difference` = 0. A difference without any error counts as certain.
LineTest t_test(double difference, double error, int df);

/// One-sided F test of a ratio of mean squares.
LineTest f_test(double ratio, int df_numerator, int df_denominator);

/// What a line knows of one place, on its own scale.
struct LinePoint {
  double estimate = 0, error = 0;  ///< of the line there
};

/// How wide the bands are, and whether they leave the log scale.
struct LineLaw {
  double level = 0.95, residual_sd = 0;
  int parameters = 2, df = 0;
  bool logs = false;
};

/// Bands about points; `low`, `high`: the fitted range of `places`.
LineBands bands(const std::vector<LinePoint>& points, const LineLaw& law, const Eigen::VectorXd& places, double low,
                double high);

/// exp of the t interval of a slope.
LineInterval exp_interval(double slope, double error, int df, double level);

/// (1, x) row by row.
Eigen::MatrixXd line_design(const Eigen::VectorXd& x);

/// Number of distinct values among the rows with positive weight.
int count_distinct(const Eigen::VectorXd& values, const Eigen::VectorXd& weights);

/// Geometric means of the rows of each distinct instar that count, in rising order, with the sum of their weights.
struct InstarMeans {
  Eigen::VectorXd instars, log_sizes, weights;
};
InstarMeans instar_means(const Eigen::VectorXd& instars, const Eigen::VectorXd& sizes_mm,
                         const Eigen::VectorXd& weights);

/// Crosby's percentages of those means, and how many the scatter explains.
CrosbyCheck crosby_check(const InstarMeans& means, double residual_sd);

/// Bent line: breakpoint, coefficients and covariance of fit.pre_mm, fit.post_mm.
void fit_bent(IncrementFit& fit);

/// Notes on degrees of freedom and scatter that all lines share.
void note_scatter(int residual_df, double residual_sd, double typical, std::vector<HealthNote>& health);

}  // namespace moltspan::lines
