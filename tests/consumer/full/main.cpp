#include <iostream>
#include <memory>
#include <moltspan/forecast.hpp>

int main(int, char** arguments) {
  auto records = moltspan::make_collection(moltspan::read_folder(arguments[1]));
  const auto fit = moltspan::fit_collection(std::make_shared<const moltspan::Collection>(std::move(records)));
  for (const auto& animal : moltspan::forecast(fit)) {
    std::cout << animal.id << ' ' << animal.why_no_forecast;
    for (std::size_t i = 0; i < animal.quantile_days.size(); ++i)
      std::cout << ' ' << moltspan::standard_quantiles[i] << ':' << animal.quantile_days[i];
    std::cout << '\n';
  }
}
