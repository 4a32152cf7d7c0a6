#include "forecast/signs.hpp"

#include <algorithm>
#include <cmath>

#include "base/words.hpp"
#include "moltspan/collection/animal_view.hpp"

namespace moltspan {
namespace {

constexpr int n_cells = 200;
constexpr double stretch = 5;         ///< of the cells: the last is exp(5) times as wide as the first
constexpr double left_beyond = 1e-7;  ///< of the base law, beyond the last cell

/// Edges from the beginning of a law to where all its branches end, narrow at first.
std::vector<double> cell_edges(const NextMoltLaw& law, const std::vector<MoltBranch>& branches) {
  double width = 16;
  for (const MoltBranch& branch : branches) {
    const double enough = left_beyond * branch.survival(law.first_day());
    while (branch.survival(law.first_day() + width) > enough && width < 1e6) width *= 1.3;
  }
  std::vector<double> edges;
  for (int i = 0; i <= n_cells; ++i)
    edges.push_back(law.first_day() + width * std::expm1(stretch * i / n_cells) / std::expm1(stretch));
  return edges;
}

/// Mean over a cell by Simpson's rule; the value at the right edge is kept for the next cell.
double cell_mean(const std::function<double(double)>& value, double left, double right, double& at_edge) {
  const double before = at_edge;
  at_edge = value(right);
  return (before + 4 * value(0.5 * (left + right)) + at_edge) / 6;
}

std::string days_ago(double days) {
  const int whole = static_cast<int>(std::floor(days));
  return whole <= 0 ? "today" : std::to_string(whole) + (whole == 1 ? " day ago" : " days ago");
}

}  // namespace

SignEvidence::SignEvidence(const CollectionFit& fit, int animal, double from_days, double until_days) {
  if (!(until_days > from_days) || fit.sign_timelines.empty()) return;
  const AnimalView view = fit.animal(animal);
  log_size_ = view.inputs().sizes.empty() ? 0 : view.size().mean;
  const double as_of = fit.table.as_of;
  for (const SignModel& model : fit.signs) {
    if (!model.recorded) continue;
    SignRecord record = sign_record(*view.signs(), model.sign, as_of + from_days, as_of + until_days);
    if (!record.shown && !model.absence_counts) continue;
    record.first_day -= as_of;
    record.from -= as_of;
    record.until -= as_of;
    n_shown_ += record.shown;
    parts_.push_back({record, &model, sign_alarm_factor(model.sign, view.record()), record.weight});
  }
  for (Part& part : parts_)
    if (part.record.shown) part.power *= sign_sharing(n_shown_);
}

template <typename Value>
double SignEvidence::product(Value value) const {
  double total = 1;
  for (const Part& part : parts_) {
    double mean = 0;
    for (const auto& [weight, parameters] : part.model->points) mean += weight * value(part, parameters);
    total *= part.power == 1 ? mean : std::pow(mean, part.power);
  }
  return total;
}

double SignEvidence::likelihood(double x_days) const {
  return product([&](const Part& part, const SignParameters& p) {
    return sign_likelihood(part.record, p, log_size_, x_days, part.alarm_factor);
  });
}

double SignEvidence::center_likelihood(double x_days) const {
  double total = 1;
  for (const Part& part : parts_)
    total *=
        std::pow(sign_likelihood(part.record, part.model->center, log_size_, x_days, part.alarm_factor), part.power);
  return total;
}

double SignEvidence::alarms() const {
  double log_total = 0;
  for (const Part& part : parts_) {
    const double rate = part.model->center.alarms_per_day * part.alarm_factor;
    log_total += part.record.ended * std::log(rate) - rate * part.record.alarm_days;
  }
  return std::exp(log_total);
}

double SignEvidence::all_false(double x_days) const {
  return product([&](const Part& part, const SignParameters& p) {
    return sign_likelihood(part.record, p, log_size_, x_days, part.alarm_factor, !part.record.shown);
  });
}

double SignEvidence::never() const {
  return product([](const Part& part, const SignParameters& p) {
    return part.record.shown ? p.alarms_per_day * part.alarm_factor : 1.0;
  });
}

std::vector<std::string> SignEvidence::words() const {
  std::vector<std::string> words;
  for (const Part& part : parts_)
    if (part.record.shown)
      words.push_back(spoken(sign_name(part.model->sign)) + " " + days_ago(-part.record.first_day + 0.5));
  return words;
}

ReweightedLaw::ReweightedLaw(const NextMoltLaw& base, const std::vector<MoltBranch>& branches)
    : base_(base), edges_(cell_edges(base, branches)) {
  first_day_ = base.first_day();
  for (double edge : edges_) base_survival_.push_back(branches.front().survival(edge));
  std::vector<double> mass(n_cells, 0.0);
  for (std::size_t b = 0; b < branches.size(); ++b) {
    double at_edge = branches[b].likelihood(edges_[0]), sum = 0, left = branches[b].survival(edges_[0]);
    for (int i = 0; i < n_cells; ++i) {
      const double mean = cell_mean(branches[b].likelihood, edges_[i], edges_[i + 1], at_edge);
      const double right = i + 1 == n_cells ? 0 : b == 0 ? base_survival_[i + 1] : branches[b].survival(edges_[i + 1]);
      const double here = std::max(left - right, 0.0) * mean;
      mass[i] += here;
      sum += here;
      left = right;
    }
    branch_mass_.push_back(sum);
    total_ += sum;
  }
  beyond_.assign(n_cells + 1, 0.0);
  for (int i = n_cells; i-- > 0;) beyond_[i] = beyond_[i + 1] + mass[i];
}

double ReweightedLaw::survival(double x_days) const {
  if (x_days <= edges_.front()) return 1;
  if (x_days >= edges_.back()) return 0;
  const auto cell = std::upper_bound(edges_.begin(), edges_.end(), x_days) - edges_.begin() - 1;
  const double drop = base_survival_[cell] - base_survival_[cell + 1];
  const double share = drop > 1e-12 * base_survival_.front()
                           ? (base_survival_.front() * base_.survival(x_days) - base_survival_[cell + 1]) / drop
                           : (edges_[cell + 1] - x_days) / (edges_[cell + 1] - edges_[cell]);
  const double left = std::clamp(share, 0.0, 1.0);
  return (beyond_[cell + 1] + left * (beyond_[cell] - beyond_[cell + 1])) / total_;
}

double ReweightedLaw::first_branch_integral(const std::function<double(double)>& value) const {
  double sum = 0, at_edge = value(edges_[0]);
  for (int i = 0; i < n_cells; ++i)
    sum += (base_survival_[i] - base_survival_[i + 1]) * cell_mean(value, edges_[i], edges_[i + 1], at_edge);
  return sum;
}

}  // namespace moltspan
