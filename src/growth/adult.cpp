#include "growth/adult.hpp"

#include <algorithm>
#include <cmath>
#include <map>
#include <optional>

#include "growth/adult_forms.hpp"
#include "growth/adult_kind.hpp"
#include "growth/latent_share.hpp"

namespace moltspan {
namespace {

constexpr double kind_ratio_sd = 0.05;  ///< of log ratios of kinds about that of all
constexpr double usual_kinds = 2;       ///< how many kinds the usual weights of forms count as (assumption)
constexpr double slow = 0.93;           ///< share of growth under which sizes are smoothed anew with it
constexpr double first_step_sd = 0.1, step_sd = 0.08;  ///< of the steps by which sizes are smoothed

std::size_t form_of(const AdultNode& node) {
  return static_cast<std::size_t>(std::find(form_steepness.begin(), form_steepness.end(), node.steepness) -
                                  form_steepness.begin());
}

/// What the steps of an animal added by each end of growth, a row each, over `ratio`.
Eigen::MatrixXd added_by(const AdultRecord& r, const std::vector<AdultNode>& nodes, double ratio) {
  Eigen::MatrixXd added(static_cast<Eigen::Index>(nodes.size()), static_cast<Eigen::Index>(r.molts.size()));
  for (std::size_t n = 0; n < nodes.size(); ++n) {
    const double per_limit = std::exp(-nodes[n].log_limit), own = std::max(0.01, ratio + nodes[n].ratio_change) / ratio;
    for (std::size_t k = 0; k < r.molts.size(); ++k)
      added(static_cast<Eigen::Index>(n), static_cast<Eigen::Index>(k)) =
          own * share_at(power_of(r.size[k] * per_limit, form_of(nodes[n])));
  }
  return added;
}

/// Shares that an animal's molts have added, its ends of growth averaged by what each has it grow. `variance`: of the log
/// growth of each step about that, without what a ratio of its own stands for, as the growth model has one.
std::vector<double> slowing_of(const AdultRecord& r, const std::vector<AdultNode>& nodes, double ratio,
                               std::vector<double>& variance) {
  std::vector<double> slowing(r.molts.size(), 1.0);
  variance.assign(r.molts.size(), 0.0);
  if (!r.was_read() || slowing.empty()) return slowing;
  const Eigen::MatrixXd added = added_by(r, nodes, ratio);
  Eigen::VectorXd weight(added.rows());
  for (std::size_t n = 0; n < nodes.size(); ++n) weight[static_cast<Eigen::Index>(n)] = nodes[n].weight;
  const Eigen::RowVectorXd mean = weight.transpose() * added;
  Eigen::MatrixXd off = added.rowwise() - mean;
  off -= (off * mean.transpose() / mean.squaredNorm()) * mean;
  const Eigen::RowVectorXd square = weight.transpose() * off.cwiseAbs2();
  for (std::size_t k = 0; k < slowing.size(); ++k) {
    const auto at = static_cast<Eigen::Index>(k);
    slowing[k] = std::clamp(mean[at], 1e-3, 1.0);
    variance[k] = std::pow(r.molts[k] * ratio, 2) * square[at];
  }
  return slowing;
}

/// Near its limit an animal shows where that is by its own size, far from it only kin and what is said do.
void set_with_size(const AdultRecord& r, std::vector<AdultNode>& nodes) {
  if (!r.was_read()) return;
  for (AdultNode& node : nodes) node.with_size = std::min(1.0, std::pow(r.size.back() * std::exp(-node.log_limit), 2));
}

/// Log ratio of all kinds together, and how far a kind may lie from it.
std::pair<double, double> common_ratio(const std::vector<AdultKind>& kinds, const Prior& prior) {
  double precision = 1 / (prior.sd * prior.sd), sum = precision * prior.mean;
  for (const AdultKind& kind : kinds) {
    const auto [ratio, own] = kind.rough_ratio();
    if (!(own > 0)) continue;
    const double weight = 1 / (1 / own + kind_ratio_sd * kind_ratio_sd);
    precision += weight;
    sum += weight * ratio;
  }
  return {sum / precision, std::sqrt(kind_ratio_sd * kind_ratio_sd + 1 / precision)};
}

/// Kinds of one collection mostly grow alike: how likely each form is of a kind, by what was found of the others that were read.
std::vector<FormWeights> forms_by_others(const std::vector<std::optional<FormWeights>>& found) {
  FormWeights sum{};
  double read = 0;
  for (const auto& one : found) {
    read += one.has_value();
    for (std::size_t form = 0; one && form < n_growth_forms; ++form) sum[form] += (*one)[form];
  }
  std::vector<FormWeights> result;
  for (const auto& own : found) {
    result.push_back({});
    for (std::size_t form = 0; form < n_growth_forms; ++form)
      result.back()[form] = (usual_kinds * form_weight[form] + sum[form] - (own ? (*own)[form] : 0)) /
                            (usual_kinds + read - (own ? 1 : 0));
  }
  return result;
}

/// Sizes of the animals of a collection as they are smoothed and learned from in turn.
class AdultSearch {
 public:
  AdultSearch(const GrowthData& data, const std::vector<AdultAnimal>& animals, const Prior& ratio)
      : data_(data), animals_(animals), ratio_(ratio), records_(adult_records(data, animals, spreads_)) {
    for (AdultRecord& r : records_) {
      by_kind_[animals[r.animal].kind].push_back(&r);
      if (r.was_read()) smooth(r, std::vector<double>(r.molts.size(), 1.0), ratio.mean, first_step_sd);
    }
    result_.nodes.resize(records_.size());
    result_.slowing.resize(records_.size());
    result_.variance.resize(records_.size());
  }

  AdultSizes run() {
    if (round()) {
      learn_spreads();
      round();
    }
    for (std::size_t i = 0; i < records_.size(); ++i) {
      result_.slowing[i] = slowing_of(records_[i], result_.nodes[i], ratio_.mean, result_.variance[i]);
      set_with_size(records_[i], result_.nodes[i]);
    }
    return std::move(result_);
  }

 private:
  static void smooth(AdultRecord& r, std::vector<double> steps, double log_ratio, double sd) {
    for (std::size_t k = 0; k < steps.size(); ++k) steps[k] *= r.molts[k] * log_ratio;
    r.smooth(steps, sd);
  }

  /// Ends of growth by the sizes as they are, then the sizes by these. Whether any step has slowed.
  bool round() {
    std::vector<AdultKind> kinds;
    kinds.reserve(by_kind_.size());
    for (const auto& [key, members] : by_kind_) {
      kinds.emplace_back(animals_, members, spreads_.process_sd);
      kinds.back().weigh();
    }
    const auto [middle, sd] = common_ratio(kinds, ratio_);
    middle_ = middle;
    bool slowed = false;
    std::size_t at = 0;
    std::vector<std::optional<FormWeights>> found;
    for (const auto& [key, members] : by_kind_) {
      AdultKind& kind = kinds[at];
      kind.solve(middle, sd, forms_.empty() ? form_weight : forms_[at]);
      ++at;
      const bool read = std::any_of(members.begin(), members.end(), [](const AdultRecord* r) { return r->was_read(); });
      found.push_back(read ? std::optional(kind.form_posterior()) : std::nullopt);
      for (std::size_t m = 0; m < members.size(); ++m) slowed = take(*members[m], kind.nodes(m)) || slowed;
    }
    forms_ = forms_by_others(found);
    return slowed;
  }

  bool take(AdultRecord& r, std::vector<AdultNode> nodes) {
    const auto i = static_cast<std::size_t>(r.animal);
    result_.nodes[i] = std::move(nodes);
    const std::vector<double>& slowing = result_.slowing[i] =
        slowing_of(r, result_.nodes[i], middle_, result_.variance[i]);
    if (!r.was_read()) return false;
    smooth(r, slowing, middle_, step_sd);
    return std::any_of(slowing.begin(), slowing.end(), [](double share) { return share < slow; });
  }

  void learn_spreads() {
    spreads_ = learned_spreads(data_, animals_, middle_, result_.slowing);
    std::vector<AdultRecord> anew = adult_records(data_, animals_, spreads_);
    for (std::size_t i = 0; i < records_.size(); ++i) {
      records_[i].read = std::move(anew[i].read);
      records_[i].variance = std::move(anew[i].variance);
      if (records_[i].was_read()) smooth(records_[i], result_.slowing[i], middle_, step_sd);
    }
  }

  const GrowthData& data_;
  const std::vector<AdultAnimal>& animals_;
  Prior ratio_;
  AdultSpreads spreads_;
  std::vector<AdultRecord> records_;
  std::map<int, std::vector<AdultRecord*>> by_kind_;
  double middle_ = 0;
  std::vector<FormWeights> forms_;  ///< beforehand, a kind
  AdultSizes result_;
};

}  // namespace

AdultSizes fit_adult_sizes(const GrowthData& data, const std::vector<AdultAnimal>& animals, const Prior& ratio) {
  return AdultSearch(data, animals, ratio).run();
}

std::vector<AdultNode> adult_nodes_of(const AdultAnimal& animal) {
  GrowthData nothing;
  nothing.animals.resize(1);
  return fit_adult_sizes(nothing, {animal}, {Prior::Kind::normal, std::log(1.3), 0.12}).nodes.front();
}

double mean_growth_share(const std::vector<AdultNode>& nodes, double log_size) {
  if (nodes.empty()) return 1;
  double sum = 0;
  for (const AdultNode& node : nodes) sum += node.weight * growth_share(node, log_size);
  return sum;
}

}  // namespace moltspan
