#pragma once

#include <array>
#include <utility>
#include <vector>

#include "growth/adult_forms.hpp"
#include "growth/adult_records.hpp"

namespace moltspan {

inline constexpr int adult_reach = 3;  ///< steps of the grid that deviations within a kind and a sex go

/// Deviations of a kind's adult sizes from what is said of them.
struct AdultGrid {
  int n = 0;
  double from = 0;
  double at(int j) const;
};

/// The animals of one kind on the grid; a node is a place of the grid and a form.
class AdultKind {
 public:
  AdultKind(const std::vector<AdultAnimal>& animals, std::vector<AdultRecord*> records, double process_sd);
  void weigh();
  /// The log ratio that the kind's records say at the middle of its grid, and the precision of that.
  std::pair<double, double> rough_ratio() const;
  /// Weights of adult sizes of the kind, then of its sexes. `forms`: how likely each form is beforehand.
  void solve(double ratio, double ratio_sd, const FormWeights& forms);
  /// The same by the records of the kind, once solved.
  const FormWeights& form_posterior() const { return form_posterior_; }
  std::vector<AdultNode> nodes(std::size_t i) const;

 private:
  const AdultAnimal& animal(std::size_t i) const { return animals_[records_[i]->animal]; }
  std::size_t node(int j, std::size_t form) const;
  std::size_t n_nodes() const;
  void set_ratios(double ratio, double ratio_sd, const FormWeights& forms);
  void set_form_posterior(const std::vector<double>& kind);
  double of_animal(std::size_t i, int place, std::size_t form) const;
  std::vector<double> convolved(const std::vector<double>& logs, const std::array<double, 2 * adult_reach + 1>& k) const;
  std::vector<AdultNode> handed(const std::vector<double>& weight, const std::vector<double>& ratio, std::size_t i) const;

  const std::vector<AdultAnimal>& animals_;
  std::vector<AdultRecord*> records_;
  std::array<double, 2 * adult_reach + 1> in_sex_, in_kind_;
  double sd_ = 0, process_sd_ = 0;
  AdultGrid grid_;
  FormWeights form_posterior_{};
  std::vector<std::vector<Parabola>> likelihoods_;   ///< an animal, a node
  std::vector<double> ratio_, prior_;                ///< of each node
  std::vector<std::vector<double>> animal_;          ///< log likelihood of each node of its sex, an animal
  std::array<std::vector<double>, 3> sex_posterior_; ///< log, by node
};

}  // namespace moltspan
