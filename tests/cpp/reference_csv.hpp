#pragma once

#include <gtest/gtest.h>

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <fstream>
#include <map>
#include <sstream>
#include <string>
#include <vector>

namespace moltspan {

/// Numbers of a table in tests/reference without its header; a blank cell is NaN.
inline Eigen::MatrixXd reference_numbers(const std::string& name) {
  std::ifstream file(std::string(MOLTSPAN_TEST_REFERENCE) + "/" + name);
  EXPECT_TRUE(file.good()) << name;
  std::vector<std::vector<double>> rows;
  std::string line, cell;
  for (std::getline(file, line); std::getline(file, line);) {
    std::istringstream cells(line);
    rows.emplace_back();
    while (std::getline(cells, cell, ',')) rows.back().push_back(cell.empty() ? std::nan("") : std::stod(cell));
    if (!line.empty() && line.back() == ',') rows.back().push_back(std::nan(""));
  }
  Eigen::MatrixXd result(static_cast<Eigen::Index>(rows.size()), static_cast<Eigen::Index>(rows.at(0).size()));
  for (Eigen::Index i = 0; i < result.rows(); ++i)
    for (Eigen::Index j = 0; j < result.cols(); ++j)
      result(i, j) = rows[static_cast<std::size_t>(i)].at(static_cast<std::size_t>(j));
  return result;
}

/// Answers written as rows of name and value.
class ReferenceAnswers {
 public:
  explicit ReferenceAnswers(const std::string& name) {
    std::ifstream file(std::string(MOLTSPAN_TEST_REFERENCE) + "/" + name);
    EXPECT_TRUE(file.good()) << name;
    std::string line;
    for (std::getline(file, line); std::getline(file, line);) {
      const std::size_t comma = line.find(',');
      values_[line.substr(0, comma)] = std::stod(line.substr(comma + 1));
    }
  }
  double operator[](const std::string& name) const { return values_.at(name); }

 private:
  std::map<std::string, double> values_;
};

/// Decimal digits in which a value agrees with a certified one: -log10 of the relative error, at most 15.
inline double matching_digits(double value, double certified) {
  if (value == certified) return 15;
  return std::min(15.0, -std::log10(std::abs(value - certified) / std::abs(certified)));
}

}  // namespace moltspan
