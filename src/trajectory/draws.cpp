#include "trajectory/draws.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "growth/latent_share.hpp"
#include "moltspan/forecast/forecast.hpp"
#include "moltspan/numeric/normal.hpp"
#include "moltspan/numeric/philox.hpp"

namespace moltspan {
namespace {

constexpr int block = 1024;  ///< draws that are worked on together: their arrays stay in the nearest cache
constexpr double nothing = std::numeric_limits<double>::quiet_NaN();
constexpr double log_20_mm = 2.99573227355399099344;

using Column = std::array<double, block>;

/// Purposes of a counter's second word; the word of molt k holds the step of size and the stadium that ends with it.
enum Purpose : std::uint32_t {
  first_molt = 0x10000,
  predictor = 0x20000,
  choices = 0x30000,
  ratio = 0x40000,
  unseen = 0x50000
};

/// State of the draws of one block.
class Courses {
 public:
  Courses(const TrajectoryPlan& plan, std::uint64_t seed) : plan_(plan), seed_(seed) {}

  void begin(std::uint32_t first, int n);
  void grow(int molt, double* leg_span_mm, int stride);
  void next_molt(int molt);
  void write(const Column& values, double* to, int stride) const {
    for (int i = 0; i < n_; ++i) to[static_cast<std::ptrdiff_t>(i) * stride] = values[i];
  }
  void write_start(double* leg_span_mm);
  void write_end(double* leg_span_mm) const;
  void write_dates(double* to, int stride) const { write(day_, to, stride); }

 private:
  void uniforms(std::uint32_t word, Column& one, Column& two) const {
    vectors::uniforms(seed_, first_, word, plan_.name_low, plan_.name_high, n_, one.data(), two.data());
  }
  void normals(std::uint32_t word, Column& one, Column& two) {
    uniforms(word, u_, v_);
    vectors::normal_quantiles(u_.data(), n_, one.data());
    vectors::normal_quantiles(v_.data(), n_, two.data());
  }
  /// sigma of the stadia to come.
  double later_sigma(const DrawComponent& c) const {
    return std::sqrt(c.sigma * c.sigma + plan_.later_variance / moments_of(plan_.family).variance);
  }
  /// By how much a molt adds to the log size.
  double step(int i, double z) const {
    if (plan_.adult_now) return adult_step_ + plan_.adult_log_sd * z;
    return share_[i] * (ratio_[i] + decline_[i] * size_[i]) + spread_[i] * molt_sd_[i] * z;
  }
  /// What this molt adds of the log ratio, by the sizes before it.
  void set_shares() {
    if (!plan_.adult.empty())
      vectors::growth_shares(mm_.data(), per_limit_mm_.data(), steepness_.data(), n_, share_.data(), spread_.data());
  }
  void set_sizes() {
    for (int i = 0; i < n_; ++i) x_[i] = size_[i] + log_20_mm;
    vectors::exponentials(x_.data(), n_, mm_.data());
  }
  void begin_ends();
  void begin_growth();
  void pass_unseen_molts();
  double log_length(int i, int cell, const DrawComponent& c, double start_choice, double latent) const;

  const TrajectoryPlan& plan_;
  std::uint64_t seed_;
  std::uint32_t first_ = 0;
  int n_ = 0;
  double adult_step_ = 0;  ///< of a grown animal at this molt
  Column mm_, share_, spread_, per_limit_mm_, steepness_, adult_from_, end_mm_;
  Column day_, eta_, sigma_, size_, begin_size_, exponent_, stops_, ratio_, molt_sd_, decline_;
  Column u_, v_, z_, w_, x_, choice_, latent_;
};

/// log T of the stadium that ends with the first molt, on the day that was drawn.
double Courses::log_length(int i, int cell, const DrawComponent& c, double start_choice, double latent) const {
  if (plan_.starts.empty()) {
    // Met at a random moment: its whole length is only known to be more than what was watched and what is to come.
    const double least = std::log(std::max(plan_.watched_units + plan_.clock.units(day_[i]) - plan_.clock.units(plan_.first_day), 1e-9));
    const double above = numeric::Phi((c.mean - least) / c.log_spread);
    return c.mean - c.log_spread * numeric::normal_quantile(std::max(latent * above, 1e-300));
  }
  const std::size_t start =
      plan_.starts.size() == 1 ? 0 : static_cast<std::size_t>(plan_.start_of_cell[cell].pick(start_choice));
  return std::log(std::max(plan_.starts[start].age_days + plan_.clock.units(day_[i]), 1e-9));
}

void Courses::begin(std::uint32_t first, int n) {
  first_ = first;
  n_ = n;
  uniforms(first_molt, x_, v_);
  vectors::normal_quantiles(x_.data(), n, z_.data());
  Column which = v_, z_eta, z_size, z_exponent;
  normals(predictor, z_eta, z_size);
  if (plan_.starts.size() != 1) uniforms(choices, choice_, latent_);
  normals(0, z_exponent, w_);
  constexpr double step = 2 * TrajectoryPlan::z_limit / (TrajectoryPlan::z_nodes - 1);
  for (int i = 0; i < n; ++i) {
    const double at = std::clamp((z_[i] + TrajectoryPlan::z_limit) / step, 0.0, TrajectoryPlan::z_nodes - 1.0 - 1e-9);
    const int node = static_cast<int>(at);
    day_[i] = plan_.day_of_z[node] + (at - node) * (plan_.day_of_z[node + 1] - plan_.day_of_z[node]);
    const int cell = std::min(static_cast<int>(x_[i] * TrajectoryPlan::n_cells), TrajectoryPlan::n_cells - 1);
    const DrawComponent& c = plan_.components[plan_.component_of_cell[cell].pick(which[i])];
    eta_[i] = c.mean;
    if (c.gain > 0) eta_[i] += c.gain * (log_length(i, cell, c, choice_[i], latent_[i]) - c.mean) + c.sd * z_eta[i];
    sigma_[i] = later_sigma(c);
    size_[i] = plan_.size_mean + c.size_gain * (eta_[i] - c.center) + c.size_sd * z_size[i];
    exponent_[i] = plan_.exponent + plan_.exponent_sd * z_exponent[i];
  }
  // The sex has a stream of its own, so that it does not depend on which day the stadium began.
  const bool sure = plan_.stop_chance <= 0 || plan_.stop_chance >= 1;
  if (!sure) uniforms(choices + 1, u_, v_);
  for (int i = 0; i < n; ++i) stops_[i] = (sure ? 0.5 : u_[i]) < plan_.stop_chance;
  begin_growth();
  if (plan_.missed_chance > counted_missed_chance) pass_unseen_molts();
}

/// Draws that have molted unseen are one molt further, and the long time since the molt on record says nothing of their
/// pace.
void Courses::pass_unseen_molts() {
  normals(unseen, z_, w_);
  uniforms(unseen + 1, u_, v_);
  set_shares();
  for (int i = 0; i < n_; ++i) {
    if (!(u_[i] < plan_.missed_chance)) continue;
    size_[i] += step(i, z_[i]);
    const DrawComponent& c = plan_.components[plan_.any_component.pick(v_[i])];
    eta_[i] = c.mean + std::sqrt(c.gain) * c.log_spread * w_[i];
    sigma_[i] = later_sigma(c);
  }
}

/// The point of the growth model, the place of the present size in its law, and the ratio that goes with it.
void Courses::begin_growth() {
  uniforms(ratio, u_, v_);
  vectors::normal_quantiles(u_.data(), n_, z_.data());
  const double per_sd = plan_.size_sd > 0 ? 1 / plan_.size_sd : 0;
  for (int i = 0; i < n_; ++i) {
    const GrowthDraw& g = plan_.growth[plan_.growth_point.pick(v_[i])];
    const double place = (size_[i] - plan_.size_mean) * per_sd;
    begin_size_[i] = size_[i] = g.size_mean + g.size_sd * place;
    ratio_[i] = g.log_ratio + g.ratio_gain * place + g.ratio_sd * z_[i];
    molt_sd_[i] = g.molt_sd;
    decline_[i] = g.decline;
  }
  begin_ends();
}

/// The end of growth of each course: drawn once.
void Courses::begin_ends() {
  adult_step_ = plan_.adult_log_ratio;
  std::fill(share_.begin(), share_.begin() + n_, 1.0);
  std::fill(spread_.begin(), spread_.begin() + n_, 1.0);
  std::fill(end_mm_.begin(), end_mm_.begin() + n_, INFINITY);
  std::fill(adult_from_.begin(), adult_from_.begin() + n_, plan_.adult_log_size);
  if (plan_.adult.empty()) return;
  set_sizes();
  uniforms(ratio + 1, u_, v_);
  for (int i = 0; i < n_; ++i) {
    const CourseEnd& end = plan_.ends[plan_.adult_node.pick(u_[i])];
    const double shared = end.with_size * (size_[i] - plan_.size_mean);
    x_[i] = -(end.log_limit + shared + log_20_mm);
    steepness_[i] = end.steepness;
    ratio_[i] += end.ratio_change;
    adult_from_[i] = end.adult_from + shared;
    end_mm_[i] = stops_[i] > 0 ? end.adult_to_limit : 1;
  }
  vectors::exponentials(x_.data(), n_, per_limit_mm_.data());
  for (int i = 0; i < n_; ++i) end_mm_[i] /= per_limit_mm_[i];
}

void Courses::write_start(double* leg_span_mm) {
  set_sizes();
  std::copy_n(mm_.begin(), n_, leg_span_mm);
}

/// The size that it has when it molts no more, or that growth comes to.
void Courses::write_end(double* leg_span_mm) const {
  const double to_come = plan_.adult_now ? std::exp(adult_step_ / (1 - adult_fade)) : 0;
  for (int i = 0; i < n_; ++i) {
    const double end = plan_.adult_now ? mm_[i] * to_come : std::max(mm_[i], end_mm_[i]);
    leg_span_mm[i] = std::isnan(day_[i]) ? mm_[i] : end;
  }
}

/// Sizes after the molt-th molt (from 1).
void Courses::grow(int molt, double* leg_span_mm, int stride) {
  normals(static_cast<std::uint32_t>(molt), z_, w_);
  set_shares();
  for (int i = 0; i < n_; ++i) {
    size_[i] += step(i, z_[i]);
    x_[i] = size_[i] + log_20_mm;
  }
  adult_step_ *= adult_fade;
  vectors::exponentials(x_.data(), n_, v_.data());
  write(v_, leg_span_mm, stride);
  for (int i = 0; i < n_; ++i) mm_[i] = std::isnan(v_[i]) ? mm_[i] : v_[i];
}

/// Moves the draws on from their molt-th molt (from 0) to the next; w_ holds the normal quantile of that stadium.
void Courses::next_molt(int molt) {
  const double adult_from = plan_.adult_now ? -INFINITY : plan_.adult_log_size;
  const auto ahead = static_cast<std::size_t>(molt);
  const bool known = ahead < plan_.instar_mean.size();
  const double instar = known ? plan_.instar_mean[ahead] : 0,
               scale = known ? plan_.instar_scale[ahead] : 1,
               instar_variance = known ? plan_.instar_variance[ahead] / moments_of(plan_.family).variance : 0;
  if (plan_.family == Family::weibull)
    for (int i = 0; i < n_; ++i) w_[i] = std::log(-numeric::log_Phi(w_[i]));
  if (plan_.family == Family::loglogistic)
    for (int i = 0; i < n_; ++i) w_[i] = numeric::log_Phi(w_[i]) - numeric::log_Phi(-w_[i]);
  for (int i = 0; i < n_; ++i) {
    const double change = (size_[i] >= adult_from ? plan_.adult_effect : 0) -
                          (begin_size_[i] >= adult_from ? plan_.adult_effect : 0) - plan_.ends_with_stadium + instar;
    x_[i] = eta_[i] + exponent_[i] * (size_[i] - begin_size_[i]) + change +
            (instar_variance > 0 ? std::sqrt(scale * scale * sigma_[i] * sigma_[i] + instar_variance) : scale * sigma_[i]) * w_[i];
  }
  vectors::exponentials(x_.data(), n_, v_.data());
  for (int i = 0; i < n_; ++i) {
    const bool last = stops_[i] > 0 && size_[i] >= adult_from_[i];
    day_[i] = last ? nothing : plan_.clock.days(plan_.clock.units(day_[i]) + v_[i]);
    size_[i] = last ? nothing : size_[i];
  }
}

}  // namespace

AliasTable::AliasTable(const std::vector<double>& weights) : keep(weights.size(), 1.0), other(weights.size()) {
  double total = 0;
  for (double w : weights) total += w;
  std::vector<int> small, large;
  const auto n = static_cast<double>(weights.size());
  for (std::size_t i = 0; i < weights.size(); ++i) {
    other[i] = static_cast<int>(i);
    keep[i] = total > 0 ? weights[i] / total * n : 1;
    (keep[i] < 1 ? small : large).push_back(static_cast<int>(i));
  }
  while (!small.empty() && !large.empty()) {
    const auto less = static_cast<std::size_t>(small.back()), more = static_cast<std::size_t>(large.back());
    small.pop_back();
    other[less] = static_cast<int>(more);
    keep[more] -= 1 - keep[less];
    if (keep[more] >= 1) continue;
    large.pop_back();
    small.push_back(static_cast<int>(more));
  }
  for (const auto* rest : {&small, &large})
    for (int i : *rest) keep[i] = 1;
}

int AliasTable::pick(double uniform) const {
  const double at = uniform * static_cast<double>(keep.size());
  const auto slot = std::min(static_cast<std::size_t>(at), keep.size() - 1);
  return at - static_cast<double>(slot) < keep[slot] ? static_cast<int>(slot) : other[slot];
}

void draw_courses(const TrajectoryPlan& plan, const TrajectoryOptions& options, double* dates_days, double* leg_span_mm,
                  double* start_leg_span_mm, double* end_leg_span_mm) {
  Courses courses(plan, options.seed);
  for (int first = 0; first < options.draws; first += block) {
    const std::ptrdiff_t at = static_cast<std::ptrdiff_t>(first) * options.molts;
    courses.begin(static_cast<std::uint32_t>(first), std::min(block, options.draws - first));
    courses.write_start(start_leg_span_mm + first);
    for (int molt = 0; molt < options.molts; ++molt) {
      courses.write_dates(dates_days + at + molt, options.molts);
      courses.grow(molt + 1, leg_span_mm + at + molt, options.molts);
      if (molt + 1 < options.molts) courses.next_molt(molt);
    }
    courses.write_end(end_leg_span_mm + first);
  }
}

}  // namespace moltspan
