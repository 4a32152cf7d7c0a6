#include "moltspan/collection/animal_view.hpp"

#include <algorithm>
#include <stdexcept>

namespace moltspan {

AnimalView CollectionFit::animal(int index) const { return {*this, index}; }

AnimalView::AnimalView(const CollectionFit& fit, int index) : fit_(&fit), i_(static_cast<std::size_t>(index)) {
  if (index < 0 || i_ >= fit.table.animals.size())
    throw std::out_of_range("animal " + std::to_string(index) + " is not one of " + std::to_string(fit.table.animals.size()));
}

const SignTimeline* AnimalView::signs() const { return fit_->sign_timelines.empty() ? nullptr : &fit_->sign_timelines[i_]; }

std::span<const Stadium> AnimalView::stadia() const {
  return std::ranges::equal_range(fit_->table.stadia, index(), {}, &Stadium::animal);
}

std::optional<AnimalGrowth> AnimalView::growth() const {
  if (!fit_->growth) return {};
  const GrowthModelFit& model = *fit_->growth;
  const auto& of_animals = model.member_log_ratio[static_cast<std::size_t>(Level::animal)];
  static const std::vector<AdultNode> none;
  return AnimalGrowth{model.sizes[i_], of_animals[i_].second, model.adult.empty() ? none : model.adult[i_], model.next_shift[i_],
                      model.chance_grows_more[i_]};
}

int AnimalView::group(Level level) const {
  const auto at = static_cast<std::size_t>(level);
  const std::vector<int>&of_rows = fit_->data.groups[at], &of_probes = fit_->data.probe_groups[at];
  const auto own = stadia();
  if (!own.empty() && !of_rows.empty()) return of_rows[&own.front() - fit_->table.stadia.data()];
  return inputs().probe >= 0 && !of_probes.empty() ? of_probes[inputs().probe] : -1;
}

}  // namespace moltspan
