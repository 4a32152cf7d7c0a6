#include <iostream>
#include <moltspan/forecast.hpp>

int main(int, char** arguments) {
  const auto collection = moltspan::make_collection(moltspan::read_folder(arguments[1]));
  const auto fit = moltspan::fit_collection(collection);
  for (const auto& animal : moltspan::forecast(fit)) {
    std::cout << animal.id;
    for (const auto& [probability, days] : animal.quantile_days) std::cout << ' ' << probability << ':' << days;
    std::cout << '\n';
  }
}
