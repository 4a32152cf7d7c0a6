#include "collection/own.hpp"

#include <algorithm>
#include <map>
#include <stdexcept>
#include <string>

namespace moltspan {

void add_own_covariates(CollectionFit& fit) {
  StadiaData& data = fit.data;
  const std::vector<Coefficient> given = data.coefficients;
  std::map<std::string, LearnedSpread> spreads;
  for (const OwnCovariate& own : fit.options.own) {
    if (own.of_animals.size() != fit.animals.size())
      throw std::invalid_argument("covariate " + own.name + ": " + std::to_string(own.of_animals.size()) + " values for " +
                                  std::to_string(fit.animals.size()) + " animals; give one each");
    const auto times = std::ranges::find(given, own.times, &Coefficient::name);
    if (!own.times.empty() && times == given.end()) continue;
    const Eigen::Index column = data.covariates.cols();
    const auto fill = [&](Eigen::MatrixXd& matrix, Eigen::Index row, int animal) {
      const double factor = own.times.empty() ? 1 : matrix(row, times - given.begin());
      matrix(row, column) = factor * own.of_animals[animal];
    };
    data.covariates.conservativeResize(Eigen::NoChange, column + 1);
    data.probe_covariates.conservativeResize(Eigen::NoChange, column + 1);
    for (std::size_t row = 0; row < data.size(); ++row) fill(data.covariates, static_cast<Eigen::Index>(row), fit.table.stadia[row].animal);
    for (std::size_t i = 0; i < fit.animals.size(); ++i)
      if (fit.animals[i].probe >= 0) fill(data.probe_covariates, fit.animals[i].probe, static_cast<int>(i));
    data.coefficients.push_back({own.name});
    if (own.spread.empty()) continue;
    spreads[own.spread].name = own.spread;
    spreads[own.spread].coefficients.push_back(static_cast<int>(column));
  }
  for (auto& [name, spread] : spreads) data.learned.push_back(std::move(spread));
}

}  // namespace moltspan
