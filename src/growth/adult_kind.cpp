#include "growth/adult_kind.hpp"

#include <algorithm>
#include <cmath>


namespace moltspan {
namespace {

constexpr double grid_step = 0.07;
constexpr double sex_sd = 0.10, animal_sd = 0.09;  ///< of log adult sizes within a kind, within a sex (assumption)
constexpr double freedom = 4;                      ///< of Student's t about what is said of a kind
constexpr double kin_weight = 0.85;  ///< of what kin say: their growth has no exact form, so that they err together
constexpr double heeded = 0.02;     ///< weight of a form from which it is handed on
constexpr int handed_on = 24;       ///< ends of growth of one animal

AdultGrid grid_for(double log_sd) {
  const double width = std::max(0.7, 3 * log_sd);
  const int half = static_cast<int>(std::ceil(width / grid_step));
  return {2 * half + 1, -half * grid_step};
}

std::array<double, 2 * adult_reach + 1> kernel(double sd) {
  std::array<double, 2 * adult_reach + 1> k{};
  double total = 0;
  for (int j = -adult_reach; j <= adult_reach; ++j) total += k[j + adult_reach] = std::exp(-0.5 * std::pow(j * grid_step / sd, 2));
  for (double& x : k) x /= total;
  return k;
}

double log_sum(const std::vector<double>& terms) {
  const double top = *std::max_element(terms.begin(), terms.end());
  double sum = 0;
  for (double t : terms) sum += std::exp(t - top);
  return top + std::log(sum);
}

}  // namespace

double AdultGrid::at(int j) const { return from + grid_step * j; }

AdultKind::AdultKind(const std::vector<AdultAnimal>& animals, std::vector<AdultRecord*> records, double process_sd)
    : animals_(animals), records_(std::move(records)), in_sex_(kernel(animal_sd)), in_kind_(kernel(sex_sd)),
      process_sd_(process_sd) {
  sd_ = animal(0).log_sd;
  grid_ = grid_for(sd_);
}

std::size_t AdultKind::node(int j, std::size_t form) const { return static_cast<std::size_t>(j) * n_growth_forms + form; }

std::size_t AdultKind::n_nodes() const { return static_cast<std::size_t>(grid_.n) * n_growth_forms; }

void AdultKind::weigh() {
  likelihoods_.clear();
  for (std::size_t i = 0; i < records_.size(); ++i) {
    std::vector<Parabola> all(n_nodes());
    for (int j = 0; j < grid_.n; ++j)
      for (std::size_t form = 0; form < n_growth_forms; ++form) {
        const double limit = log_limit(animal(i), grid_.at(j), form);
        Parabola& p = all[node(j, form)];
        p = growth_likelihood(*records_[i], animal(i), std::exp(-limit), form, process_sd_);
        p.least += log_of_own_size(*records_[i], animal(i), grid_.at(j), form);
      }
    likelihoods_.push_back(std::move(all));
  }
}

std::pair<double, double> AdultKind::rough_ratio() const {
  double precision = 0, sum = 0;
  for (const auto& all : likelihoods_) {
    const Parabola& p = all[node(grid_.n / 2, usual_form)];
    precision += p.curvature;
    sum += p.curvature * p.at;
  }
  return {precision > 0 ? sum / precision : 0, precision};
}

/// Of each node its own log ratio of the kind, and what that costs beside the prior of the node.
void AdultKind::set_ratios(double ratio, double ratio_sd, const FormWeights& forms) {
  ratio_.assign(n_nodes(), 0);
  prior_.assign(n_nodes(), 0);
  for (int j = 0; j < grid_.n; ++j)
    for (std::size_t form = 0; form < n_growth_forms; ++form) {
      const std::size_t at = node(j, form);
      const double usual = ratio * form_ratio[form], prior = std::pow(ratio_sd * form_ratio[form], -2);
      double precision = prior, sum = prior * usual;
      for (const auto& all : likelihoods_) {
        precision += all[at].curvature;
        sum += all[at].curvature * all[at].at;
      }
      ratio_[at] = std::max(0.01, sum / precision);
      const double z = grid_.at(j) / sd_;
      prior_[at] = -0.5 * (freedom + 1) * std::log1p(z * z / freedom) + std::log(forms[form]) -
                   0.5 * prior * std::pow(ratio_[at] - usual, 2) - 0.5 * std::log(precision / prior);
    }
}

/// Log likelihood of an animal whose sex of its kind has its adult sizes here.
double AdultKind::of_animal(std::size_t i, int place, std::size_t form) const {
  const double ratio = ratio_[node(place, form)];
  std::array<double, 2 * adult_reach + 1> terms;
  double top = -std::numeric_limits<double>::infinity(), sum = 0;
  for (int d = -adult_reach; d <= adult_reach; ++d) {
    const int j = std::clamp(place + d, 0, grid_.n - 1);
    const double term = likelihoods_[i][node(j, form)].log_likelihood(ratio);
    terms[d + adult_reach] = term;
    top = std::max(top, term);
  }
  for (std::size_t d = 0; d < terms.size(); ++d) sum += in_sex_[d] * std::exp(terms[d] - top);
  return top + std::log(sum);
}

std::vector<double> AdultKind::convolved(const std::vector<double>& logs, const std::array<double, 2 * adult_reach + 1>& k) const {
  std::vector<double> result(logs.size());
  for (std::size_t form = 0; form < n_growth_forms; ++form)
    for (int place = 0; place < grid_.n; ++place) {
      std::vector<double> terms;
      for (int d = -adult_reach; d <= adult_reach; ++d)
        terms.push_back(logs[node(std::clamp(place + d, 0, grid_.n - 1), form)] + std::log(k[d + adult_reach]));
      result[node(place, form)] = log_sum(terms);
    }
  return result;
}

void AdultKind::set_form_posterior(const std::vector<double>& kind) {
  const double total = log_sum(kind);
  form_posterior_.fill(0);
  for (std::size_t at = 0; at < kind.size(); ++at) form_posterior_[at % n_growth_forms] += std::exp(kind[at] - total);
}

void AdultKind::solve(double ratio, double ratio_sd, const FormWeights& forms) {
  set_ratios(ratio, ratio_sd, forms);
  std::array<std::vector<double>, 3> of_sex;
  for (auto& logs : of_sex) logs.assign(n_nodes(), 0);
  animal_.assign(records_.size(), std::vector<double>(n_nodes()));
  for (std::size_t i = 0; i < records_.size(); ++i)
    for (int j = 0; j < grid_.n; ++j)
      for (std::size_t form = 0; form < n_growth_forms; ++form) {
        const std::size_t at = node(j, form);
        animal_[i][at] = of_animal(i, j, form);
        of_sex[animal(i).sex][at] += kin_weight * animal_[i][at];
      }
  std::vector<double> kind = prior_;
  std::array<std::vector<double>, 3> up;
  for (std::size_t sex = 0; sex < 3; ++sex) {
    up[sex] = convolved(of_sex[sex], in_kind_);
    for (std::size_t at = 0; at < kind.size(); ++at) kind[at] += up[sex][at];
  }
  set_form_posterior(kind);
  for (std::size_t sex = 0; sex < 3; ++sex) {
    std::vector<double> rest = kind;
    for (std::size_t at = 0; at < rest.size(); ++at) rest[at] -= up[sex][at];
    sex_posterior_[sex] = convolved(rest, in_kind_);
    for (std::size_t at = 0; at < rest.size(); ++at) sex_posterior_[sex][at] += of_sex[sex][at];
  }
}

std::vector<AdultNode> AdultKind::nodes(std::size_t i) const {
  const std::vector<double>& sex = sex_posterior_[animal(i).sex];
  std::vector<double> rest(sex.size()), weight(sex.size(), 0.0), ratio(sex.size(), 0.0);
  for (std::size_t at = 0; at < rest.size(); ++at) rest[at] = sex[at] - kin_weight * animal_[i][at];
  const double top = *std::max_element(sex.begin(), sex.end());
  for (int place = 0; place < grid_.n; ++place)
    for (std::size_t form = 0; form < n_growth_forms; ++form) {
      const std::size_t from = node(place, form);
      if (sex[from] < top - 12) continue;
      for (int d = -adult_reach; d <= adult_reach; ++d) {
        const std::size_t to = node(std::clamp(place + d, 0, grid_.n - 1), form);
        const double w = in_sex_[d + adult_reach] *
                         std::exp(rest[from] - top + likelihoods_[i][to].log_likelihood(ratio_[from]));
        const Parabola& own = likelihoods_[i][to];
        const double heard = std::pow(own_ratio_sd(form), 2) * own.curvature;  // of what its own record says of its ratio
        weight[to] += w;
        ratio[to] += w * (ratio_[from] + heard * (own.at - ratio_[from]));
      }
    }
  return handed(weight, ratio, i);
}

/// A few ends of growth in place of the grid: of each form the more, the likelier it is, of equal weights.
std::vector<AdultNode> AdultKind::handed(const std::vector<double>& weight, const std::vector<double>& ratio,
                                    std::size_t i) const {
  std::array<double, n_growth_forms> of_form{};
  double total = 0, mean_ratio = 0, kept = 0;
  for (std::size_t at = 0; at < weight.size(); ++at) {
    of_form[at % n_growth_forms] += weight[at];
    total += weight[at];
    mean_ratio += ratio[at];
  }
  mean_ratio /= total;
  std::vector<AdultNode> result;
  for (std::size_t form = 0; form < n_growth_forms; ++form) {
    if (of_form[form] < heeded * total) continue;
    const int n = std::max(1, static_cast<int>(std::lround(handed_on * of_form[form] / total)));
    const double each = of_form[form] / n;
    AdultNode sum{0, 0, 0, form_steepness[form], 0, 0};
    const auto close = [&] {
      if (!(sum.weight > 1e-9 * each)) return;
      sum.log_adult = animal(i).log_size + sum.log_adult / sum.weight;
      sum.log_limit = sum.log_adult + animal(i).stops * limit_beyond[form];
      sum.ratio_change = sum.ratio_change / sum.weight - mean_ratio;
      result.push_back(sum);
      kept += sum.weight;
      sum = {0, 0, 0, form_steepness[form], 0, 0};
    };
    for (int j = 0; j < grid_.n; ++j) {
      const std::size_t at = node(j, form);
      for (double left = weight[at]; left > 0;) {
        const double part = std::min(left, each - sum.weight), share = part / weight[at];
        sum.weight += part;
        // Spread within its cell, so that a cell that is cut gives different sizes.
        const double middle = (weight[at] - left + 0.5 * part) / weight[at] - 0.5;
        sum.log_adult += part * (grid_.at(j) + grid_step * middle);
        sum.ratio_change += share * ratio[at];
        left -= part;
        if (sum.weight >= each * (1 - 1e-9)) close();
        if (!(part > 0)) break;
      }
    }
    close();
  }
  for (AdultNode& n : result) n.weight /= kept;
  return result;
}

}  // namespace moltspan
