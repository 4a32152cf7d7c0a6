#include <cstdio>
#include <moltspan/next_molt.hpp>

using namespace std::chrono_literals;

void print(const char* name, moltspan::Date date) {
  const std::chrono::year_month_day day(date);
  std::printf("%s %04d-%02u-%02u\n", name, int(day.year()), unsigned(day.month()), unsigned(day.day()));
}

int main() {
  moltspan::MoltHistory animal;  // invented records: six molts, so five stadia
  for (const auto day : {2025y / 1 / 4, 2025y / 2 / 20, 2025y / 4 / 15, 2025y / 6 / 20, 2025y / 8 / 30, 2025y / 12 / 2})
    animal.molts.push_back(moltspan::Date(day));
  animal.leg_span_mm = {12, 15, 19, 25, 31, 39};
  animal.watched_until = moltspan::Date(2026y / 1 / 20);
  const moltspan::MoltForecast forecast = moltspan::next_molt(animal);
  print("median", forecast.median);
  for (const moltspan::DateBand& band : forecast.bands) {
    std::printf("%.0f %%\n", 100 * band.probability);
    print("  from", band.first);
    print("  to", band.last);
  }
}
